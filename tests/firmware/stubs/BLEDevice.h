/* A stand-in for the ESP32 core's Bluetooth library; see Arduino.h. */
#pragma once
#include "Arduino.h"

class BLEDescriptor {};
class BLE2902 : public BLEDescriptor {};
class BLECharacteristic;
class BLEServer;

class BLECharacteristicCallbacks {
public:
    virtual ~BLECharacteristicCallbacks() {}
    virtual void onWrite(BLECharacteristic *from);
};

class BLECharacteristic {
public:
    static const uint32_t PROPERTY_WRITE = 1, PROPERTY_NOTIFY = 2, PROPERTY_WRITE_NR = 4;
    void setValue(uint8_t *bytes, size_t size);
    void notify();
    uint8_t *getData();
    size_t getLength();
    void addDescriptor(BLEDescriptor *descriptor);
    void setCallbacks(BLECharacteristicCallbacks *callbacks);
};

class BLEServerCallbacks {
public:
    virtual ~BLEServerCallbacks() {}
    virtual void onConnect(BLEServer *server);
    virtual void onDisconnect(BLEServer *server);
};

class BLEService {
public:
    BLECharacteristic *createCharacteristic(const char *uuid, uint32_t properties);
    void start();
};

class BLEAdvertising {
public:
    void addServiceUUID(const char *uuid);
};

class BLEServer {
public:
    void setCallbacks(BLEServerCallbacks *callbacks);
    BLEService *createService(const char *uuid);
    uint16_t getPeerMTU(uint16_t connection);
    uint16_t getConnId();
};

class BLEDevice {
public:
    static void init(const char *name);
    static int setMTU(uint16_t mtu);
    static BLEServer *createServer();
    static BLEAdvertising *getAdvertising();
    static void startAdvertising();
};
