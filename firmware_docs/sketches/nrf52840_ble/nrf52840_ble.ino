// strokeplane sensor on an nRF52840 board over Bluetooth LE. Arduino core for nRF52 with the library "bluefruit".
//
// Pins: the board's own SDA and SCL; boards with a part on them (LSM6DS3TR-C) need no wire. Wiring, mounting and
// cautions: ../../BOARDS.md.
// Flash: copy the folder firmware_docs/c into your Arduino libraries folder under the name "strokeplane", open this
// sketch, choose your board, press Upload; press reset twice if the port does not show.
#include <Wire.h>
#include <bluefruit.h>
#include <strokeplane.h>
#include <parts.h>
#include <wire_bus.h>

const int PIN_PART_POWER = -1;  // Some boards switch their part on with a pin; -1: always on.
const int8_t AXES[3] = {1, 2, 3};
const char NAME[] = "strokeplane";  // Two boards, hand and instrument, need two: strokeplane-a, strokeplane-b.
const uint32_t DRAIN_US = 4000;

struct sp_part part;
struct sp_device device;
BLEUart uart(512);
volatile uint16_t connection = BLE_CONN_HANDLE_INVALID;
volatile bool lost = false;

int send_frame(void *, const uint8_t *bytes, size_t size)
{
    if (connection == BLE_CONN_HANDLE_INVALID || !uart.notifyEnabled(connection)) {
        return 0;
    }
    return uart.write(connection, bytes, size) == size;
}

const struct sp_board board = {&part, send_frame, part_set_rate, part_set_range};

void on_connect(uint16_t handle)
{
    BLEConnection *peer = Bluefruit.Connection(handle);
    peer->requestPHY();
    peer->requestDataLengthUpdate();
    peer->requestMtuExchange(247);
    connection = handle;
}

void on_disconnect(uint16_t, uint8_t)
{
    connection = BLE_CONN_HANDLE_INVALID;
    lost = true;
}

void open_link()
{
    Bluefruit.configPrphBandwidth(BANDWIDTH_MAX);
    Bluefruit.begin();
    Bluefruit.setName(NAME);
    Bluefruit.Periph.setConnInterval(6, 12);  // 7.5 to 15 ms, in steps of 1.25 ms.
    Bluefruit.Periph.setConnectCallback(on_connect);
    Bluefruit.Periph.setDisconnectCallback(on_disconnect);
    uart.begin();
    Bluefruit.Advertising.addFlags(BLE_GAP_ADV_FLAGS_LE_ONLY_GENERAL_DISC_MODE);
    Bluefruit.Advertising.addService(uart);
    Bluefruit.ScanResponse.addName();
    Bluefruit.Advertising.restartOnDisconnect(true);
    Bluefruit.Advertising.setInterval(32, 244);
    Bluefruit.Advertising.start(0);
}

void setup()
{
    char sentence[SP_SENTENCE];
    Serial.begin(115200);
    if (PIN_PART_POWER >= 0) {
        pinMode(PIN_PART_POWER, OUTPUT);
        digitalWrite(PIN_PART_POWER, HIGH);
        delay(20);
    }
    Wire.begin();
    Wire.setClock(400000);
    while (!sp_part_find(&part, &wire_bus, sentence)) {
        Serial.println(sentence);
        delay(2000);
    }
    sp_part_set(&part, part.row->rates_mhz[0], 16, 2000);
    open_link();

    struct sp_settings settings = {};
    sp_part_describe(&part, &settings);
    memcpy(settings.axes, AXES, sizeof AXES);
    while (sd_rand_application_vector_get((uint8_t *)&settings.boot, sizeof settings.boot) != 0) {
        delay(1);  // Its store of random bytes fills slowly.
    }
    const uint32_t id[2] = {NRF_FICR->DEVICEID[0], NRF_FICR->DEVICEID[1]};
    memcpy(settings.id, id, sizeof settings.id);
    settings.firmware = "nrf52840 ble 1";
    sp_begin(&device, &settings, &board);
}

void loop()
{
    static uint32_t drained_us = 0;
    if (micros() - drained_us >= DRAIN_US) {
        drained_us = micros();
        sp_part_drain(&part, &device);
    }
    if (lost) {
        lost = false;
        sp_link_lost(&device);
    }
    if (connection != BLE_CONN_HANDLE_INVALID) {
        device.room = Bluefruit.Connection(connection)->getMtu() - 3;
    }
    while (uart.available() > 0) {
        uint8_t byte = (uint8_t)uart.read();
        sp_receive(&device, &byte, 1);
    }
    sp_poll(&device, sp_part_now(&part));
}
