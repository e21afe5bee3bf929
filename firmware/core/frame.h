/* Frames: COBS around a message and its CRC, closed by a zero byte. */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "messages.h"

/* CRC-16/PROFIBUS (polynomial 0x1DCF, nothing reflected): begin with CRC_START, put each byte in, invert
 * at the end. Over a message and its CRC, high byte first, it comes to CRC_WHOLE. */
#define CRC_START 0xFFFF
#define CRC_WHOLE 0xE394
uint16_t frame_crc(uint16_t crc, uint8_t byte);

/* A frame on its way in. The work is done as each byte comes, so that little is left to do at the closing
 * zero. All zero is a fresh reader. */
struct frame_reader {
    uint8_t bytes[FRAME_LONGEST]; /* unstuffed so far: type, tag, body, CRC */
    uint8_t length;
    uint8_t left;  /* bytes to come in the present block; 0: a code byte is next */
    bool begun;    /* the frame has had a code byte */
    bool too_long; /* the rest of the frame is skipped */
    uint16_t crc;
};

enum frame_event { FRAME_GOES_ON, FRAME_GOOD, FRAME_BROKEN };

/* Takes one byte of the stream. After FRAME_GOOD, `bytes` and `length` hold the frame until the next call. */
enum frame_event frame_read(struct frame_reader *reader, uint8_t byte);

/* Makes a frame, in place, of the message of `length` bytes that begins at wire + 1: adds the CRC, stuffs,
 * closes. Returns the number of bytes on the wire, length + 4. `wire` has room for that many, and `length`
 * is at most FRAME_LONGEST - 2. */
uint8_t frame_close(uint8_t *wire, uint8_t length);
