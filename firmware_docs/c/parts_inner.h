/* What parts.c and self_test.c share; no part of the interface. */
#ifndef STROKEPLANE_PARTS_INNER_H
#define STROKEPLANE_PARTS_INNER_H

#include "parts.h"

static inline int put(const struct sp_part *part, uint8_t reg, uint32_t value)
{
    return part->bus->write(part->bus->context, part->address, reg, (uint8_t)value);
}

static inline int get(const struct sp_part *part, uint8_t reg, uint8_t *into, size_t size)
{
    return part->bus->read(part->bus->context, part->address, reg, into, size);
}

static inline void wait(const struct sp_part *part, uint32_t ms)
{
    part->bus->wait_ms(part->bus->context, ms);
}

static inline int16_t big(const uint8_t *at)
{
    return (int16_t)(uint16_t)((uint32_t)at[0] << 8 | at[1]);
}

static inline int16_t little(const uint8_t *at)
{
    return (int16_t)(uint16_t)((uint32_t)at[1] << 8 | at[0]);
}

static inline int is_st(const struct sp_part *part)
{
    return part->row->kind == SP_LSM6DSO || part->row->kind == SP_LSM6DS3TR_C;
}

static inline size_t say(char sentence[SP_SENTENCE], size_t at, const char *text)
{
    while (*text != '\0' && at < SP_SENTENCE - 1u) {
        sentence[at++] = *text++;
    }
    sentence[at] = '\0';
    return at;
}

/* Set rate, full scales and filters as `part` says and start the FIFO anew; 1 if the bus worked. */
int sp_part_apply(struct sp_part *part);

#endif
