// Plain text for any board that has the "Wire" library and a serial port: one line a sample, an MPU-6050 only. No check
// of damage, no loss counting, no Bluetooth: use one of the other sketches where you can.
//
// Each line: micros() and six raw counts, separated by commas: t,ax,ay,az,gx,gy,gz. Full scales 8 g and 2000 deg/s, as
// the shipped profile "mpu6050" says:   strokeplane check --profile mpu6050
// Its profile reads 115200 baud: enough for 200 lines a second. Pins: the board's own SDA and SCL, 3V3, GND.
#include <Wire.h>

const uint8_t ADDRESS = 0x68;
const uint8_t RATE_DIVIDER = 4;  // 1000 / (4 + 1) = 200 samples a second.

void put(uint8_t reg, uint8_t value)
{
    Wire.beginTransmission(ADDRESS);
    Wire.write(reg);
    Wire.write(value);
    Wire.endTransmission();
}

bool get(uint8_t reg, uint8_t *into, uint8_t size)
{
    Wire.beginTransmission(ADDRESS);
    Wire.write(reg);
    if (Wire.endTransmission(false) != 0 || Wire.requestFrom(ADDRESS, size) != size) {
        return false;
    }
    for (uint8_t i = 0; i < size; i++) {
        into[i] = (uint8_t)Wire.read();
    }
    return true;
}

void setup()
{
    uint8_t identity = 0;
    Serial.begin(115200);
    Wire.begin();
    Wire.setClock(400000);
    while (!get(0x75, &identity, 1) || identity != 0x68) {  // WHO_AM_I
        Serial.println("no MPU-6050 answers at address 68");
        delay(2000);
    }
    put(0x6B, 0x01);          // PWR_MGMT_1: awake, clock from the gyroscope.
    put(0x1A, 0x03);          // CONFIG: low-pass near 43 Hz, below half the rate.
    put(0x19, RATE_DIVIDER);  // SMPLRT_DIV
    put(0x1B, 0x18);          // GYRO_CONFIG: 2000 deg/s
    put(0x1C, 0x10);          // ACCEL_CONFIG: 8 g
    put(0x38, 0x01);          // INT_ENABLE: data ready
}

void loop()
{
    uint8_t ready = 0, raw[14];
    if (!get(0x3A, &ready, 1) || !(ready & 1)) {  // INT_STATUS
        return;
    }
    uint32_t now = micros();
    if (!get(0x3B, raw, 14)) {
        return;
    }
    Serial.print(now);
    for (uint8_t i = 0; i < 7; i++) {
        if (i != 3) {  // The temperature.
            Serial.print(',');
            Serial.print((int16_t)((uint16_t)raw[2 * i] << 8 | raw[2 * i + 1]));
        }
    }
    Serial.println();
}
