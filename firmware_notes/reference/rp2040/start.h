/* What start.c calls, all of it in main.c. */
#ifndef RP2040_START_H
#define RP2040_START_H

typedef void (*vector)(void);

int main(void);
/* Interrupts: a conversion has ended; a byte came in. */
void on_converted(void);
void on_received(void);

#endif
