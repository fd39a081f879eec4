/* A stand-in for the Arduino headers: only what the sketches use, as their documentation declares it. It lets them be
 * compiled, not run. */
#pragma once
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#define OUTPUT 1
#define HIGH 1
unsigned long micros();
unsigned long millis();
void delay(unsigned long ms);
void pinMode(int pin, int mode);
void digitalWrite(int pin, int value);
uint32_t analogReadMilliVolts(uint8_t pin);
uint32_t esp_random();

class Stream {
public:
    void begin(unsigned long baud);
    int available();
    int read();
    int availableForWrite();
    size_t write(const uint8_t *bytes, size_t size);
    size_t print(char value);
    size_t print(int value);
    size_t print(unsigned int value);
    size_t print(unsigned long value);
    size_t println();
    size_t println(const char *text);
    explicit operator bool();
};
extern Stream Serial;

struct Rp2040 {
    uint32_t hwrand32();
};
extern Rp2040 rp2040;

struct Esp {
    uint64_t getEfuseMac();
};
extern Esp ESP;
