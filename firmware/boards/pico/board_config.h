/* What the Pico offers; see core/board.h for the meaning of each. */
#pragma once

#define BOARD_KIND 3
#define BOARD_WINDOW 440
#define BOARD_HISTORY 64
#define BOARD_SEND_RESERVE 1536
#define BOARD_STEPS 1024
#define BOARD_EDGES 128
#define BOARD_LEAST_WIDTH 1
#define BOARD_CAPABILITIES (CAPABILITY_BOOT_LOADER | CAPABILITY_READBACK | CAPABILITY_BYTE_PORT)
