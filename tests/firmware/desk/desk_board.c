/* A board on the desk: the core in real time on the standard streams, with a part that is made up. Sample k reads k in
 * its first three counts. With "reboot MS" it restarts once after so many milliseconds. */
#define _POSIX_C_SOURCE 200809L
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "strokeplane.h"

static struct sp_device device;
static uint64_t born_us;

static uint64_t timer_us(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint64_t)now.tv_sec * 1000000u + (uint64_t)now.tv_nsec / 1000u;
}

static int write_out(void *context, const uint8_t *bytes, size_t size)
{
    (void)context;
    return write(1, bytes, size) == (ssize_t)size;
}

static enum sp_result set_rate(void *context, struct sp_settings *settings, uint32_t rate_mhz)
{
    (void)context;
    if (rate_mhz != 500000u && rate_mhz != 1000000u && rate_mhz != 250000u) {
        return SP_IMPOSSIBLE;
    }
    settings->rate_mhz = rate_mhz;
    born_us = timer_us();
    return SP_DONE;
}

static enum sp_result set_range(void *context, struct sp_settings *settings, uint16_t accel_g, uint16_t gyro_dps)
{
    (void)context;
    if (accel_g != 8u || gyro_dps != 1000u) {
        return SP_IMPOSSIBLE;
    }
    settings->accel_range_g = accel_g;
    settings->gyro_range_dps = gyro_dps;
    settings->accel_scale = sp_ratio(1, 4096);
    settings->gyro_scale = sp_ratio(10, 328);
    return SP_DONE;
}

static void power_up(uint32_t boot)
{
    static const struct sp_board board = {NULL, write_out, set_rate, set_range};
    struct sp_settings settings = {.tick_bits = 32, .tick_hz = 1000000u, .rate_mhz = 500000u, .accel_range_g = 16,
                                   .gyro_range_dps = 2000, .axes = {1, 2, 3}, .id = {0xDE, 0x5C}, .part = "made up",
                                   .firmware = "desk 1"};
    settings.boot = boot;
    settings.accel_scale = sp_ratio(1, 2048);
    settings.gyro_scale = sp_ratio(10, 164);
    born_us = timer_us();
    sp_begin(&device, &settings, &board);
}

static void step(void)
{
    uint64_t period_us = 1000000000u / device.settings.rate_mhz;
    while ((uint64_t)device.next * period_us <= timer_us() - born_us) {
        uint32_t k = device.next;
        int16_t counts[6] = {(int16_t)(k & 0x7FFFu), (int16_t)(k >> 8 & 0xFFu), (int16_t)(k >> 16), 1, 2, 3};
        sp_sample(&device, (uint32_t)(born_us + k * period_us), counts);
    }
    sp_poll(&device, (uint32_t)timer_us());
}

int main(int n, char **words)
{
    uint64_t reboot_us = n > 2 && strcmp(words[1], "reboot") == 0 ? timer_us() + 1000u * strtoul(words[2], NULL, 10) : 0;
    uint32_t boot = (uint32_t)timer_us() ^ (uint32_t)getpid() << 16;
    struct pollfd host = {0, POLLIN, 0};
    uint8_t bytes[64];
    power_up(boot);
    for (;;) {
        ssize_t size;
        if (reboot_us != 0u && timer_us() > reboot_us) {
            reboot_us = 0;
            poll(NULL, 0, 50);
            power_up(boot + 1u);
        }
        step();
        if (poll(&host, 1, 2) > 0) {
            size = read(0, bytes, sizeof bytes);
            if (size <= 0) {
                return 0;
            }
            sp_receive(&device, bytes, (size_t)size);
        }
    }
}
