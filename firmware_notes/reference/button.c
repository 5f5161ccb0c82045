#include "button.h"

#include "hal.h"
#include "wire.h"

/* A contact bounces for some milliseconds; the switch counts as moved once it has stayed so for 20 ms. */
#define DEBOUNCE_TICKS (TICK_HZ / 50)
#define LONG_TICKS (TICK_HZ * 6 / 10)

static bool down;
static bool last_seen;
static uint32_t changed_ticks;
static uint32_t down_ticks;
static bool reported;

void button_start(void)
{
    down = false;
    last_seen = false;
    changed_ticks = 0;
    reported = true;
}

uint8_t button_look(bool pressed, uint32_t now_ticks, uint32_t *pressed_ticks)
{
    if (pressed != last_seen) {
        last_seen = pressed;
        changed_ticks = now_ticks;
    }
    if (last_seen != down && now_ticks - changed_ticks >= DEBOUNCE_TICKS) {
        down = last_seen;
        if (down) {
            down_ticks = changed_ticks;
            reported = false;
        } else if (!reported) {
            reported = true;
            *pressed_ticks = down_ticks;
            return changed_ticks - down_ticks > LONG_TICKS ? ACTION_TAKE_BACK : ACTION_NEXT_CLUB;
        }
    }
    /* The long press is told while the foot is still down: the player need not guess how long is long. */
    if (down && !reported && last_seen && now_ticks - down_ticks > LONG_TICKS) {
        reported = true;
        *pressed_ticks = down_ticks;
        return ACTION_TAKE_BACK;
    }
    return 0;
}
