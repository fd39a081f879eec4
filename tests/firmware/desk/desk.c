/* Plays a script of calls to the core and writes what it sends: on this computer, and on an emulated Cortex-M4 where
 * the two files are reached by semihosting. A script is a row of operations: a letter, then its fields, little-endian.
 *
 *     B  tick_bits u8, tick_hz u32, rate_mhz u32, ranges 2 x u16, scales as 4 x u32 (numerator, denominator), axes
 *        3 x i8, boot u32, id 8, part u8 length and text, firmware likewise, deaf u8: power-up
 *     S  tick u32, counts 6 x i16        K  n u32: readings lost
 *     R  n u16, bytes: from the host     P  tick u32: poll
 *     V  millivolts u16, percent u8, flags u8
 *     W  room u16, answer u8: how much one write takes, and whether it succeeds from now on
 *     E  bus_errors u32, centidegrees i16
 *     L  link lost
 * Each write goes to the output behind its length (u16), so that the cutting into notifications shows. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "strokeplane.h"

static FILE *in, *out;
static int takes = 1;

static uint32_t number(int bytes)
{
    uint32_t value = 0;
    int i;
    for (i = 0; i < bytes; i++) {
        int byte = fgetc(in);
        if (byte == EOF) {
            fputs("the script ends within an operation\n", stderr);
            exit(2);
        }
        value |= (uint32_t)byte << 8 * i;
    }
    return value;
}

static void text(char *into)
{
    uint32_t size = number(1), i;
    for (i = 0; i < size; i++) {
        into[i] = (char)number(1);
    }
    into[size] = '\0';
}

static int write_out(void *context, const uint8_t *bytes, size_t size)
{
    (void)context;
    if (!takes) {
        return 0;
    }
    fputc((int)(size & 0xFFu), out);
    fputc((int)(size >> 8), out);
    return fwrite(bytes, 1, size, out) == size;
}

static enum sp_result set_rate(void *context, struct sp_settings *settings, uint32_t rate_mhz)
{
    (void)context;
    if (rate_mhz != 500000u && rate_mhz != 1000000u) {
        return SP_IMPOSSIBLE;
    }
    settings->rate_mhz = rate_mhz;
    return SP_DONE;
}

static enum sp_result set_range(void *context, struct sp_settings *settings, uint16_t accel_g, uint16_t gyro_dps)
{
    (void)context;
    if (accel_g != 16u || gyro_dps != 1000u) {
        return SP_IMPOSSIBLE;
    }
    settings->accel_range_g = accel_g;
    settings->gyro_range_dps = gyro_dps;
    settings->accel_scale = sp_ratio(1, 2048);
    settings->gyro_scale = sp_ratio(10, 328);
    return SP_DONE;
}

static void begin(struct sp_device *device)
{
    static char part[256], firmware[256];
    struct sp_board board = {NULL, write_out, set_rate, set_range};
    struct sp_settings settings;
    uint32_t top;
    int i;
    memset(&settings, 0, sizeof settings);
    settings.tick_bits = (uint8_t)number(1);
    settings.tick_hz = number(4);
    settings.rate_mhz = number(4);
    settings.accel_range_g = (uint16_t)number(2);
    settings.gyro_range_dps = (uint16_t)number(2);
    top = number(4);
    settings.accel_scale = sp_ratio(top, number(4));
    top = number(4);
    settings.gyro_scale = sp_ratio(top, number(4));
    for (i = 0; i < 3; i++) {
        settings.axes[i] = (int8_t)number(1);
    }
    settings.boot = number(4);
    for (i = 0; i < 8; i++) {
        settings.id[i] = (uint8_t)number(1);
    }
    text(part);
    text(firmware);
    settings.part = part;
    settings.firmware = firmware;
    settings.deaf = (uint8_t)number(1);
    sp_begin(device, &settings, &board);
}

static void receive(struct sp_device *device)
{
    uint32_t size = number(2);
    while (size-- > 0u) {
        uint8_t byte = (uint8_t)number(1);
        sp_receive(device, &byte, 1);
    }
}

static void sample(struct sp_device *device)
{
    int16_t counts[6];
    uint32_t tick = number(4);
    int i;
    for (i = 0; i < 6; i++) {
        counts[i] = (int16_t)number(2);
    }
    sp_sample(device, tick, counts);
}

static void play(struct sp_device *device, int operation)
{
    uint32_t a, b;
    switch (operation) {
    case 'B': begin(device); break;
    case 'S': sample(device); break;
    case 'K': sp_skip(device, number(4)); break;
    case 'R': receive(device); break;
    case 'P': sp_poll(device, number(4)); break;
    case 'V':
        a = number(2);
        b = number(1);
        number(1) == 3u ? sp_battery(device, (uint16_t)a, (uint8_t)b, 1, 1)
                        : sp_battery(device, (uint16_t)a, (uint8_t)b, 0, 0);
        break;
    case 'W':
        device->room = (uint16_t)number(2);
        takes = (int)number(1);
        break;
    case 'E':
        device->bus_errors = number(4);
        device->centidegrees = (int16_t)number(2);
        break;
    case 'L': sp_link_lost(device); break;
    default: fprintf(stderr, "no operation %d\n", operation); exit(2);
    }
}

int main(void)
{
    struct sp_device *device = malloc(sizeof *device); /* On the heap, so that the sanitizer watches its ends. */
    int operation;
    in = fopen("script.bin", "rb");
    out = fopen("sent.bin", "wb");
    if (device == NULL || in == NULL || out == NULL) {
        fputs("no script.bin here, or sent.bin cannot be written\n", stderr);
        return 2;
    }
    while ((operation = fgetc(in)) != EOF) {
        play(device, operation);
    }
    fprintf(stdout, "missed %lu refused %lu next %lu\n", (unsigned long)device->missed,
            (unsigned long)device->refused, (unsigned long)device->next);
    free(device);
    return fclose(out) == 0 && fclose(in) == 0 ? 0 : 2;
}
