// strokeplane sensor on an ESP32, ESP32-C3 or ESP32-S3 board, over Bluetooth LE or the USB cable. Arduino core "esp32".
//
// Pins: sensor VCC - 3V3, GND - GND, SDA and SCL as below. Wiring, mounting and cautions: ../../BOARDS.md.
// Flash: copy the folder firmware_docs/c into your Arduino libraries folder under the name "strokeplane", open this
// sketch, choose your board, press Upload; hold BOOT if it does not start. For a cable set BLUETOOTH to 0 (and "USB CDC
// on boot" on a C3 or S3).
#include <Wire.h>
#include <strokeplane.h>
#include <parts.h>
#include <wire_bus.h>

#ifndef BLUETOOTH
#define BLUETOOTH 1
#endif
const int PIN_SDA = 6, PIN_SCL = 7;
const int PIN_BATTERY = -1;  // An ADC pin behind two equal resistors, or -1.
const int8_t AXES[3] = {1, 2, 3};
const uint32_t DRAIN_US = 4000;

struct sp_part part;
struct sp_device device;

#if BLUETOOTH
#include <BLE2902.h>
#include <BLEDevice.h>
#include <BLEServer.h>
#include <BLEUtils.h>

const char SERVICE[] = "6E400001-B5A3-F393-E0A9-E50E24DCCA9E";
const char SERVICE_IN[] = "6E400002-B5A3-F393-E0A9-E50E24DCCA9E";
const char SERVICE_OUT[] = "6E400003-B5A3-F393-E0A9-E50E24DCCA9E";
BLEServer *server;
BLECharacteristic *outbox;
volatile bool connected = false, lost = false;
// What the host writes arrives on the radio's task: it waits here for loop(), which alone may touch the core.
uint8_t inbox[256];
volatile uint8_t inbox_in = 0, inbox_out = 0;

class LinkEvents : public BLEServerCallbacks {
    void onConnect(BLEServer *) override { connected = true; }
    void onDisconnect(BLEServer *) override
    {
        connected = false, lost = true;
        BLEDevice::startAdvertising();
    }
};

class WriteEvents : public BLECharacteristicCallbacks {
    void onWrite(BLECharacteristic *from) override
    {
        for (size_t i = 0; i < from->getLength(); i++) {
            inbox[inbox_in] = from->getData()[i];
            inbox_in = (uint8_t)(inbox_in + 1);
        }
    }
};

int send_frame(void *, const uint8_t *bytes, size_t size)
{
    if (!connected) {
        return 0;
    }
    outbox->setValue((uint8_t *)bytes, size);
    outbox->notify();
    return 1;
}

void open_link()
{
    BLEDevice::init("strokeplane");  // Two boards, hand and instrument, need two names: strokeplane-a, strokeplane-b.
    BLEDevice::setMTU(247);
    server = BLEDevice::createServer();
    server->setCallbacks(new LinkEvents());
    BLEService *service = server->createService(SERVICE);
    outbox = service->createCharacteristic(SERVICE_OUT, BLECharacteristic::PROPERTY_NOTIFY);
    outbox->addDescriptor(new BLE2902());
    const uint32_t writable = BLECharacteristic::PROPERTY_WRITE | BLECharacteristic::PROPERTY_WRITE_NR;
    service->createCharacteristic(SERVICE_IN, writable)->setCallbacks(new WriteEvents());
    service->start();
    BLEDevice::getAdvertising()->addServiceUUID(SERVICE);
    BLEDevice::startAdvertising();
}

void hear_host()
{
    if (lost) {
        lost = false;
        sp_link_lost(&device);
    }
    // Three bytes of each notification are not ours; before the MTU is agreed there is room for 20.
    uint16_t mtu = connected ? server->getPeerMTU(server->getConnId()) : 23;
    device.room = mtu > 23 ? mtu - 3 : 20;
    for (; inbox_out != inbox_in; inbox_out = (uint8_t)(inbox_out + 1)) {
        sp_receive(&device, &inbox[inbox_out], 1);
    }
}
#else
int send_frame(void *, const uint8_t *bytes, size_t size)
{
    return Serial.availableForWrite() >= (int)size && Serial.write(bytes, size) == size;
}

void open_link() {}
void hear_host()
{
    while (Serial.available() > 0) {
        uint8_t byte = (uint8_t)Serial.read();
        sp_receive(&device, &byte, 1);
    }
}
#endif

const struct sp_board board = {&part, send_frame, part_set_rate, part_set_range};

void setup()
{
    char sentence[SP_SENTENCE];
    Serial.begin(115200);
    Wire.begin(PIN_SDA, PIN_SCL, 400000);
    while (!sp_part_find(&part, &wire_bus, sentence)) {
        Serial.println(sentence);
        delay(2000);
    }
    sp_part_set(&part, part.row->rates_mhz[0], 16, 2000);
    open_link();
    struct sp_settings settings = {};
    sp_part_describe(&part, &settings);
    memcpy(settings.axes, AXES, sizeof AXES);
    settings.boot = esp_random();
    uint64_t id = ESP.getEfuseMac();
    memcpy(settings.id, &id, sizeof settings.id);
    settings.firmware = BLUETOOTH ? "esp32 ble 1" : "esp32 usb 1";
    sp_begin(&device, &settings, &board);
}

void loop()
{
    static uint32_t drained_us = 0, battery_ms = 0;
    if (micros() - drained_us >= DRAIN_US) {
        drained_us = micros();
        sp_part_drain(&part, &device);
    }
    hear_host();
    if (PIN_BATTERY >= 0 && millis() - battery_ms >= 1000) {
        battery_ms = millis();
        sp_battery(&device, (uint16_t)(2 * analogReadMilliVolts(PIN_BATTERY)), SP_PERCENT_UNKNOWN, 0, 0);
    }
    sp_poll(&device, sp_part_now(&part));
}
