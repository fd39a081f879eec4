/* Drivers for bare six-axis parts on I2C, beside strokeplane.h: find, set up, self-test, drain. C99, no heap, no
 * floating point. The table in parts.c says which parts, and from which datasheet each line is.
 *
 *     struct sp_part part;
 *     char sentence[SP_SENTENCE];
 *     if (!sp_part_find(&part, &bus, sentence)) { show sentence; }
 *     sp_part_set(&part, part.row->rates_mhz[0], 16, 2000);
 *     sp_part_describe(&part, &settings);            then sp_begin(&device, &settings, &board)
 *     for (;;) { sp_part_drain(&part, &device); sp_poll(&device, sp_part_now(&part)); ... }
 */
#ifndef STROKEPLANE_PARTS_H
#define STROKEPLANE_PARTS_H

#include "strokeplane.h"

#ifdef __cplusplus
extern "C" {
#endif

#define SP_SENTENCE 160u

/* The bus and the clock of the board. read and write return 1 if the part acknowledged; no read asks for more than 21
 * bytes. now_us is the controller's own timer, a microsecond a tick, wrapping at 2^32. */
struct sp_bus {
    void *context;
    int (*write)(void *context, uint8_t address, uint8_t reg, uint8_t value);
    int (*read)(void *context, uint8_t address, uint8_t reg, uint8_t *into, size_t size);
    void (*wait_ms)(void *context, uint32_t ms);
    uint32_t (*now_us)(void *context);
};

enum sp_kind { SP_MPU_6050, SP_MPU_6500, SP_ICM_42688_P, SP_LSM6DSO, SP_LSM6DS3TR_C };

/* One kind of part: identity, then what the host must know. */
struct sp_part_row {
    uint8_t address;           /* the lower of two; the other is one more */
    uint8_t identity_register;
    uint8_t identity;
    enum sp_kind kind;
    const char *name;
    uint32_t tick_hz;          /* of the part's own time stamps, or of the controller's timer */
    uint8_t own_stamps;        /* 1: ticks come from the part */
    uint32_t rates_mhz[4];     /* the first is the one to begin with; 0 ends the list */
    uint16_t accel_noise_ug;   /* micro-g per root hertz, typical */
    uint16_t gyro_noise_udps;  /* micro-degrees a second per root hertz, typical */
};

struct sp_part {
    const struct sp_bus *bus;
    const struct sp_part_row *row;
    uint8_t address;
    uint8_t running;           /* the first sample since the last setting up has been met */
    uint8_t resumes;           /* that setting up kept the rate: the count goes on, with a gap */
    uint8_t slot;              /* LSM6DSO: tag counter of the words gathered */
    uint8_t cut;               /* MPU parts: FIFO counts in a row that were no whole samples */
    uint8_t gathered;          /* LSM6DSO: bit 0 gyroscope, 1 accelerometer, 2 time stamp */
    int16_t counts[6];
    uint32_t stamp;            /* latest time stamp of a sample */
    uint32_t gathered_stamp;   /* LSM6DSO: of the sample being gathered */
    uint32_t met_us;           /* the controller's timer when the newest sample was read */
    uint32_t tick;             /* of the newest sample */
    uint32_t period;           /* ticks between samples, times 256 */
    uint32_t nominal;          /* the same by the rate alone */
    uint32_t fraction;         /* of tick, in 256ths */
    uint32_t rate_mhz;
    uint16_t accel_g, gyro_dps;
    int16_t centidegrees;
};

/* The table, and how many lines it has. */
extern const struct sp_part_row sp_parts[];
extern const size_t sp_parts_n;

/* Look for a known part on the bus. 1: found and reset. 0: `sentence` says what is wrong (nobody answers; identity not
 * in the table), for a person. */
int sp_part_find(struct sp_part *part, const struct sp_bus *bus, char sentence[SP_SENTENCE]);

/* Set rate and full scales and start the FIFO anew. SP_IMPOSSIBLE leaves everything as it was. */
enum sp_result sp_part_set(struct sp_part *part, uint32_t rate_mhz, uint16_t accel_g, uint16_t gyro_dps);

/* Fill in what hello says about the part as it is set now: name, ticks, rate, ranges, scales. */
void sp_part_describe(const struct sp_part *part, struct sp_settings *settings);

/* Hand all samples that wait in the part's FIFO to the core, and count what was lost and what failed. At least every
 * 20 ms. */
void sp_part_drain(struct sp_part *part, struct sp_device *device);

/* The clock that the ticks are of, now: near enough for sp_poll(). */
uint32_t sp_part_now(const struct sp_part *part);

/* The self-test of the part's maker: keep the board still. 1: passed; 0: `sentence` names the axis that failed. Leaves
 * the part set as it was. */
int sp_part_self_test(struct sp_part *part, char sentence[SP_SENTENCE]);

#ifdef __cplusplus
}
#endif

#endif
