/* Runs first_light.ino on this computer. Standard input: a line "n_steps step_us", then n_steps lines of 16 counts.
 * Conversions take 17 us of the sketch's time; between the steps the counts follow straight lines. */
#include "core_stub.h"

#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <vector>

uint8_t PORTB, DDRB, ADCSRA;
Line Serial;

static const int CELLS_WIRED = 16;
static double now_us;
static double step_us;
static std::vector<double> counts;

unsigned long micros() { return (unsigned long)now_us; }
void delayMicroseconds(unsigned int us) { now_us += us; }

int analogRead(uint8_t pin)
{
    int cell = PORTB & 0x0F;
    double step = now_us / step_us;
    size_t at = (size_t)step;
    size_t last = counts.size() / CELLS_WIRED - 1;

    if (pin != A0 || (DDRB & 0x0F) != 0x0F) {
        exit(3);
    }
    now_us += 17;
    if (at >= last) {
        return (int)counts[last * CELLS_WIRED + cell];
    }
    double before = counts[at * CELLS_WIRED + cell];
    double after = counts[(at + 1) * CELLS_WIRED + cell];
    return (int)lround(before + (after - before) * (step - (double)at));
}

void Line::begin(unsigned long baud)
{
    if (baud != 115200) {
        exit(4);
    }
}
void Line::print(const char *text) { printf("%s", text); }
void Line::print(unsigned long number) { printf("%lu", number); }
void Line::print(long number) { printf("%ld", number); }
void Line::print(double number, int digits) { printf("%.*f", digits, number); }
void Line::println(unsigned long number) { printf("%lu\r\n", number); }

int main()
{
    size_t steps;
    double value;

    if (scanf("%zu %lf", &steps, &step_us) != 2) {
        return 2;
    }
    while (scanf("%lf", &value) == 1) {
        counts.push_back(value);
    }
    if (counts.size() != steps * CELLS_WIRED) {
        return 2;
    }
    setup();
    while (now_us < (double)steps * step_us) {
        loop();
    }
    return 0;
}
