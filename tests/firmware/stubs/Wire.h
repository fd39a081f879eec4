/* A stand-in for the Arduino "Wire" library; see Arduino.h. */
#pragma once
#include "Arduino.h"

class TwoWire {
public:
    void begin();
    bool begin(int sda, int scl, uint32_t frequency);
    bool setSDA(int pin);
    bool setSCL(int pin);
    void setClock(uint32_t frequency);
    void beginTransmission(uint8_t address);
    uint8_t endTransmission();
    uint8_t endTransmission(bool stop);
    uint8_t requestFrom(uint8_t address, uint8_t size);
    size_t write(uint8_t value);
    int read();
};
extern TwoWire Wire;
