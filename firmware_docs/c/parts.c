/* See parts.h. Each part: the table's line, how it is set up, how its FIFO is read. Registers are written as numbers,
 * with their datasheet's name beside them. */
#include "parts_inner.h"

/* The datasheets. What could be read in a datasheet or register map itself is marked D; what open drivers of others
 * agree on (the Linux kernel's for the LSM6DS family and inv_mpu6050, Zephyr's icm42688, the makers' own open drivers) is marked
 * A; what is from memory is marked M.
 *   MPU-6050     RM-MPU-6000A-00 rev. 4.2 (registers, self-test: D); PS-MPU-6000A-00 rev. 3.4 (scales A, noise M)
 *   MPU-6500     RM-MPU-6500A-00 rev. 2.1 (registers: A; identity 70: A); noise M; self-test from the maker's AN (A)
 *   ICM-42688-P  DS-000347 rev. 1.7 (noise: D; registers: A; a tick of the FIFO's time stamp is 32/30 us, section
 *                12.7: A); self-test codes: M
 *   LSM6DSO(X)   DS12140 rev. 2 (self-test limits, rates: D; registers and FIFO tags: A; noise: M)
 *   LSM6DS3TR-C  maker's and the Linux kernel's open drivers (registers, FIFO order: A); limits of its self-test: A; noise: M
 * Identities that are relatives of these but not in the table (69 LSM6DS3, 6B LSM6DSR, 70 LSM6DSV16X at register 0F, 71
 * MPU-9250) have other time stamp or FIFO registers and are refused. LSM6DSL, LSM6DSM and ISM330DLC say 6A, too, and
 * have the registers of the LSM6DS3TR-C (A). */
const struct sp_part_row sp_parts[] = {
    {0x68, 0x75, 0x68, SP_MPU_6050, "MPU-6050", 1000000u, 0, {500000u, 250000u, 200000u, 1000000u}, 400, 5000},
    {0x68, 0x75, 0x70, SP_MPU_6500, "MPU-6500", 1000000u, 0, {500000u, 250000u, 200000u, 1000000u}, 300, 10000},
    {0x68, 0x75, 0x47, SP_ICM_42688_P, "ICM-42688-P", 937500u, 1, {500000u, 1000000u, 200000u, 100000u}, 70, 2800},
    {0x6A, 0x0F, 0x6C, SP_LSM6DSO, "LSM6DSO", 40000u, 1, {416000u, 833000u, 208000u, 104000u}, 110, 3800},
    {0x6A, 0x0F, 0x6A, SP_LSM6DS3TR_C, "LSM6DS3TR-C", 40000u, 1, {416000u, 833000u, 208000u, 104000u}, 180, 5000},
};
const size_t sp_parts_n = sizeof sp_parts / sizeof sp_parts[0];

/* --- Sentences ------------------------------------------------------------------------------------------------- */

static size_t say_hex(char sentence[SP_SENTENCE], size_t at, uint8_t value)
{
    char text[3] = {"0123456789ABCDEF"[value >> 4], "0123456789ABCDEF"[value & 15u], '\0'};
    return say(sentence, at, text);
}

/* --- Scales and rates ------------------------------------------------------------------------------------------ */

/* Place of a full scale in 2, 4, 8, 16 g or 250, 500, 1000, 2000 degrees a second; -1: none of them. */
static int step_of(uint32_t value, uint32_t lowest)
{
    int step;
    for (step = 0; step < 4; step++) {
        if (value == lowest << step) {
            return step;
        }
    }
    return -1;
}

static int rate_known(const struct sp_part *part, uint32_t rate_mhz)
{
    size_t i;
    for (i = 0; i < 4u; i++) {
        if (part->row->rates_mhz[i] == rate_mhz && rate_mhz != 0u) {
            return 1;
        }
    }
    return 0;
}

void sp_part_describe(const struct sp_part *part, struct sp_settings *settings)
{
    settings->part = part->row->name;
    settings->tick_bits = 32;
    settings->tick_hz = part->row->tick_hz;
    settings->rate_mhz = part->rate_mhz;
    settings->accel_range_g = part->accel_g;
    settings->gyro_range_dps = part->gyro_dps;
    if (is_st(part)) { /* .061 mg a count at 2 g, 8.75 mdps at 250; the others in proportion */
        settings->accel_scale = sp_ratio(61u * (uint32_t)part->accel_g / 2u, 1000000u);
        settings->gyro_scale = sp_ratio(875u * ((uint32_t)part->gyro_dps / 250u), 100000u);
    } else if (part->row->kind == SP_ICM_42688_P) { /* The whole range is 32768 counts: its table's 2097.2 shows it. */
        settings->accel_scale = sp_ratio(part->accel_g, 32768u);
        settings->gyro_scale = sp_ratio(part->gyro_dps, 32768u);
    } else { /* 16384 counts a g at 2 g; 131, 65.5, 32.8, 16.4 counts a degree a second, as the register maps say */
        static const uint16_t counts_a_10_dps[4] = {1310, 655, 328, 164};
        settings->accel_scale = sp_ratio(part->accel_g, 32768u);
        settings->gyro_scale = sp_ratio(10u, counts_a_10_dps[step_of(part->gyro_dps, 250)]);
    }
}

/* --- Setting up ------------------------------------------------------------------------------------------------ */

static int reset(struct sp_part *part)
{
    int ok;
    if (is_st(part)) {
        ok = put(part, 0x12, 0x01); /* CTRL3_C: SW_RESET */
        wait(part, 10);
        return ok && put(part, 0x12, 0x44); /* block data update, register number rises by itself */
    }
    if (part->row->kind == SP_ICM_42688_P) {
        ok = put(part, 0x76, 0) && put(part, 0x11, 0x01); /* REG_BANK_SEL, DEVICE_CONFIG: SOFT_RESET */
        wait(part, 2);
        return ok;
    }
    ok = put(part, 0x6B, 0x80); /* PWR_MGMT_1: DEVICE_RESET */
    wait(part, 100);
    ok = ok && put(part, 0x6B, 0x01); /* awake; clock from the gyroscope */
    wait(part, 50);
    return ok;
}

static int set_up_mpu(struct sp_part *part, uint32_t accel_step, uint32_t gyro_step)
{
    int ok = put(part, 0x23, 0) && put(part, 0x6A, 0x04)                /* FIFO_EN off; USER_CTRL: FIFO_RESET */
        && put(part, 0x1A, 0x01)                                        /* CONFIG: low-pass 188 Hz, 1 kHz inside */
        && put(part, 0x19, 1000000u / part->rate_mhz - 1u)              /* SMPLRT_DIV */
        && put(part, 0x1B, gyro_step << 3) && put(part, 0x1C, accel_step << 3);
    if (part->row->kind == SP_MPU_6500) {
        ok = ok && put(part, 0x1D, 0x01); /* ACCEL_CONFIG 2: low-pass 184 Hz, as the MPU-6050's */
    }
    return ok && put(part, 0x6A, 0x40) && put(part, 0x23, 0x78); /* USER_CTRL: FIFO_EN; gyroscope, accelerometer */
}

static int set_up_icm(struct sp_part *part, uint32_t accel_step, uint32_t gyro_step)
{
    uint32_t rate = part->rate_mhz, odr = rate == 1000000u ? 6u : rate == 500000u ? 15u : rate == 200000u ? 7u : 8u;
    int ok = put(part, 0x16, 0)                                         /* FIFO_CONFIG: bypass */
        && put(part, 0x4F, (3u - gyro_step) << 5 | odr)                 /* GYRO_CONFIG0 */
        && put(part, 0x50, (3u - accel_step) << 5 | odr)                /* ACCEL_CONFIG0 */
        && put(part, 0x52, 0x11)                                        /* both filters: a quarter of the rate */
        && put(part, 0x54, 0x21)                                        /* TMST_CONFIG: on, fine steps */
        && put(part, 0x5F, 0x0F)                                        /* FIFO_CONFIG1: both, temperature, stamp */
        && put(part, 0x4C, 0x30)                                        /* INTF_CONFIG0: big-endian, count in bytes */
        && put(part, 0x4E, 0x0F);                                       /* PWR_MGMT0: both in low-noise mode */
    wait(part, 50); /* The gyroscope needs 45 ms; no register may be written in the first 200 us. */
    ok = ok && put(part, 0x4B, 0x02); /* SIGNAL_PATH_RESET: FIFO_FLUSH */
    wait(part, 2);
    return ok && put(part, 0x16, 0x40); /* FIFO_CONFIG: stream */
}

static int set_up_st(struct sp_part *part, uint32_t accel_step, uint32_t gyro_step)
{
    static const uint8_t accel_code[4] = {0, 2, 3, 1}; /* 2, 4, 8, 16 g */
    uint32_t rate = part->rate_mhz, odr = rate == 833000u ? 7u : rate == 416000u ? 6u : rate == 208000u ? 5u : 4u;
    int newer = part->row->kind == SP_LSM6DSO;
    int ok = put(part, 0x0A, 0)                                         /* FIFO_CTRL4 or 5: bypass, empties it */
        && put(part, 0x12, 0x44) && put(part, 0x13, 0) && put(part, 0x15, 0) && put(part, 0x17, 0) /* filters by rate */
        && put(part, 0x19, 0x20);                                       /* CTRL10_C: time stamps on */
    if (newer) {
        ok = ok && put(part, 0x09, odr << 4 | odr);                     /* FIFO_CTRL3: both at the full rate */
    } else {
        ok = ok && put(part, 0x5C, 0x10)                                /* WAKE_UP_DUR: steps of 25 us */
            && put(part, 0x07, 0x80)                                    /* FIFO_CTRL2: time stamp as fourth set */
            && put(part, 0x08, 0x09) && put(part, 0x09, 0x08);          /* FIFO_CTRL3, 4: nothing left out */
    }
    ok = ok && put(part, 0x10, odr << 4 | (uint32_t)accel_code[accel_step] << 2) /* CTRL1_XL */
        && put(part, 0x11, odr << 4 | gyro_step << 2);                  /* CTRL2_G */
    wait(part, 80); /* The gyroscope needs 70 ms. */
    /* Continuous mode; the newer part also batches its time stamp with every sample. */
    return ok && put(part, 0x0A, newer ? 0x46u : odr << 3 | 6u);
}

int sp_part_apply(struct sp_part *part)
{
    uint32_t accel_step = (uint32_t)step_of(part->accel_g, 2), gyro_step = (uint32_t)step_of(part->gyro_dps, 250);
    part->running = 0;
    part->gathered = 0;
    if (is_st(part)) {
        return set_up_st(part, accel_step, gyro_step);
    }
    return part->row->kind == SP_ICM_42688_P ? set_up_icm(part, accel_step, gyro_step)
                                             : set_up_mpu(part, accel_step, gyro_step);
}

enum sp_result sp_part_set(struct sp_part *part, uint32_t rate_mhz, uint16_t accel_g, uint16_t gyro_dps)
{
    if (!rate_known(part, rate_mhz) || step_of(accel_g, 2) < 0 || step_of(gyro_dps, 250) < 0) {
        return SP_IMPOSSIBLE;
    }
    part->resumes = part->rate_mhz == rate_mhz && (part->running || part->resumes);
    part->rate_mhz = rate_mhz;
    part->accel_g = accel_g;
    part->gyro_dps = gyro_dps;
    part->nominal = (uint32_t)((uint64_t)part->row->tick_hz * 256000u / part->rate_mhz);
    part->period = part->nominal;
    part->fraction = 0;
    return sp_part_apply(part) ? SP_DONE : SP_FAILED;
}

int sp_part_find(struct sp_part *part, const struct sp_bus *bus, char sentence[SP_SENTENCE])
{
    static const uint8_t places[4][2] = {{0x68, 0x75}, {0x69, 0x75}, {0x6A, 0x0F}, {0x6B, 0x0F}};
    size_t place, i, at;
    static const struct sp_part fresh = {.centidegrees = SP_NO_TEMPERATURE};
    *part = fresh;
    part->bus = bus;
    say(sentence, 0, "no sensor part answers at I2C addresses 68 to 6B: check power, ground and the two data wires");
    for (place = 0; place < 4u; place++) {
        uint8_t identity;
        part->address = places[place][0];
        if (!get(part, places[place][1], &identity, 1)) {
            continue;
        }
        for (i = 0; i < sp_parts_n; i++) {
            part->row = &sp_parts[i];
            if ((part->address & 0xFEu) == part->row->address && identity == part->row->identity) {
                if (reset(part)) {
                    say(sentence, 0, part->row->name);
                    return 1;
                }
                say(sentence, 0, "the part answered once and then no more: check the wires and the pull-up resistors");
                return 0;
            }
        }
        at = say(sentence, 0, "the part at address ");
        at = say_hex(sentence, at, part->address);
        at = say(sentence, at, " says identity ");
        at = say_hex(sentence, at, identity);
        say(sentence, at, ", which is not in this firmware's table; it would be read wrongly, so it is not used");
    }
    part->row = NULL;
    return 0;
}

/* --- Ticks ----------------------------------------------------------------------------------------------------- */

static uint32_t timer_us(const struct sp_part *part)
{
    return part->bus->now_us(part->bus->context);
}

static uint32_t ticks_since_met(const struct sp_part *part)
{
    return (uint32_t)((uint64_t)(timer_us(part) - part->met_us) * part->row->tick_hz / 1000000u);
}

uint32_t sp_part_now(const struct sp_part *part)
{
    return part->tick + ticks_since_met(part);
}

static void step_tick(struct sp_part *part, uint32_t samples)
{
    uint64_t step = (uint64_t)part->period * samples + part->fraction;
    part->tick += (uint32_t)(step >> 8);
    part->fraction = (uint32_t)(step & 255u);
}

static uint32_t samples_in(const struct sp_part *part, uint32_t ticks)
{
    return (uint32_t)((((uint64_t)ticks << 8) + part->period / 2u) / part->period);
}

/* `n` samples wait, the first since the part was set up: place them by the controller's timer, so that the clock goes
 * on over a change of range, and count what passed meanwhile. */
static void begin_run(struct sp_part *part, struct sp_device *device, uint32_t n)
{
    uint32_t gone = ticks_since_met(part), before;
    uint32_t waiting = (uint32_t)(((uint64_t)part->period * n) >> 8);
    part->running = 1;
    before = gone > waiting ? gone - waiting : 0u;
    if (part->resumes) {
        sp_skip(device, samples_in(part, before));
    }
    part->resumes = 0;
    part->tick += before;
}

/* Move part->tick to the sample with this time stamp (of `bits` bits), counting samples that the FIFO lost before it.
 * `behind` samples wait behind it: a stamp that wraps soon is told by the timer how often it did. */
static void follow_stamp(struct sp_part *part, struct sp_device *device, uint32_t stamp, uint32_t bits, uint32_t behind)
{
    uint32_t mask = bits == 32u ? 0xFFFFFFFFu : (1u << bits) - 1u, gone = (stamp - part->stamp) & mask, steps;
    int first = !part->running;
    part->stamp = stamp;
    if (bits == 16u && !first) {
        uint32_t waiting = (uint32_t)(((uint64_t)part->period * behind) >> 8), by_timer = ticks_since_met(part);
        by_timer = by_timer > waiting ? by_timer - waiting : 0u;
        while (by_timer > gone + 0x8000u && gone < 4u * part->row->tick_hz) {
            gone += 0x10000u;
        }
    }
    if (first) {
        begin_run(part, device, 1);
        step_tick(part, 1);
        return;
    }
    steps = samples_in(part, gone);
    if (steps == 0u || gone > 4u * part->row->tick_hz) { /* It stands still or fell: go on by the rate. */
        step_tick(part, 1);
        return;
    }
    sp_skip(device, steps - 1u);
    part->tick += gone;
}

static void take_stamped(struct sp_part *part, struct sp_device *device, uint32_t stamp, uint32_t bits, uint32_t behind)
{
    follow_stamp(part, device, stamp, bits, behind);
    part->met_us = timer_us(part);
    sp_sample(device, part->tick, part->counts);
}

/* `n` samples waited when the controller's timer stood at `now`: the newest is less than a period old. Readings that
 * run ahead correct the clock at once by half, late ones slowly, so that it follows the part's own rate. */
static void follow_timer(struct sp_part *part, uint32_t now, uint32_t n)
{
    uint32_t step = (uint32_t)(((uint64_t)part->period * n) >> 8);
    int32_t late = (int32_t)(now - (part->tick + step));
    int32_t limit = (int32_t)(part->nominal / 32u), change;
    part->tick += (uint32_t)(late < 0 ? late / 2 : late / 32);
    change = late < 0 ? late * 2 : late / 8; /* 256ths of a tick: a 64th of the correction */
    change = (int32_t)part->period + change - (int32_t)part->nominal;
    change = change > limit ? limit : change < -limit ? -limit : change;
    part->period = (uint32_t)((int32_t)part->nominal + change);
}

/* --- Draining -------------------------------------------------------------------------------------------------- */

/* What the FIFO holds is cut anywhere or too old: empty it. The timer says how much is gone. */
static void restart_mpu(struct sp_part *part, struct sp_device *device)
{
    uint32_t now, lost;
    int ok = put(part, 0x6A, 0x04); /* USER_CTRL: FIFO_RESET, FIFO_EN */
    now = timer_us(part);
    if (!(put(part, 0x6A, 0x40) && ok)) {
        device->bus_errors++;
        return;
    }
    part->cut = 0;
    if (part->running) {
        lost = (uint32_t)(((uint64_t)(now - part->tick) << 8) / part->period);
        sp_skip(device, lost);
        step_tick(part, lost);
        part->met_us = now;
    }
}

static void drain_mpu(struct sp_part *part, struct sp_device *device)
{
    uint32_t room = part->row->kind == SP_MPU_6050 ? 1024u : 512u, now, n;
    uint8_t raw[12];
    int i;
    if (!get(part, 0x72, raw, 2)) { /* FIFO_COUNTH and L, together */
        device->bus_errors++;
        return;
    }
    now = timer_us(part);
    n = (uint32_t)(uint16_t)big(raw);
    part->cut = n % 12u != 0u ? (uint8_t)(part->cut + 1u) : 0u;
    if (n > room - 12u || part->cut > 2u) { /* A count may be met within a sample, but not three times in a row. */
        restart_mpu(part, device);
        return;
    }
    n /= 12u;
    if (n == 0u) {
        return;
    }
    if (!part->running) {
        begin_run(part, device, n);
    }
    follow_timer(part, now, n);
    for (; n > 0u; n--) {
        if (!get(part, 0x74, raw, 12)) { /* FIFO_R_W: accelerometer, gyroscope */
            device->bus_errors++; /* It waits for the next time. */
            break;
        }
        for (i = 0; i < 6; i++) {
            part->counts[i] = big(raw + 2 * i);
        }
        step_tick(part, 1);
        sp_sample(device, part->tick, part->counts);
    }
    part->met_us = part->tick; /* The ticks of these parts are the timer's. */
}

static void drain_icm(struct sp_part *part, struct sp_device *device)
{
    uint8_t raw[16];
    uint32_t n;
    int i;
    if (!get(part, 0x2E, raw, 2)) { /* FIFO_COUNTH and L */
        device->bus_errors++;
        return;
    }
    for (n = (uint32_t)(uint16_t)big(raw) / 16u; n > 0u; n--) {
        if (!get(part, 0x30, raw, 16)) { /* FIFO_DATA: one packet */
            device->bus_errors++;
            return;
        }
        if ((raw[0] & 0xE0u) != 0x60u) { /* Header: empty, or not both sensors. */
            continue;
        }
        for (i = 0; i < 6; i++) {
            part->counts[i] = big(raw + 1 + 2 * i);
        }
        part->centidegrees = (int16_t)((int8_t)raw[13] * 10000 / 207 + 2500); /* 2.07 counts a degree */
        device->centidegrees = part->centidegrees;
        take_stamped(part, device, (uint32_t)(uint16_t)big(raw + 14), 16, n - 1u);
    }
}

/* LSM6DSO: words of a tag and six bytes; the tag's counter tells which belong together. */
static void take_word(struct sp_part *part, struct sp_device *device, const uint8_t *word)
{
    uint8_t kind = word[0] >> 3, slot = word[0] >> 1 & 3u;
    int i, first = kind == 1u ? 3 : 0; /* 1 gyroscope, 2 accelerometer, 4 time stamp */
    if (slot != part->slot) {
        part->slot = slot;
        part->gathered = 0; /* What was incomplete is lost; the next time stamp says so. */
    }
    if (kind == 1u || kind == 2u) {
        for (i = 0; i < 3; i++) {
            part->counts[first + i] = little(word + 1 + 2 * i);
        }
        part->gathered |= (uint8_t)kind;
    } else if (kind == 4u) {
        part->gathered_stamp = (uint32_t)(uint16_t)little(word + 1) | (uint32_t)(uint16_t)little(word + 3) << 16;
        part->gathered |= 4u;
    }
    if (part->gathered == 7u) {
        part->gathered = 0;
        take_stamped(part, device, part->gathered_stamp, 32, 0);
    }
}

static void drain_lsm6dso(struct sp_part *part, struct sp_device *device)
{
    uint8_t raw[21];
    uint32_t words, piece, i;
    if (!get(part, 0x3A, raw, 2)) { /* FIFO_STATUS1 and 2 */
        device->bus_errors++;
        return;
    }
    for (words = raw[0] | (raw[1] & 3u) << 8; words > 0u; words -= piece) {
        piece = words < 3u ? words : 3u;
        if (!get(part, 0x78, raw, 7u * piece)) { /* FIFO_DATA_OUT_TAG; the register number goes round */
            device->bus_errors++;
            return;
        }
        for (i = 0; i < piece; i++) {
            take_word(part, device, raw + 7u * i);
        }
    }
}

static void drain_lsm6ds3(struct sp_part *part, struct sp_device *device)
{
    uint8_t raw[18];
    uint32_t words, pattern, i;
    if (!get(part, 0x3A, raw, 4)) { /* FIFO_STATUS1 to 4 */
        device->bus_errors++;
        return;
    }
    words = raw[0] | (raw[1] & 7u) << 8;
    /* The pattern says which of a sample's nine words comes next: after a failed read, drop the rest of that sample. */
    for (pattern = raw[2] | (raw[3] & 3u) << 8; pattern != 0u && words > 0u; words--) {
        if (!get(part, 0x3E, raw, 2)) {
            device->bus_errors++;
            return;
        }
        pattern = pattern == 8u ? 0u : pattern + 1u;
    }
    for (; words >= 9u; words -= 9u) {
        uint32_t before = part->stamp, stamp;
        if (!get(part, 0x3E, raw, 18)) { /* FIFO_DATA_OUT: gyroscope, accelerometer, time stamp with step count */
            device->bus_errors++;
            return;
        }
        for (i = 0; i < 3u; i++) {
            part->counts[3u + i] = little(raw + 2u * i);
            part->counts[i] = little(raw + 6u + 2u * i);
        }
        stamp = (uint32_t)raw[13] << 16 | (uint32_t)raw[12] << 8 | raw[15];
        if (part->running && stamp == before) {
            (void)put(part, 0x42, 0xAA); /* TIMESTAMP2: it stands at its end; start it again. */
        }
        take_stamped(part, device, stamp, 24, 0);
    }
}

void sp_part_drain(struct sp_part *part, struct sp_device *device)
{
    switch (part->row->kind) {
    case SP_MPU_6050:
    case SP_MPU_6500: drain_mpu(part, device); break;
    case SP_ICM_42688_P: drain_icm(part, device); break;
    case SP_LSM6DSO: drain_lsm6dso(part, device); break;
    case SP_LSM6DS3TR_C: drain_lsm6ds3(part, device); break;
    }
}
