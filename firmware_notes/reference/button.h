/* The foot switch: a short press is "next club", one of over 0.6 s "take back the last strike". */
#ifndef BUTTON_H
#define BUTTON_H

#include <stdbool.h>
#include <stdint.h>

void button_start(void);

/* Look at the switch. Returns the action (wire.h) when one is due, else 0; *pressed_ticks is when it was pressed. */
uint8_t button_look(bool pressed, uint32_t now_ticks, uint32_t *pressed_ticks);

#endif
