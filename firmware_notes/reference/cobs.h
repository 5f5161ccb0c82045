/* Consistent overhead byte stuffing (Cheshire and Baker 1999), a byte at a time. */
#ifndef COBS_H
#define COBS_H

#include <stdbool.h>
#include <stdint.h>

struct cobs_encoder {
    uint8_t *out;
    uint16_t length;
    uint16_t code_at;
    uint8_t code;
};

static inline void cobs_open_block(struct cobs_encoder *encoder)
{
    encoder->code_at = encoder->length++;
    encoder->code = 1;
}

static inline void cobs_begin(struct cobs_encoder *encoder, uint8_t *out)
{
    encoder->out = out;
    encoder->length = 0;
    cobs_open_block(encoder);
}

static inline void cobs_put(struct cobs_encoder *encoder, uint8_t byte)
{
    if (encoder->code == 0xFF) {
        /* A full block ends without a zero of its own, and a new one is due only now that a byte follows. */
        encoder->out[encoder->code_at] = encoder->code;
        cobs_open_block(encoder);
    }
    if (byte == 0) {
        encoder->out[encoder->code_at] = encoder->code;
        cobs_open_block(encoder);
    } else {
        encoder->out[encoder->length++] = byte;
        encoder->code++;
    }
}

/* The 0x00 that ends a frame is the caller's. */
static inline void cobs_end(struct cobs_encoder *encoder)
{
    encoder->out[encoder->code_at] = encoder->code;
}

struct cobs_decoder {
    /* Bytes still due in the block; 0 means that a code byte is next, or the end. */
    uint8_t left;
    /* The block that ended calls for a zero, should anything follow. */
    bool zero_due;
};

static inline void cobs_decode_begin(struct cobs_decoder *decoder)
{
    decoder->left = 0;
    decoder->zero_due = false;
}

/* Take one encoded byte, not 0x00. True if it gives a decoded one. */
static inline bool cobs_decode(struct cobs_decoder *decoder, uint8_t byte, uint8_t *decoded)
{
    bool gives = decoder->zero_due;

    if (decoder->left > 0) {
        decoder->left--;
        *decoded = byte;
        return true;
    }
    *decoded = 0;
    decoder->zero_due = byte != 0xFF;
    decoder->left = (uint8_t)(byte - 1);
    return gives;
}

#endif
