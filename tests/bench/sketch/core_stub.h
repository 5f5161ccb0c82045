/* The few functions of the hobby boards' C++ dialect that first_light.ino uses, and nothing else: enough to compile it
 * for the chip, and to run it on this computer against cells made of numbers. */
#pragma once

#include <stdint.h>

#ifdef __AVR__
#include <avr/io.h>
#else
extern uint8_t PORTB, DDRB, ADCSRA;
#endif

const uint8_t A0 = 14;

unsigned long micros();
void delayMicroseconds(unsigned int us);
int analogRead(uint8_t pin);

class Line {
 public:
  void begin(unsigned long baud);
  void print(const char *text);
  void print(unsigned long number);
  void print(long number);
  void print(double number, int digits);
  void println(unsigned long number);
};

extern Line Serial;

void setup();
void loop();
