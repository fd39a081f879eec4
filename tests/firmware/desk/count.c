/* How many instructions the core takes for frames of samples, on the emulated Cortex-M4. Run with -icount shift=0,
 * where one instruction takes 1 ns of the emulated clock; SysTick then counts 25 MHz of it, 40 instructions a tick. A
 * loop of known length comes first, so that a counter which counts something else is noticed. */
#include <stdint.h>
#include <stdio.h>

#include "strokeplane.h"

#define SYSTICK ((volatile uint32_t *)0xE000E010u)
#define INSTRUCTIONS_A_TICK 40u
#ifndef FRAMES
#define FRAMES 256u
#endif
#ifndef LOOP_TURNS
#define LOOP_TURNS 1000000u
#endif

static struct sp_device device;
static uint32_t bytes_out;

static int write_out(void *context, const uint8_t *bytes, size_t size)
{
    (void)context;
    (void)bytes;
    bytes_out += (uint32_t)size;
    return 1;
}

static uint32_t now(void)
{
    return 0xFFFFFFu - SYSTICK[2];
}

static uint32_t known_loop(uint32_t turns)
{
    uint32_t start = now();
    __asm__ volatile("1: subs %0, %0, #1\n bne 1b" : "+r"(turns) : : "cc");
    return (now() - start) & 0xFFFFFFu;
}

/* Frames of `per_frame` samples, polled as a main loop would: after every sample. */
static __attribute__((noinline, noclone)) uint32_t frames_of(uint32_t per_frame, uint32_t period_ticks)
{
    static const int16_t counts[6] = {0, -1, 256, 32767, -32768, 77};
    uint32_t tick = 0, start = now(), frame, i;
    for (frame = 0; frame < FRAMES; frame++) {
        for (i = 0; i < per_frame; i++) {
            tick += period_ticks;
            sp_sample(&device, tick, counts);
            sp_poll(&device, tick);
        }
    }
    return (now() - start) & 0xFFFFFFu;
}

int main(void)
{
    static const struct sp_settings settings = {32, 1000000u, 1000000u, 16, 2000, 0x3F40000000000000u,
                                                0x3FAF3831F3831F38u, {1, 2, 3}, 1, {0}, "part", "count", 0};
    static const struct sp_board board = {NULL, write_out, NULL, NULL};
    uint32_t loop, full;
    SYSTICK[1] = 0xFFFFFFu;
    SYSTICK[2] = 0;
    SYSTICK[0] = 5; /* On, from the processor's clock. */
    loop = known_loop(LOOP_TURNS);
    sp_begin(&device, &settings, &board);
    device.running = 1;
    bytes_out = 0;
    full = frames_of(SP_MAX_SAMPLES, 1000);
    printf("loop %lu frame %lu bytes %lu ram %lu\n", (unsigned long)(loop * INSTRUCTIONS_A_TICK),
           (unsigned long)(full * INSTRUCTIONS_A_TICK / FRAMES), (unsigned long)(bytes_out / FRAMES),
           (unsigned long)sizeof device);
    return 0;
}
