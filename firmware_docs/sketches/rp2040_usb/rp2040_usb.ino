// strokeplane sensor on an RP2040 board with a USB cable. Arduino core "Raspberry Pi Pico/RP2040" (arduino-pico).
//
// Pins: sensor VCC - 3V3, GND - GND, SDA - GP4, SCL - GP5. Wiring, mounting and cautions: ../../BOARDS.md.
// Flash: copy the folder firmware_docs/c into your Arduino libraries folder under the name "strokeplane", open this
// sketch, choose your board and "USB Stack: Pico SDK", hold BOOT while you plug it in the first time, press Upload.
#include <Wire.h>
#include <pico/unique_id.h>
#include <strokeplane.h>
#include <parts.h>
#include <wire_bus.h>

const int PIN_SDA = 4, PIN_SCL = 5;
const int8_t AXES[3] = {1, 2, 3};  // Which part axis each axis marked on the board is; see PROTOCOL.md.
const uint32_t DRAIN_US = 4000;

struct sp_part part;
struct sp_device device;

int send_frame(void *, const uint8_t *bytes, size_t size)
{
    // Nobody reads, or the computer is slow: give the frame up rather than stop the sampling. Its numbers say so.
    if (!Serial || Serial.availableForWrite() < (int)size) {
        return 0;
    }
    return Serial.write(bytes, size) == size;
}

const struct sp_board board = {&part, send_frame, part_set_rate, part_set_range};

void setup()
{
    char sentence[SP_SENTENCE];
    Serial.begin(115200);
    Wire.setSDA(PIN_SDA);
    Wire.setSCL(PIN_SCL);
    Wire.begin();
    Wire.setClock(400000);
    while (!sp_part_find(&part, &wire_bus, sentence)) {
        Serial.println(sentence);
        delay(2000);
    }
    sp_part_set(&part, part.row->rates_mhz[0], 16, 2000);

    struct sp_settings settings = {};
    sp_part_describe(&part, &settings);
    memcpy(settings.axes, AXES, sizeof AXES);
    settings.boot = rp2040.hwrand32();
    pico_unique_board_id_t id;
    pico_get_unique_board_id(&id);
    memcpy(settings.id, id.id, sizeof settings.id);
    settings.firmware = "rp2040 usb 1";
    sp_begin(&device, &settings, &board);
}

void loop()
{
    static uint32_t drained_us = 0;
    static bool up = false;
    if (micros() - drained_us >= DRAIN_US) {
        drained_us = micros();
        sp_part_drain(&part, &device);
    }
    while (Serial.available() > 0) {
        uint8_t byte = (uint8_t)Serial.read();
        sp_receive(&device, &byte, 1);
    }
    if (up && !Serial) {
        sp_link_lost(&device);
    }
    up = (bool)Serial;
    sp_poll(&device, sp_part_now(&part));
}
