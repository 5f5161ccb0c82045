#include "boot_id.h"

#include <stdbool.h>

#include "hal.h"

static bool read_place(uint8_t place, uint32_t *id)
{
    uint32_t value = 0;
    uint32_t complement = 0;
    uint8_t i;

    for (i = 4; i-- > 0;) {
        value = (value << 8) | hal_storage_read(place, i);
        complement = (complement << 8) | hal_storage_read(place, (uint8_t)(4 + i));
    }
    *id = value;
    return value == (uint32_t)~complement;
}

uint32_t boot_id_next(void)
{
    uint32_t id = 0;
    uint8_t bytes[8];
    uint8_t place;
    uint8_t i;

    for (place = 0; place < 2; place++) {
        uint32_t stored;

        if (read_place(place, &stored) && stored > id) {
            id = stored;
        }
    }
    id++;
    for (i = 0; i < 4; i++) {
        bytes[i] = (uint8_t)(id >> (8 * i));
        bytes[4 + i] = (uint8_t)(~id >> (8 * i));
    }
    hal_storage_write((uint8_t)(id & 1U), bytes);
    return id;
}
