/* The drivers with their bus on a pair of pipes: the other end models the part, register by register.
 *
 * To the model: 'r' address register size -> 1 and the bytes, or 0; 'w' address register value -> 1 or 0; 'd' ms u32;
 * 't' -> u32, microseconds; 'f' size u16, bytes: what the core sends; '=' result u8, size u8, text: a command is done.
 * From it: 'F' find; 'B' begin; 'S' rate_mhz u32, ranges 2 x u16; 'D' drain and poll; 'T' self-test; 'R' size u8, bytes
 * from the host; 'Q' end. */
#include <stdio.h>
#include <stdlib.h>

#include "parts.h"

static uint32_t number(int bytes)
{
    uint32_t value = 0;
    int i;
    for (i = 0; i < bytes; i++) {
        int byte = getchar();
        if (byte == EOF) {
            exit(2);
        }
        value |= (uint32_t)byte << 8 * i;
    }
    return value;
}

static void out(uint32_t value, int bytes)
{
    int i;
    for (i = 0; i < bytes; i++) {
        putchar((int)(value >> 8 * i & 0xFFu));
    }
}

static int bus_write(void *context, uint8_t address, uint8_t reg, uint8_t value)
{
    (void)context;
    putchar('w');
    out(address | (uint32_t)reg << 8 | (uint32_t)value << 16, 3);
    fflush(stdout);
    return (int)number(1);
}

static int bus_read(void *context, uint8_t address, uint8_t reg, uint8_t *into, size_t size)
{
    (void)context;
    putchar('r');
    out(address | (uint32_t)reg << 8 | (uint32_t)size << 16, 3);
    fflush(stdout);
    if (number(1) == 0u) {
        return 0;
    }
    while (size-- > 0u) {
        *into++ = (uint8_t)number(1);
    }
    return 1;
}

static void wait_ms(void *context, uint32_t ms)
{
    (void)context;
    putchar('d');
    out(ms, 4);
}

static uint32_t now_us(void *context)
{
    (void)context;
    putchar('t');
    fflush(stdout);
    return number(4);
}

static int write_out(void *context, const uint8_t *bytes, size_t size)
{
    (void)context;
    putchar('f');
    out((uint32_t)size, 2);
    return fwrite(bytes, 1, size, stdout) == size;
}

static enum sp_result set_rate(void *context, struct sp_settings *settings, uint32_t rate_mhz)
{
    struct sp_part *part = context;
    enum sp_result result = sp_part_set(part, rate_mhz, part->accel_g, part->gyro_dps);
    sp_part_describe(part, settings);
    return result;
}

static enum sp_result set_range(void *context, struct sp_settings *settings, uint16_t accel_g, uint16_t gyro_dps)
{
    struct sp_part *part = context;
    enum sp_result result = sp_part_set(part, part->rate_mhz, accel_g, gyro_dps);
    sp_part_describe(part, settings);
    return result;
}

static void done(uint32_t result, const char *text)
{
    size_t size = 0;
    while (text[size] != '\0') {
        size++;
    }
    putchar('=');
    out(result, 1);
    out((uint32_t)size, 1);
    fputs(text, stdout);
    fflush(stdout);
}

static void hear(struct sp_device *device)
{
    uint32_t size = number(1);
    while (size-- > 0u) {
        uint8_t byte = (uint8_t)number(1);
        sp_receive(device, &byte, 1);
    }
}

int main(void)
{
    static const struct sp_bus bus = {NULL, bus_write, bus_read, wait_ms, now_us};
    struct sp_part *part = calloc(1, sizeof *part);
    struct sp_device *device = calloc(1, sizeof *device);
    struct sp_board board = {part, write_out, set_rate, set_range};
    struct sp_settings settings = {.axes = {1, 2, 3}, .boot = 7, .id = {1, 2, 3}, .firmware = "desk"};
    char sentence[SP_SENTENCE] = "";
    uint32_t a, b;
    for (;;) {
        switch (number(1)) {
        case 'F': a = (uint32_t)sp_part_find(part, &bus, sentence); done(a, sentence); break;
        case 'B':
            sp_part_describe(part, &settings);
            sp_begin(device, &settings, &board);
            done(1, "");
            break;
        case 'S':
            a = number(4);
            b = number(4);
            done((uint32_t)sp_part_set(part, a, (uint16_t)b, (uint16_t)(b >> 16)), "");
            break;
        case 'D':
            sp_part_drain(part, device);
            sp_poll(device, sp_part_now(part));
            done(1, "");
            break;
        case 'T': a = (uint32_t)sp_part_self_test(part, sentence); done(a, sentence); break;
        case 'R': hear(device); done(1, ""); break;
        case 'Q': free(part); free(device); return 0;
        default: return 3;
        }
    }
}
