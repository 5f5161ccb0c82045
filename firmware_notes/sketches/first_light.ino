// First light: 16 cells behind one multiplexer, one line of text per contact (firmware_notes/wire.md, section 3).
const int CELLS = 16, TRIGGER = 24;
const float PITCH_MM = 7.0;
int rest[CELLS];
unsigned long number = 0, began = 0, peaked = 0;
long heaviest = 0;
float place = 0;

int readCell(int cell) {
  PORTB = (PORTB & 0xF0) | cell;  // select lines on D8 to D11
  delayMicroseconds(8);           // 10 kOhm into 100 pF settles to 10 bits in 8 us
  return analogRead(A0);
}

void setup() {
  Serial.begin(115200);
  DDRB |= 0x0F;
  ADCSRA = (ADCSRA & 0xF8) | 4;  // converter clock of 1 MHz: a scan in 0.5 ms, not 2 ms
  for (int i = 0; i < CELLS; i++) rest[i] = readCell(i);
}

void loop() {
  long sum = 0, moment = 0;
  unsigned long now = micros();
  for (int i = 0; i < CELLS; i++) {
    int above = readCell(i) - rest[i];
    if (above > TRIGGER) { sum += above; moment += (long)above * (2 * i - CELLS + 1); }
  }
  if (sum > 0 && heaviest == 0) began = now;
  if (sum > heaviest) { heaviest = sum; peaked = now; place = moment * PITCH_MM / 2 / sum; }
  if (sum == 0 && heaviest > 0) {
    Serial.print("LB1 n=");  Serial.print(number++);
    Serial.print(" t=");     Serial.print(peaked);
    Serial.print(" x=");     Serial.print(place, 2);
    Serial.print(" p=");     Serial.print(heaviest);
    Serial.print(" d=");     Serial.println(now - began);
    heaviest = 0;
  }
}
