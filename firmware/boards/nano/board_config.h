/* What fits into 2 KiB of RAM, with all buffers and the stack in 1.75 KiB (README, "Budget"). */
#pragma once

#define BOARD_KIND 2
#define BOARD_WINDOW 96
#define BOARD_HISTORY 16
#define BOARD_SEND_RESERVE 66 /* the longest answer */
#define BOARD_STEPS 30
#define BOARD_EDGES 16
#define BOARD_LEAST_WIDTH 50
#define BOARD_LEAST_LEAD 500
#define BOARD_PROBE_EDGES 4
#define BOARD_ANALOG_INPUTS 0
#define BOARD_DIGITAL_INPUTS 1
#define BOARD_PLACES 8
/* The host gets to the boot loader by DTR, which resets. */
#define BOARD_CAPABILITIES                                                         \
    (CAPABILITY_READBACK | CAPABILITY_BYTE_SERIAL | CAPABILITY_AHEAD | CAPABILITY_STROBE | \
     CAPABILITY_DIGITAL | CAPABILITY_START_AT)
/* An instruction with an address takes four bytes, one with a pointer two. */
#define BOARD_BY_POINTER(pointer) __asm__("" : "+r"(pointer))
#define BOARD_TABLE __flash /* takes the program memory, not RAM */
