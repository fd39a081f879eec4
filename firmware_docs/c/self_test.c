/* The self-tests of the parts' makers: what a small force made inside the part changes in its readings. See parts.c for
 * the datasheets. */
#include "parts_inner.h"

#define READINGS 32

/* Mean readings, accelerometer then gyroscope, straight from the data registers. */
static int mean_of(const struct sp_part *part, int32_t mean[6])
{
    uint8_t raw[14];
    int reading, i;
    for (i = 0; i < 6; i++) {
        mean[i] = 0;
    }
    for (reading = 0; reading < READINGS; reading++) {
        int st = is_st(part), icm = part->row->kind == SP_ICM_42688_P;
        if (!get(part, st ? 0x22 : icm ? 0x1F : 0x3B, raw, st || icm ? 12 : 14)) {
            return 0;
        }
        for (i = 0; i < 6; i++) { /* The MPU parts have a temperature between the two. */
            mean[i] += st ? little(raw + 2 * (i < 3 ? i + 3 : i - 3)) : big(raw + 2 * (i + (!icm && i > 2 ? 1 : 0)));
        }
        wait(part, 12); /* A reading every 12 ms is a new one at every rate of the table. */
    }
    for (i = 0; i < 6; i++) {
        mean[i] /= READINGS;
    }
    return 1;
}

/* first * factor^(code - 1), the factor in millionths; 0 for code 0, a part without a factory value. */
static uint32_t trim(uint32_t first, uint32_t factor_millionths, uint8_t code)
{
    uint64_t value = (uint64_t)first << 16;
    if (code == 0u) {
        return 0;
    }
    while (--code > 0u) {
        value = value * factor_millionths / 1000000u;
    }
    return (uint32_t)(value >> 16);
}

/* The six codes that the factory left in the part. */
static int codes_of(const struct sp_part *part, uint8_t codes[6])
{
    uint8_t raw[4];
    int i, ok;
    if (part->row->kind == SP_ICM_42688_P) {
        ok = put(part, 0x76, 2) && get(part, 0x3B, codes, 3); /* bank 2: XA_ST_DATA to ZA_ST_DATA */
        ok = put(part, 0x76, 1) && ok && get(part, 0x5F, codes + 3, 3); /* bank 1: XG_ST_DATA to ZG_ST_DATA */
        return put(part, 0x76, 0) && ok;
    }
    if (part->row->kind == SP_MPU_6500) {
        return get(part, 0x0D, codes, 3) && get(part, 0x00, codes + 3, 3);
    }
    if (!get(part, 0x0D, raw, 4)) { /* SELF_TEST_X, Y, Z, A */
        return 0;
    }
    for (i = 0; i < 3; i++) {
        codes[i] = (uint8_t)((raw[i] >> 5 << 2) | (raw[3] >> (4 - 2 * i) & 3u));
        codes[3 + i] = raw[i] & 0x1Fu;
    }
    return 1;
}

/* Least and most that a change may be, in counts at the scales of the test. */
static void limits(const struct sp_part *part, int axis, uint8_t code, uint32_t bounds[2])
{
    uint32_t value;
    switch (part->row->kind) {
    case SP_MPU_6050: /* 14 % of the factory's; 25 deg/s x 131 x 1.046^n; 4096 x .34 g x (.92 / .34)^(n / 30) */
        value = axis < 3 ? trim(1393, 1033738, code) : trim(3275, 1046000, code);
        bounds[0] = value * 86u / 100u;
        bounds[1] = value * 114u / 100u;
        break;
    case SP_MPU_6500:
    case SP_ICM_42688_P: /* half to one and a half of the factory's; for the gyroscope half or more */
        value = trim(2620, 1010000, code);
        bounds[0] = value / 2u;
        bounds[1] = axis < 3 ? value * 3u / 2u : 65535u;
        break;
    default: /* at 4 g .122 mg a count: 50 (90) to 1700 mg; at 2000 70 mdps a count: 150 to 700 deg/s */
        value = part->row->kind == SP_LSM6DSO ? 410u : 738u;
        bounds[0] = axis < 3 ? value : 2143u;
        bounds[1] = axis < 3 ? 13934u : 10000u;
    }
}

static int switch_on(const struct sp_part *part)
{
    if (is_st(part)) {
        return put(part, 0x14, 0x05); /* CTRL5_C: both, positive */
    }
    if (part->row->kind == SP_ICM_42688_P) {
        return put(part, 0x70, 0x7F); /* SELF_TEST_CONFIG: power, six axes */
    }
    /* All three axes; 250 deg/s, and 8 g (MPU-6050) or 2 g. */
    return put(part, 0x1B, 0xE0) && put(part, 0x1C, part->row->kind == SP_MPU_6050 ? 0xF0 : 0xE0);
}

static int switch_off(const struct sp_part *part)
{
    if (is_st(part)) {
        return put(part, 0x14, 0x00);
    }
    return part->row->kind != SP_ICM_42688_P || put(part, 0x70, 0x00); /* The MPU parts: by setting them up again. */
}

int sp_part_self_test(struct sp_part *part, char sentence[SP_SENTENCE])
{
    static const char *const axes[6] = {"accelerometer x", "accelerometer y", "accelerometer z",
                                        "gyroscope x",     "gyroscope y",     "gyroscope z"};
    uint16_t accel_g = part->accel_g, gyro_dps = part->gyro_dps;
    int32_t before[6], during[6];
    uint8_t codes[6] = {1, 1, 1, 1, 1, 1};
    int axis, ok, passed = 1;
    part->resumes = part->running || part->resumes;
    part->accel_g = is_st(part) ? 4 : part->row->kind == SP_MPU_6050 ? 8 : 2;
    part->gyro_dps = is_st(part) ? 2000 : 250;
    ok = sp_part_apply(part);
    wait(part, 100);
    ok = ok && (is_st(part) || codes_of(part, codes)) && mean_of(part, before) && switch_on(part);
    wait(part, 200);
    ok = ok && mean_of(part, during);
    ok = switch_off(part) && ok;
    wait(part, 100);
    part->accel_g = accel_g;
    part->gyro_dps = gyro_dps;
    ok = sp_part_apply(part) && ok;
    if (!ok) {
        say(sentence, 0, "the part did not answer during its self-test: check the wires");
        return 0;
    }
    for (axis = 0; axis < 6 && passed; axis++) {
        uint32_t bounds[2], change;
        size_t at;
        change = (uint32_t)(during[axis] > before[axis] ? during[axis] - before[axis] : before[axis] - during[axis]);
        limits(part, axis, codes[axis], bounds);
        if (bounds[1] == 0u || codes[axis] == 0u) {
            passed = 0;
            at = say(sentence, 0, "the part has no factory value for the self-test of its ");
            say(sentence, say(sentence, at, axes[axis]), "; perhaps it is a copy");
        } else if (change < bounds[0] || change > bounds[1]) {
            passed = 0;
            at = say(sentence, 0, "the self-test failed on ");
            say(sentence, say(sentence, at, axes[axis]),
                ": keep the board still and try again; if it fails again, the part is broken");
        }
    }
    if (passed) {
        say(sentence, 0, "the self-test passed on all six axes");
    }
    return passed;
}
