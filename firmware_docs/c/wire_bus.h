/* The bus of parts.h on the "Wire" library that Arduino-compatible boards have. For C++; include it in one file of a
 * sketch, after Wire.h. */
#ifndef STROKEPLANE_WIRE_BUS_H
#define STROKEPLANE_WIRE_BUS_H

#include <Wire.h>

#include "parts.h"

static int wire_write(void *, uint8_t address, uint8_t reg, uint8_t value)
{
    Wire.beginTransmission(address);
    Wire.write(reg);
    Wire.write(value);
    return Wire.endTransmission() == 0;
}

static int wire_read(void *, uint8_t address, uint8_t reg, uint8_t *into, size_t size)
{
    Wire.beginTransmission(address);
    Wire.write(reg);
    if (Wire.endTransmission(false) != 0 || Wire.requestFrom(address, (uint8_t)size) != size) {
        return 0;
    }
    for (size_t i = 0; i < size; i++) {
        into[i] = (uint8_t)Wire.read();
    }
    return 1;
}

static void wire_wait(void *, uint32_t ms)
{
    delay(ms);
}

static uint32_t wire_now(void *)
{
    return (uint32_t)micros();
}

static const struct sp_bus wire_bus = {NULL, wire_write, wire_read, wire_wait, wire_now};

/* Change rate or range of the part that `context` points to: for struct sp_board. */
static enum sp_result part_set_rate(void *context, struct sp_settings *settings, uint32_t rate_mhz)
{
    struct sp_part *part = (struct sp_part *)context;
    enum sp_result result = sp_part_set(part, rate_mhz, part->accel_g, part->gyro_dps);
    sp_part_describe(part, settings);
    return result;
}

static enum sp_result part_set_range(void *context, struct sp_settings *settings, uint16_t accel_g, uint16_t gyro_dps)
{
    struct sp_part *part = (struct sp_part *)context;
    enum sp_result result = sp_part_set(part, part->rate_mhz, accel_g, gyro_dps);
    sp_part_describe(part, settings);
    return result;
}

#endif
