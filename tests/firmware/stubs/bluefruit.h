/* A stand-in for the nRF52 core's Bluetooth library; see Arduino.h. */
#pragma once
#include "Arduino.h"

#define BLE_CONN_HANDLE_INVALID 0xFFFF
#define BLE_GAP_ADV_FLAGS_LE_ONLY_GENERAL_DISC_MODE 6
enum { BANDWIDTH_MAX = 4 };
extern "C" uint32_t sd_rand_application_vector_get(uint8_t *into, uint8_t size);
struct NrfFicr {
    uint32_t DEVICEID[2];
};
extern NrfFicr *NRF_FICR;

class BLEUart {
public:
    explicit BLEUart(uint16_t fifo_depth = 256);
    int32_t begin();
    bool notifyEnabled(uint16_t connection);
    size_t write(uint16_t connection, const uint8_t *bytes, size_t size);
    int available();
    int read();
};

class BLEConnection {
public:
    uint16_t getMtu();
    bool requestPHY(uint8_t phy = 0);
    bool requestDataLengthUpdate(const void *parameters = nullptr, void *limits = nullptr);
    bool requestMtuExchange(uint16_t mtu);
};

struct BLEPeriph {
    bool setConnInterval(uint16_t least, uint16_t most);
    void setConnectCallback(void (*callback)(uint16_t connection));
    void setDisconnectCallback(void (*callback)(uint16_t connection, uint8_t reason));
};

struct BLEAdvertising {
    bool addFlags(uint8_t flags);
    bool addService(BLEUart &service);
    bool addName();
    void restartOnDisconnect(bool on);
    void setInterval(uint16_t fast, uint16_t slow);
    bool start(uint16_t timeout);
};

struct AdafruitBluefruit {
    BLEPeriph Periph;
    BLEAdvertising Advertising, ScanResponse;
    void configPrphBandwidth(uint8_t bandwidth);
    bool begin();
    void setName(const char *name);
    BLEConnection *Connection(uint16_t connection);
};
extern AdafruitBluefruit Bluefruit;
