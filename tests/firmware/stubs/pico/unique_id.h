/* A stand-in for the RP2040's header; see ../Arduino.h. */
#pragma once
#include <stdint.h>

typedef struct {
    uint8_t id[8];
} pico_unique_board_id_t;
extern "C" void pico_get_unique_board_id(pico_unique_board_id_t *id);
