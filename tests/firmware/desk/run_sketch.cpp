/* Runs a sketch: the stand-ins for its board's headers come to life on the pipes of part_desk.c, with the model of a
 * part at the other end. From there: 'U' set up; 'L' one turn of loop(); 'C' a computer connects; 'X' it goes; 'R' size
 * u8, bytes: it writes; 'Q' end. */
#include <stdio.h>
#include <stdlib.h>

#include SKETCH

static uint32_t number(int bytes)
{
    uint32_t value = 0;
    for (int i = 0; i < bytes; i++) {
        int byte = getchar();
        if (byte == EOF) {
            exit(2);
        }
        value |= (uint32_t)byte << 8 * i;
    }
    return value;
}

static void out(uint32_t value, int bytes)
{
    for (int i = 0; i < bytes; i++) {
        putchar((int)(value >> 8 * i & 0xFFu));
    }
}

static void done(const char *text)
{
    putchar('=');
    out(1, 1);
    out((uint32_t)strlen(text), 1);
    fputs(text, stdout);
    fflush(stdout);
}

static size_t frame_out(const uint8_t *bytes, size_t size)
{
    putchar('f');
    out((uint32_t)size, 2);
    return fwrite(bytes, 1, size, stdout);
}

static uint8_t from_host[256], taken[32];
static int host_in = 0, host_out = 0, taken_n = 0, taken_at = 0, told_n = 0;
static uint8_t bus_address, told[8];

unsigned long micros()
{
    putchar('t');
    fflush(stdout);
    return number(4);
}

unsigned long millis() { return micros() / 1000; }

void delay(unsigned long ms)
{
    putchar('d');
    out((uint32_t)ms, 4);
}

void pinMode(int, int) {}
void digitalWrite(int, int) {}
uint32_t analogReadMilliVolts(uint8_t) { return 1900; }
uint32_t esp_random() { return 0xE5B0071u; }
uint32_t Rp2040::hwrand32() { return 0xB0071234u; }
uint64_t Esp::getEfuseMac() { return 0x0000A1B2C3D4E5F6u; }
Rp2040 rp2040;
Esp ESP;

Stream Serial;
void Stream::begin(unsigned long) {}
int Stream::available() { return host_in - host_out; }
int Stream::read() { return from_host[host_out++]; }
int Stream::availableForWrite() { return 512; }
size_t Stream::write(const uint8_t *bytes, size_t size) { return frame_out(bytes, size); }
size_t Stream::println(const char *text)
{
    done(text); /* Only a sketch that finds no part prints a sentence. */
    exit(0);
}
Stream::operator bool() { return true; }

TwoWire Wire;
void TwoWire::begin() {}
bool TwoWire::begin(int, int, uint32_t) { return true; }
bool TwoWire::setSDA(int) { return true; }
bool TwoWire::setSCL(int) { return true; }
void TwoWire::setClock(uint32_t) {}
void TwoWire::beginTransmission(uint8_t address)
{
    bus_address = address;
    told_n = 0;
}
size_t TwoWire::write(uint8_t value)
{
    told[told_n++] = value;
    return 1;
}
uint8_t TwoWire::endTransmission()
{
    putchar('w');
    out(bus_address, 1);
    out(told[0], 1);
    out(told[1], 1);
    fflush(stdout);
    return number(1) ? 0 : 2;
}
uint8_t TwoWire::endTransmission(bool) { return 0; }
uint8_t TwoWire::requestFrom(uint8_t address, uint8_t size)
{
    putchar('r');
    out(address, 1);
    out(told[0], 1);
    out(size, 1);
    fflush(stdout);
    taken_at = 0;
    taken_n = number(1) ? size : 0;
    for (int i = 0; i < taken_n; i++) {
        taken[i] = (uint8_t)number(1);
    }
    return (uint8_t)taken_n;
}
int TwoWire::read() { return taken[taken_at++]; }

#if defined(RP2040)
extern "C" void pico_get_unique_board_id(pico_unique_board_id_t *id) { memset(id->id, 0x20, 8); }
static void connect() {}
static void disconnect() {}
static void heard(const uint8_t *, size_t) {}
#elif defined(NRF52840)
static NrfFicr ficr = {{0x11111111u, 0x22222222u}};
NrfFicr *NRF_FICR = &ficr;
AdafruitBluefruit Bluefruit;
static BLEConnection the_peer;
static bool peer = false;
static void (*when_connected)(uint16_t), (*when_gone)(uint16_t, uint8_t);
extern "C" uint32_t sd_rand_application_vector_get(uint8_t *into, uint8_t size)
{
    memset(into, 7, size);
    return 0;
}
BLEUart::BLEUart(uint16_t) {}
int32_t BLEUart::begin() { return 0; }
bool BLEUart::notifyEnabled(uint16_t) { return peer; }
size_t BLEUart::write(uint16_t, const uint8_t *bytes, size_t size) { return frame_out(bytes, size); }
int BLEUart::available() { return host_in - host_out; }
int BLEUart::read() { return from_host[host_out++]; }
uint16_t BLEConnection::getMtu() { return 100; }
bool BLEConnection::requestPHY(uint8_t) { return true; }
bool BLEConnection::requestDataLengthUpdate(const void *, void *) { return true; }
bool BLEConnection::requestMtuExchange(uint16_t) { return true; }
bool BLEPeriph::setConnInterval(uint16_t, uint16_t) { return true; }
void BLEPeriph::setConnectCallback(void (*callback)(uint16_t)) { when_connected = callback; }
void BLEPeriph::setDisconnectCallback(void (*callback)(uint16_t, uint8_t)) { when_gone = callback; }
bool BLEAdvertising::addFlags(uint8_t) { return true; }
bool BLEAdvertising::addService(BLEUart &) { return true; }
bool BLEAdvertising::addName() { return true; }
void BLEAdvertising::restartOnDisconnect(bool) {}
void BLEAdvertising::setInterval(uint16_t, uint16_t) {}
bool BLEAdvertising::start(uint16_t) { return true; }
void AdafruitBluefruit::configPrphBandwidth(uint8_t) {}
bool AdafruitBluefruit::begin() { return true; }
void AdafruitBluefruit::setName(const char *) {}
BLEConnection *AdafruitBluefruit::Connection(uint16_t) { return &the_peer; }
static void connect() { peer = true, when_connected(3); }
static void disconnect() { peer = false, when_gone(3, 0x13); }
static void heard(const uint8_t *, size_t) {}
#elif BLUETOOTH
static BLEServer the_server;
static BLEService the_service;
static BLECharacteristic to_host, to_board;
static BLEAdvertising advertising;
static BLEServerCallbacks *link_events;
static BLECharacteristicCallbacks *write_events;
static size_t written_n = 0, value_n = 0;
static uint8_t written[64], value[512];
void BLECharacteristicCallbacks::onWrite(BLECharacteristic *) {}
void BLEServerCallbacks::onConnect(BLEServer *) {}
void BLEServerCallbacks::onDisconnect(BLEServer *) {}
void BLECharacteristic::setValue(uint8_t *bytes, size_t size) { memcpy(value, bytes, value_n = size); }
void BLECharacteristic::notify() { frame_out(value, value_n); }
uint8_t *BLECharacteristic::getData() { return written; }
size_t BLECharacteristic::getLength() { return written_n; }
void BLECharacteristic::addDescriptor(BLEDescriptor *descriptor) { delete descriptor; }
void BLECharacteristic::setCallbacks(BLECharacteristicCallbacks *callbacks) { write_events = callbacks; }
BLECharacteristic *BLEService::createCharacteristic(const char *, uint32_t properties)
{
    return properties == BLECharacteristic::PROPERTY_NOTIFY ? &to_host : &to_board;
}
void BLEService::start() {}
void BLEAdvertising::addServiceUUID(const char *) {}
void BLEServer::setCallbacks(BLEServerCallbacks *callbacks) { link_events = callbacks; }
BLEService *BLEServer::createService(const char *) { return &the_service; }
uint16_t BLEServer::getPeerMTU(uint16_t) { return 247; }
uint16_t BLEServer::getConnId() { return 0; }
void BLEDevice::init(const char *) {}
int BLEDevice::setMTU(uint16_t) { return 0; }
BLEServer *BLEDevice::createServer() { return &the_server; }
BLEAdvertising *BLEDevice::getAdvertising() { return &advertising; }
void BLEDevice::startAdvertising() {}
static void connect() { link_events->onConnect(&the_server); }
static void disconnect() { link_events->onDisconnect(&the_server); }
static void heard(const uint8_t *bytes, size_t size)
{
    memcpy(written, bytes, written_n = size);
    write_events->onWrite(&to_board);
}
#else
static void connect() {}
static void disconnect() {}
static void heard(const uint8_t *, size_t) {}
#endif

int main()
{
    int first;
    for (;;) {
        switch (number(1)) {
        case 'U': setup(); break;
        case 'L': loop(); break;
        case 'C': connect(); break;
        case 'X': disconnect(); break;
        case 'R':
            first = host_in = host_in == host_out ? host_out = 0 : host_in;
            for (int size = (int)number(1); size > 0; size--) {
                from_host[host_in++] = (uint8_t)number(1);
            }
            heard(from_host + first, (size_t)(host_in - first));
            break;
        case 'Q': return 0;
        default: return 3;
        }
        done("");
    }
}
