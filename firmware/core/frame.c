#include "frame.h"

#define FRAME_SHORTEST 4

/* Half a byte at a time: eight-bit chips do this in half the time of a bit by bit loop, for 32 bytes of table. */
static inline __attribute__((always_inline)) uint16_t crc_step(uint16_t crc, uint8_t byte)
{
    static const uint8_t high_of[16] = {
        0x00, 0x1D, 0x3B, 0x26, 0x77, 0x6A, 0x4C, 0x51,
        0xEE, 0xF3, 0xD5, 0xC8, 0x99, 0x84, 0xA2, 0xBF,
    };
    static const uint8_t low_of[16] = {
        0x00, 0xCF, 0x9E, 0x51, 0x3C, 0xF3, 0xA2, 0x6D,
        0x78, 0xB7, 0xE6, 0x29, 0x44, 0x8B, 0xDA, 0x15,
    };
    uint8_t high = (uint8_t)(crc >> 8);
    uint8_t low = (uint8_t)crc;
    uint8_t at = (uint8_t)(high >> 4) ^ (uint8_t)(byte >> 4);
    high = (uint8_t)(high << 4) ^ (uint8_t)(low >> 4) ^ high_of[at];
    low = (uint8_t)(low << 4) ^ low_of[at];
    at = (uint8_t)(high >> 4) ^ (byte & 0x0F);
    high = (uint8_t)(high << 4) ^ (uint8_t)(low >> 4) ^ high_of[at];
    low = (uint8_t)(low << 4) ^ low_of[at];
    return (uint16_t)(high << 8 | low);
}

uint16_t crc16(uint16_t crc, uint8_t byte)
{
    return crc_step(crc, byte);
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
    const uint8_t *byte = wire + 1;
    uint8_t left = length;
    do
        crc = crc_step(crc, *byte++);
    while (--left > 0);
    crc = (uint16_t)~crc;
    wire[length + 1] = (uint8_t)(crc >> 8);
    wire[length + 2] = (uint8_t)crc;

    /* Blocks are shorter than 254 bytes, so that each code byte takes just the place of a zero, or the one in front. */
    uint8_t end = (uint8_t)(length + 3);
    uint8_t code = 1;
    uint8_t *code_at = wire;
    uint8_t *at = wire + 1;
    left = (uint8_t)(length + 2);
    do {
        if (*at == 0) {
            *code_at = code;
            code_at = at;
            code = 0;
        }
        at++;
        code++;
    } while (--left > 0);
    *code_at = code;
    wire[end] = 0;
    return (uint8_t)(end + 1);
}
