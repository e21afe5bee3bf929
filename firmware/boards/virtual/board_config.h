/* The virtual box has the limits of the Pico, so that what fits here fits there. */
#pragma once

#define BOARD_KIND 1
#define BOARD_WINDOW 440
#define BOARD_HISTORY 64
#define BOARD_SEND_RESERVE 1536
#define BOARD_STEPS 1024
#define BOARD_EDGES 128
#define BOARD_LEAST_WIDTH 1
#define BOARD_LEAST_LEAD 100
#define BOARD_PLACES 32
#define BOARD_CAPABILITIES \
    (CAPABILITY_READBACK | CAPABILITY_BYTE_PORT | CAPABILITY_AHEAD | CAPABILITY_STROBE)
#define BOARD_TABLE
