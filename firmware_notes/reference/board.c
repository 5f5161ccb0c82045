#include "board.h"

#include <stdbool.h>
#include <stddef.h>

#include "boot_id.h"
#include "button.h"
#include "frame.h"
#include "hal.h"
#include "scan.h"
#include "send.h"
#include "store.h"
#include "strike.h"
#include "wire.h"

#define LISTEN_BYTES 8

static uint32_t boot;
static uint32_t status_ticks;
/* A press that came while a strike was being recorded. */
static uint8_t action_due;
static uint32_t action_ticks;

static void new_boot(void)
{
    boot = boot_id_next();
    store_start();
    send_start(boot);
    action_due = 0;
}

void board_start(void)
{
    frame_in_reset();
    new_boot();
    strike_start();
    button_start();
    status_ticks = hal_ticks();
    scan_start();
}

static void obey(const struct host_message *message)
{
    /* Any word will do, not ask hello alone: a host that did not notice that the board has started anew goes on with the
     * talk, and would wait for ever. */
    send_records();
    switch (message->type) {
    case TYPE_ASK_HELLO:
        send_hello();
        send_from_part_0();
        break;
    case TYPE_ASK_CLOCK:
        send_clock_reply(message->token, hal_frame_end_ticks());
        break;
    case TYPE_CONFIRM:
        if (message->boot_id == boot) {
            store_confirm(message->sequence);
        }
        break;
    case TYPE_SEND_AGAIN:
        if (message->boot_id == boot) {
            send_again(message->sequence);
        }
        break;
    case TYPE_SET_TRIGGER:
        strike_set_trigger(message->level);
        send_status();
        break;
    default:
        break;
    }
}

static void hear(uint8_t byte)
{
    struct frame_in frame;
    struct host_message message;
    enum frame_event event = frame_in_byte(byte, &frame);

    if (event == FRAME_NONE) {
        return;
    }
    if (event == FRAME_GOOD && wire_read_host(&frame, &message)) {
        obey(&message);
    } else {
        send_count_bad_frame();
    }
}

/* Several bytes a look, or a slow look would let the receiver run over; but not without end. */
static void listen(void)
{
    uint8_t byte;
    uint8_t looks;

    for (looks = 0; looks < LISTEN_BYTES && hal_read_byte(&byte); looks++) {
        hear(byte);
    }
}

static void look_at_switch(uint32_t now)
{
    uint32_t pressed_ticks;
    uint8_t action = button_look(hal_switch_pressed(), now, &pressed_ticks);

    if (action != 0) {
        action_due = action;
        action_ticks = pressed_ticks;
    }
    if (action_due != 0 && !store_is_open()) {
        store_open(TYPE_BUTTON);
        store_put_u32(action_ticks);
        store_put(action_due);
        store_close(0);
        action_due = 0;
    }
}

/* Sequence numbers do not wrap: a new boot id comes first, if it can be once the host has all records of the old. */
static bool sequence_runs_out(void)
{
    if (store_is_open() || store_next() < 0xFFFFFF00UL) {
        return false;
    }
    return store_kept() == 0 || store_next() == 0xFFFFFFFFUL;
}

void board_poll(void)
{
    const struct scan *scan = scan_next();

    if (scan != NULL) {
        uint32_t now = scan->ticks;

        strike_scan(scan);
        scan_release();
        look_at_switch(now);
        if (now - status_ticks >= TICK_HZ) {
            status_ticks = now;
            strike_review_trigger();
            send_status();
        }
        if (sequence_runs_out()) {
            new_boot();
        }
    }
    listen();
    send_poll();
    if (scan_next() == NULL) {
        send_compose();
    }
}
