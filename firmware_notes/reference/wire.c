#include "wire.h"

#define NAME_LIMIT 24

void wire_put_hello(const struct hello *hello)
{
    uint8_t i;
    uint8_t name_length = 0;

    while (name_length < NAME_LIMIT && hello->name[name_length] != '\0') {
        name_length++;
    }
    frame_begin(TYPE_HELLO);
    frame_u8(PROTOCOL_MAJOR);
    frame_u8(PROTOCOL_MINOR);
    for (i = 0; i < 8; i++) {
        frame_u8(hello->board_id[i]);
    }
    frame_u32(hello->boot_id);
    for (i = 0; i < 3; i++) {
        frame_u8(hello->firmware[i]);
    }
    frame_u32(hello->tick_hz);
    frame_u8(hello->rows);
    frame_u8(hello->cells);
    frame_u16(hello->pitch_um);
    frame_u16(hello->row_distance_um);
    frame_u8(hello->scan_order);
    frame_u32(hello->scan_ticks);
    frame_u16(hello->full_scale);
    frame_u16(hello->trigger_level);
    frame_u32(hello->oldest_kept);
    frame_u32(hello->next_sequence);
    frame_u8(hello->abilities);
    frame_u8(name_length);
    for (i = 0; i < name_length; i++) {
        frame_u8((uint8_t)hello->name[i]);
    }
    frame_close();
}

void wire_put_reading(const struct reading *reading)
{
    frame_begin(TYPE_READING);
    frame_u32(reading->sequence);
    frame_u32(reading->ticks);
    frame_u16((uint16_t)reading->position);
    frame_u16((uint16_t)reading->trail);
    frame_u16(reading->pressure);
    frame_u8(reading->flags);
    frame_u32(reading->span_ticks);
    frame_close();
}

void wire_begin_strike_part(const struct strike_part *part)
{
    frame_begin(TYPE_STRIKE_SCANS);
    frame_u32(part->sequence);
    frame_u8(part->part);
    frame_u8(part->parts);
    frame_u8(part->flags);
    frame_u8(part->value_bytes);
    frame_u8(part->rows);
    frame_u8(part->cells);
    frame_u8(part->scans);
    frame_u32(part->span_ticks);
}

void wire_put_status(const struct status *status)
{
    frame_begin(TYPE_STATUS);
    frame_u32(status->ticks);
    frame_u16(status->supply_mv);
    frame_u16((uint16_t)status->temperature);
    frame_u16(status->noise);
    frame_u16(status->trigger_level);
    frame_u16(status->kept);
    frame_u32(status->dropped);
    frame_u16(status->bad_frames);
    frame_u32(status->oldest_kept);
    frame_u32(status->next_sequence);
    frame_close();
}

void wire_put_clock_reply(uint32_t token, uint32_t received_ticks, uint32_t sent_ticks)
{
    frame_begin(TYPE_CLOCK_REPLY);
    frame_u32(token);
    frame_u32(received_ticks);
    frame_u32(sent_ticks);
    frame_close();
}

void wire_put_button(uint32_t sequence, uint32_t ticks, uint8_t action)
{
    frame_begin(TYPE_BUTTON);
    frame_u32(sequence);
    frame_u32(ticks);
    frame_u8(action);
    frame_close();
}

static uint16_t get_u16(const uint8_t *bytes)
{
    return (uint16_t)(bytes[0] | ((uint16_t)bytes[1] << 8));
}

static uint32_t get_u32(const uint8_t *bytes)
{
    return get_u16(bytes) | ((uint32_t)get_u16(bytes + 2) << 16);
}

bool wire_read_host(const struct frame_in *frame, struct host_message *message)
{
    message->type = frame->type;
    switch (frame->type) {
    case TYPE_ASK_HELLO:
        message->major = frame->payload[0];
        message->minor = frame->payload[1];
        return frame->length >= 2;
    case TYPE_ASK_CLOCK:
        message->token = get_u32(frame->payload);
        return frame->length >= 4;
    case TYPE_CONFIRM:
    case TYPE_SEND_AGAIN:
        message->boot_id = get_u32(frame->payload);
        message->sequence = get_u32(frame->payload + 4);
        return frame->length >= 8;
    case TYPE_SET_TRIGGER:
        message->level = get_u16(frame->payload);
        return frame->length >= 2;
    default:
        return false;
    }
}
