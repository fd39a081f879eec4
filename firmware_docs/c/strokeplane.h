/* The sensor's side of the strokeplane wire protocol, version 1 (../PROTOCOL.md), in portable C99.
 *
 * No heap, no floating point, no system calls, no interrupt: call every function from one context (one task or the
 * main loop). One struct sp_device holds all state; several may live side by side. Licence: that of the project.
 *
 *     struct sp_settings settings = {...};           what hello says
 *     struct sp_board board = {context, write, set_rate, set_range};
 *     sp_begin(&device, &settings, &board);          sends hello
 *     for (;;) {
 *         sp_sample(&device, tick, counts);          each reading, in order, whether samples are being sent or not
 *         sp_skip(&device, 3);                       readings that were lost
 *         sp_receive(&device, bytes, size);          what came from the host
 *         sp_poll(&device, tick_now);                sends what is due; at least every 5 ms
 *     }
 */
#ifndef STROKEPLANE_H
#define STROKEPLANE_H

#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

#define SP_VERSION 1u
#define SP_MAX_FRAME 250u    /* payload and CRC */
#define SP_MAX_WIRE 252u     /* after COBS, with the closing 00 */
#define SP_MAX_SAMPLES 16u   /* in one frame */
#define SP_MAX_NAME 32u      /* of part and firmware */
#define SP_NO_TEMPERATURE (-32768)
#define SP_PERCENT_UNKNOWN 255u

enum sp_result { SP_DONE = 0, SP_UNKNOWN = 1, SP_IMPOSSIBLE = 2, SP_FAILED = 3 };

/* What hello says. The core keeps a copy; a successful rate or range command changes it. */
struct sp_settings {
    uint8_t tick_bits;        /* 16 to 32 */
    uint32_t tick_hz;         /* 1 000 to 100 000 000 */
    uint32_t rate_mhz;        /* samples in 1000 seconds */
    uint16_t accel_range_g;
    uint16_t gyro_range_dps;
    uint64_t accel_scale;     /* g in one count: the bits of an IEEE 754 double, from sp_ratio() */
    uint64_t gyro_scale;      /* degrees a second in one count, likewise */
    int8_t axes[3];           /* axis marks; {1, 2, 3} where the part sits as marked */
    uint32_t boot;            /* drawn at each power-up, never the one before */
    uint8_t id[8];            /* unique to the board */
    const char *part;         /* at most SP_MAX_NAME characters are sent */
    const char *firmware;
    uint8_t deaf;             /* 1: the board cannot receive; it runs at once and says hello every second */
};

/* The board under the core. `context` is handed back in every call. set_rate and set_range may be null: the command is
 * then answered "not possible". They change the part and the settings they are given, and return SP_DONE, or leave both
 * as they were. */
struct sp_board {
    void *context;
    int (*write)(void *context, const uint8_t *bytes, size_t size); /* 1: all taken; 0: none of it, link away or full */
    enum sp_result (*set_rate)(void *context, struct sp_settings *settings, uint32_t rate_mhz);
    enum sp_result (*set_range)(void *context, struct sp_settings *settings, uint16_t accel_g, uint16_t gyro_dps);
};

/* All state. Its fields are the core's own, except where a comment says otherwise. */
struct sp_device {
    struct sp_settings settings; /* may be read */
    struct sp_board board;
    uint32_t next;               /* number of the next sample; may be read */
    uint32_t missed;             /* since power-up; may be read */
    uint32_t bus_errors;         /* the board adds to it */
    uint32_t refused;            /* damaged, overlong or impossible frames from the host; may be read */
    uint32_t mask;               /* of a tick */
    uint32_t first_tick;
    uint32_t poll_tick;
    uint32_t since_status;       /* ticks */
    int16_t centidegrees;        /* the board sets it: part temperature, or SP_NO_TEMPERATURE */
    uint16_t room;               /* the board sets it: most bytes in one write (a notification); 0: no limit */
    uint16_t frame_number;
    uint16_t last_offset;
    uint16_t received;
    uint8_t running;             /* may be read */
    uint8_t pending;             /* samples in the open frame */
    uint8_t polled;
    uint8_t broken;              /* the last frame was cut short: the next starts with 00 */
    uint8_t skipping;            /* within an overlong stretch from the host */
    uint8_t at;                  /* payload bytes in the frame being made */
    uint8_t incoming[SP_MAX_WIRE];
    uint8_t outgoing[SP_MAX_WIRE + 1u];
};

/* Power-up: copy settings and board, send 00 and hello. The device is idle (a deaf one runs). */
void sp_begin(struct sp_device *device, const struct sp_settings *settings, const struct sp_board *board);

/* Take the next reading: accelerometer x, y, z, gyroscope x, y, z in the part's axes, taken at `tick`. */
void sp_sample(struct sp_device *device, uint32_t tick, const int16_t counts[6]);

/* Count `n` readings that were due but could not be taken. */
void sp_skip(struct sp_device *device, uint32_t n);

/* Take bytes from the host, cut anywhere, and obey the commands they complete. */
void sp_receive(struct sp_device *device, const uint8_t *bytes, size_t size);

/* Send what is due: an open frame after 25 ms, status (a deaf board: hello too) every second. */
void sp_poll(struct sp_device *device, uint32_t tick);

/* Send a battery frame; percent may be SP_PERCENT_UNKNOWN. Once a second, or less often, is enough. */
void sp_battery(struct sp_device *device, uint16_t millivolts, uint8_t percent, int charging, int powered);

/* The link went away: drop half a command, and let the next frame start with 00. Sampling and counting go on. */
void sp_link_lost(struct sp_device *device);

/* The double nearest to numerator / denominator, as bits; both above 0. */
uint64_t sp_ratio(uint32_t numerator, uint32_t denominator);

/* CRC-32 (IEEE 802.3, as zlib's). */
uint32_t sp_crc32(const uint8_t *bytes, size_t size);

#ifdef __cplusplus
}
#endif

#endif
