/* See strokeplane.h; the bytes are those of ../PROTOCOL.md. */
#include "strokeplane.h"

enum { HELLO = 0x01, SAMPLES = 0x02, BATTERY = 0x03, STATUS = 0x04, ANSWER = 0x05 };
enum { IDENTIFY = 0x81, START = 0x82, STOP = 0x83, RATE = 0x84, RANGE = 0x85 };

#define HEADER_BYTES 3u
#define CRC_BYTES 4u
#define RECORD_BYTES 14u
#define START_OF_PAYLOAD 2u /* in outgoing: a 00 that may end a broken frame, the first COBS code, payload */
#define N_AT (START_OF_PAYLOAD + HEADER_BYTES + 8u)

/* --- Sums and numbers ------------------------------------------------------------------------------------------ */

uint32_t sp_crc32(const uint8_t *bytes, size_t size)
{
    /* Four bits at a time: the remainders of 0 to 15 by the reflected polynomial EDB88320. */
    static const uint32_t table[16] = {
        0x00000000u, 0x1DB71064u, 0x3B6E20C8u, 0x26D930ACu, 0x76DC4190u, 0x6B6B51F4u, 0x4DB26158u, 0x5005713Cu,
        0xEDB88320u, 0xF00F9344u, 0xD6D6A3E8u, 0xCB61B38Cu, 0x9B64C2B0u, 0x86D3D2D4u, 0xA00AE278u, 0xBDBDF21Cu,
    };
    uint32_t crc = 0xFFFFFFFFu;
    while (size-- > 0u) {
        crc ^= *bytes++;
        crc = (crc >> 4) ^ table[crc & 15u];
        crc = (crc >> 4) ^ table[crc & 15u];
    }
    return crc ^ 0xFFFFFFFFu;
}

uint64_t sp_ratio(uint32_t numerator, uint32_t denominator)
{
    /* Long division to 53 bits, then to the nearest, a tie to the even one. */
    uint64_t rest = numerator, divisor = denominator, mantissa = 0;
    int32_t exponent = 0;
    int bit;
    while (rest < divisor) {
        rest <<= 1;
        exponent--;
    }
    while (rest >= divisor << 1) {
        divisor <<= 1;
        exponent++;
    }
    for (bit = 0; bit < 53; bit++) {
        mantissa <<= 1;
        if (rest >= divisor) {
            mantissa |= 1u;
            rest -= divisor;
        }
        rest <<= 1;
    }
    if (rest > divisor || (rest == divisor && (mantissa & 1u) != 0u)) {
        mantissa++;
    }
    return ((uint64_t)(exponent + 1022) << 52) + mantissa; /* The mantissa's leading one adds the last to 1023. */
}

static uint32_t get16(const uint8_t *at)
{
    return (uint32_t)at[0] | (uint32_t)at[1] << 8;
}

static uint32_t get32(const uint8_t *at)
{
    return get16(at) | get16(at + 2) << 16;
}

/* --- Frames to the host ---------------------------------------------------------------------------------------- */

static void put8(struct sp_device *device, uint32_t value)
{
    device->outgoing[START_OF_PAYLOAD + device->at++] = (uint8_t)value;
}

static void put16(struct sp_device *device, uint32_t value)
{
    put8(device, value);
    put8(device, value >> 8);
}

static void put32(struct sp_device *device, uint32_t value)
{
    put16(device, value);
    put16(device, value >> 16);
}

static void put64(struct sp_device *device, uint64_t value)
{
    put32(device, (uint32_t)value);
    put32(device, (uint32_t)(value >> 32));
}

static void put_name(struct sp_device *device, const char *name)
{
    uint8_t size = 0;
    while (name != NULL && size < SP_MAX_NAME && name[size] >= 0x20 && name[size] <= 0x7E) {
        size++;
    }
    put8(device, size);
    while (size-- > 0u) {
        put8(device, (uint8_t)*name++);
    }
}

/* Hand bytes to the board in pieces that fit a notification; tell whether all of them were taken. */
static int write_all(struct sp_device *device, const uint8_t *bytes, size_t size)
{
    while (size > 0u) {
        size_t piece = device->room != 0u && size > device->room ? device->room : size;
        if (!device->board.write(device->board.context, bytes, piece)) {
            return 0;
        }
        bytes += piece;
        size -= piece;
    }
    return 1;
}

/* Close the frame (CRC, COBS in place, 00) and send it; tell whether it went out whole. */
static int send(struct sp_device *device)
{
    uint8_t *frame = device->outgoing + START_OF_PAYLOAD;
    uint8_t *code = frame - 1, *byte, *end;
    const uint8_t *wire = device->broken ? device->outgoing : frame - 1;
    put32(device, sp_crc32(frame, device->at));
    end = frame + device->at;
    for (byte = frame; byte < end; byte++) {
        if (*byte == 0u) {
            *code = (uint8_t)(byte - code);
            code = byte;
        }
    }
    *code = (uint8_t)(end - code);
    *end = 0;
    device->outgoing[0] = 0;
    device->frame_number++;
    device->broken = (uint8_t)!write_all(device, wire, (size_t)(end + 1 - wire));
    return !device->broken;
}

static void open_frame(struct sp_device *device, uint32_t type)
{
    device->at = 0;
    put8(device, type);
    put16(device, device->frame_number);
}

static void flush(struct sp_device *device)
{
    uint8_t n = device->pending;
    if (n > 0u) {
        device->pending = 0;
        device->outgoing[N_AT] = n;
        if (!send(device)) {
            device->missed += n;
        }
    }
}

static void send_hello(struct sp_device *device)
{
    const struct sp_settings *s = &device->settings;
    size_t i;
    open_frame(device, HELLO);
    put8(device, SP_VERSION);
    put8(device, s->tick_bits);
    put32(device, s->tick_hz);
    put32(device, s->rate_mhz);
    put16(device, s->accel_range_g);
    put16(device, s->gyro_range_dps);
    put64(device, s->accel_scale);
    put64(device, s->gyro_scale);
    for (i = 0; i < 3u; i++) {
        put8(device, (uint8_t)s->axes[i]);
    }
    put32(device, s->boot);
    for (i = 0; i < 8u; i++) {
        put8(device, s->id[i]);
    }
    put_name(device, s->part);
    put_name(device, s->firmware);
    (void)send(device);
}

static void send_status(struct sp_device *device, uint32_t tick)
{
    open_frame(device, STATUS);
    put8(device, device->running);
    put32(device, tick);
    put32(device, device->missed);
    put32(device, device->bus_errors);
    put16(device, (uint16_t)device->centidegrees);
    (void)send(device);
}

void sp_battery(struct sp_device *device, uint16_t millivolts, uint8_t percent, int charging, int powered)
{
    flush(device); /* One buffer serves all frames. */
    open_frame(device, BATTERY);
    put16(device, millivolts);
    put8(device, percent <= 100u ? percent : SP_PERCENT_UNKNOWN);
    put8(device, (charging ? 1u : 0u) | (powered ? 2u : 0u));
    (void)send(device);
}

/* --- Samples --------------------------------------------------------------------------------------------------- */

void sp_sample(struct sp_device *device, uint32_t tick, const int16_t counts[6])
{
    uint32_t number = device->next++;
    uint32_t offset = 0;
    uint8_t *record;
    int i;
    if (!device->running) {
        return;
    }
    if (device->pending > 0u) {
        offset = (tick - device->first_tick) & device->mask;
        if (offset > 0xFFFFu || offset < device->last_offset) {
            flush(device);
        }
    }
    if (device->pending == 0u) {
        offset = 0;
        device->first_tick = tick & device->mask;
        open_frame(device, SAMPLES);
        put32(device, number);
        put32(device, device->first_tick);
        put8(device, 0); /* n, known when the frame is sent */
    }
    device->last_offset = (uint16_t)offset;
    record = device->outgoing + START_OF_PAYLOAD + device->at; /* Not put16(): this is where the time goes. */
    device->at = (uint8_t)(device->at + RECORD_BYTES);
    *record++ = (uint8_t)offset;
    *record++ = (uint8_t)(offset >> 8);
    for (i = 0; i < 6; i++) {
        uint32_t count = (uint16_t)counts[i];
        *record++ = (uint8_t)count;
        *record++ = (uint8_t)(count >> 8);
    }
    if (++device->pending == SP_MAX_SAMPLES) {
        flush(device);
    }
}

void sp_skip(struct sp_device *device, uint32_t n)
{
    if (n > 0u) {
        flush(device);
        device->next += n;
        device->missed += n;
    }
}

void sp_poll(struct sp_device *device, uint32_t tick)
{
    uint32_t longest = device->settings.tick_hz / 40u; /* 25 ms */
    tick &= device->mask;
    if (longest > device->mask / 2u) {
        longest = device->mask / 2u;
    }
    if (device->pending > 0u) {
        uint32_t age = (tick - device->first_tick) & device->mask;
        if (age >= longest && age <= device->mask - device->mask / 4u) { /* Beyond: not taken yet, by this clock. */
            flush(device);
        }
    }
    if (device->polled) {
        device->since_status += (tick - device->poll_tick) & device->mask;
    }
    device->polled = 1;
    device->poll_tick = tick;
    if (device->since_status >= device->settings.tick_hz) {
        device->since_status %= device->settings.tick_hz;
        flush(device);
        if (device->settings.deaf) {
            send_hello(device);
        }
        send_status(device, tick);
    }
}

/* --- Commands -------------------------------------------------------------------------------------------------- */

static enum sp_result set_rate(struct sp_device *device, uint32_t rate_mhz)
{
    enum sp_result result;
    if (device->running) {
        return SP_FAILED;
    }
    if (rate_mhz == device->settings.rate_mhz) {
        return SP_DONE;
    }
    if (device->board.set_rate == NULL) {
        return SP_IMPOSSIBLE;
    }
    result = device->board.set_rate(device->board.context, &device->settings, rate_mhz);
    if (result == SP_DONE) {
        /* Numbers count instants of one rate: a new rate starts a new count, as power-up does. */
        device->settings.rate_mhz = rate_mhz;
        device->settings.boot++;
        device->next = 0;
    }
    return result;
}

static enum sp_result set_range(struct sp_device *device, uint16_t accel_g, uint16_t gyro_dps)
{
    if (device->running) {
        return SP_FAILED;
    }
    if (accel_g == device->settings.accel_range_g && gyro_dps == device->settings.gyro_range_dps) {
        return SP_DONE;
    }
    if (device->board.set_range == NULL) {
        return SP_IMPOSSIBLE;
    }
    return device->board.set_range(device->board.context, &device->settings, accel_g, gyro_dps);
}

/* Obey one whole payload; tell whether it was a command at all. */
static int obey(struct sp_device *device, const uint8_t *payload, size_t size)
{
    static const uint8_t body_bytes[] = {0, 0, 0, 4, 4}; /* of 81 to 85 */
    uint8_t type = payload[0];
    const uint8_t *body = payload + HEADER_BYTES;
    enum sp_result result = SP_UNKNOWN;
    if (type < 0x80u) {
        return 1; /* Not for a device: perhaps our own frames, echoed. */
    }
    if (type >= IDENTIFY && type <= RANGE) {
        if (size - HEADER_BYTES != body_bytes[type - IDENTIFY]) {
            return 0;
        }
        result = SP_DONE;
    }
    flush(device);
    if (type == START || type == STOP) {
        device->running = (uint8_t)(type == START || device->settings.deaf);
    } else if (type == RATE) {
        result = set_rate(device, get32(body));
    } else if (type == RANGE) {
        result = set_range(device, (uint16_t)get16(body), (uint16_t)get16(body + 2));
    }
    if (result == SP_DONE && (type == IDENTIFY || type == RATE || type == RANGE)) {
        send_hello(device);
    }
    open_frame(device, ANSWER);
    put8(device, type);
    put16(device, get16(payload + 1));
    put8(device, (uint32_t)result);
    (void)send(device);
    return 1;
}

/* Undo COBS in place; the size of payload and CRC, or 0 if it cannot be a frame. */
static size_t uncover(uint8_t *wire, size_t size)
{
    size_t code_at = 0, i;
    while (code_at < size) {
        size_t next = code_at + wire[code_at];
        if (next > size) {
            return 0;
        }
        wire[code_at] = 0;
        code_at = next;
    }
    for (i = 1; i < size; i++) {
        wire[i - 1] = wire[i];
    }
    size--;
    if (size < HEADER_BYTES + CRC_BYTES || sp_crc32(wire, size - CRC_BYTES) != get32(wire + size - CRC_BYTES)) {
        return 0;
    }
    return size;
}

void sp_receive(struct sp_device *device, const uint8_t *bytes, size_t size)
{
    for (; size > 0u; bytes++, size--) {
        if (*bytes != 0u) {
            if (device->received >= SP_MAX_WIRE - 1u) {
                device->skipping = 1;
            } else {
                device->incoming[device->received++] = *bytes;
            }
            continue;
        }
        if (device->skipping) {
            device->refused++;
        } else if (device->received > 0u) {
            size_t whole = uncover(device->incoming, device->received);
            if (whole == 0u || !obey(device, device->incoming, whole - CRC_BYTES)) {
                device->refused++;
            }
        }
        device->received = 0;
        device->skipping = 0;
    }
}

void sp_link_lost(struct sp_device *device)
{
    device->received = 0;
    device->skipping = 0;
    device->broken = 1;
}

void sp_begin(struct sp_device *device, const struct sp_settings *settings, const struct sp_board *board)
{
    static const struct sp_device fresh = {.centidegrees = SP_NO_TEMPERATURE};
    *device = fresh;
    device->settings = *settings;
    device->board = *board;
    device->mask = settings->tick_bits >= 32u ? 0xFFFFFFFFu : (1u << settings->tick_bits) - 1u;
    device->running = settings->deaf;
    device->broken = 1; /* Ends whatever came before, such as the boot messages of the board. */
    send_hello(device);
}
