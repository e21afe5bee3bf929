/* The smallest board that the core takes, so that limits are reached in a few steps. */
#pragma once

#define BOARD_KIND 9
#define BOARD_WINDOW 96
#define BOARD_HISTORY 16
#define BOARD_SEND_RESERVE 66
#define BOARD_STEPS 4
#define BOARD_EDGES 8
#define BOARD_LEAST_WIDTH 50
#define BOARD_LEAST_LEAD 300
#define BOARD_PLACES 4
#define BOARD_TABLE
#define BOARD_CAPABILITIES (CAPABILITY_BOOT_LOADER | CAPABILITY_READBACK | CAPABILITY_AHEAD)
