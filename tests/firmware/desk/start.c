/* Start-up of the emulated Cortex-M4 (an "mps2-an386" board): a vector table; newlib's own start does the rest. */
#include <stdint.h>

extern void _start(void);

static void fault(void)
{
    /* Semihosting: report an error and leave the emulator, so that a fault is never a silent hang. */
    register uint32_t reason __asm__("r1") = 0x20023u; /* ADP_Stopped_RunTimeErrorUnknown */
    register uint32_t operation __asm__("r0") = 0x18u; /* SYS_EXIT */
    __asm__ volatile("bkpt 0xAB" : : "r"(operation), "r"(reason) : "memory");
    for (;;) {
    }
}

__attribute__((section(".vectors"), used)) static void (*const vectors[16])(void) = {
    (void (*)(void))0x20080000u, _start, fault, fault, fault, fault, fault, 0, 0, 0, 0, fault, fault, 0, fault, fault,
};
