/* Messages of protocol 1 (wire.md, sections 2.3 to 2.6): board to host out, host to board in. */
#ifndef WIRE_H
#define WIRE_H

#include <stdbool.h>
#include <stdint.h>

#include "frame.h"

#define PROTOCOL_MAJOR 1
#define PROTOCOL_MINOR 0

enum message_type {
    TYPE_HELLO = 0x01,
    TYPE_READING = 0x02,
    TYPE_STRIKE_SCANS = 0x03,
    TYPE_STATUS = 0x04,
    TYPE_CLOCK_REPLY = 0x05,
    TYPE_BUTTON = 0x06,
    TYPE_ASK_HELLO = 0x21,
    TYPE_ASK_CLOCK = 0x22,
    TYPE_CONFIRM = 0x23,
    TYPE_SEND_AGAIN = 0x24,
    TYPE_SET_TRIGGER = 0x25
};

enum record_flag {
    FLAG_BEGINS = 0x01,
    FLAG_ENDS = 0x02,
    FLAG_SUMS_UP = 0x04,
    FLAG_SATURATED = 0x08,
    FLAG_EDGE = 0x10,
    FLAG_AFTER_DROP = 0x20,
    FLAG_STILL_LOADED = 0x40,
    FLAG_LATE_START = 0x80
};

enum ability {
    ABILITY_STRIKE_SCANS = 0x01,
    ABILITY_READINGS = 0x02,
    ABILITY_FOOT_SWITCH = 0x04,
    ABILITY_BATTERY = 0x08,
    ABILITY_SETTABLE_TRIGGER = 0x10,
    ABILITY_DIVIDER = 0x20,
    ABILITY_AMPLIFIER = 0x40
};

enum scan_order { ROW_AFTER_ROW = 0, ROWS_TOGETHER = 1, AT_ONCE = 2 };

enum button_action { ACTION_NEXT_CLUB = 1, ACTION_TAKE_BACK = 2, ACTION_PREVIOUS_CLUB = 3 };

#define TEMPERATURE_UNKNOWN (-32767 - 1)
#define TRAIL_UNKNOWN (-32767 - 1)
#define NOISE_UNKNOWN 0xFFFFU

struct hello {
    uint8_t board_id[8];
    uint32_t boot_id;
    uint8_t firmware[3];
    uint32_t tick_hz;
    uint8_t rows;
    uint8_t cells;
    uint16_t pitch_um;
    uint16_t row_distance_um;
    uint8_t scan_order;
    uint32_t scan_ticks;
    uint16_t full_scale;
    uint16_t trigger_level;
    uint32_t oldest_kept;
    uint32_t next_sequence;
    uint8_t abilities;
    /* Ends with a 0; at most 24 characters are sent. */
    const char *name;
};

struct reading {
    uint32_t sequence;
    uint32_t ticks;
    int16_t position;
    int16_t trail;
    uint16_t pressure;
    uint8_t flags;
    uint32_t span_ticks;
};

/* The head of one part of a strike; its scans follow as bytes. */
struct strike_part {
    uint32_t sequence;
    uint8_t part;
    uint8_t parts;
    uint8_t flags;
    uint8_t value_bytes;
    uint8_t rows;
    uint8_t cells;
    uint8_t scans;
    uint32_t span_ticks;
};

struct status {
    uint32_t ticks;
    uint16_t supply_mv;
    int16_t temperature;
    uint16_t noise;
    uint16_t trigger_level;
    uint16_t kept;
    uint32_t dropped;
    uint16_t bad_frames;
    uint32_t oldest_kept;
    uint32_t next_sequence;
};

/* Each of these leaves a closed frame for frame_encode, but wire_begin_strike_part, which wants the scans and
 * frame_close. */
void wire_put_hello(const struct hello *hello);
void wire_put_reading(const struct reading *reading);
void wire_begin_strike_part(const struct strike_part *part);
void wire_put_status(const struct status *status);
void wire_put_clock_reply(uint32_t token, uint32_t received_ticks, uint32_t sent_ticks);
void wire_put_button(uint32_t sequence, uint32_t ticks, uint8_t action);

struct host_message {
    uint8_t type;
    uint8_t major;
    uint8_t minor;
    uint32_t token;
    uint32_t boot_id;
    uint32_t sequence;
    uint16_t level;
};

/* False: an unknown type or a payload that is too short; to be counted and dropped. */
bool wire_read_host(const struct frame_in *frame, struct host_message *message);

#endif
