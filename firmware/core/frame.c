#include "frame.h"

#define POLYNOMIAL 0x1DCF
#define FRAME_SHORTEST 4

/* Bit by bit: a table would cost a small chip its RAM, and the time is spent while the next byte is still on the wire. */
uint16_t crc16(uint16_t crc, uint8_t byte)
{
    crc ^= (uint16_t)(byte << 8);
    for (uint8_t bit = 0; bit < 8; bit++)
        crc = crc & 0x8000 ? (uint16_t)(crc << 1 ^ POLYNOMIAL) : (uint16_t)(crc << 1);
    return crc;
}

static void unstuffed(struct frame_reader *reader, uint8_t byte)
{
    if (reader->length == FRAME_LONGEST) {
        reader->too_long = true;
        return;
    }
    reader->bytes[reader->length++] = byte;
    reader->crc = crc16(reader->crc, byte);
}

static enum frame_event closed(struct frame_reader *reader)
{
    bool begun = reader->begun;
    bool whole = reader->left == 0 && !reader->too_long && reader->length >= FRAME_SHORTEST && reader->crc == CRC_WHOLE;
    reader->begun = false;
    if (!begun)
        return FRAME_GOES_ON;
    return whole ? FRAME_GOOD : FRAME_BROKEN;
}

enum frame_event frame_read(struct frame_reader *reader, uint8_t byte)
{
    if (byte == 0)
        return closed(reader);
    if (!reader->begun) {
        reader->begun = true;
        reader->too_long = false;
        reader->length = 0;
        reader->crc = CRC_START;
        reader->left = (uint8_t)(byte - 1);
    } else if (reader->too_long) {
        /* skipped, up to the closing zero */
    } else if (reader->left == 0) {
        unstuffed(reader, 0);
        reader->left = (uint8_t)(byte - 1);
    } else {
        unstuffed(reader, byte);
        reader->left--;
    }
    return FRAME_GOES_ON;
}

uint8_t frame_close(uint8_t *wire, uint8_t length)
{
    uint16_t crc = CRC_START;
    for (uint8_t at = 1; at <= length; at++)
        crc = crc16(crc, wire[at]);
    crc = (uint16_t)~crc;
    wire[length + 1] = (uint8_t)(crc >> 8);
    wire[length + 2] = (uint8_t)crc;

    /* Blocks are shorter than 254 bytes, so that each code byte takes just the place of a zero, or the one in front. */
    uint8_t end = (uint8_t)(length + 3);
    uint8_t code_at = 0;
    for (uint8_t at = 1; at < end; at++) {
        if (wire[at] == 0) {
            wire[code_at] = (uint8_t)(at - code_at);
            code_at = at;
        }
    }
    wire[code_at] = (uint8_t)(end - code_at);
    wire[end] = 0;
    return (uint8_t)(end + 1);
}
