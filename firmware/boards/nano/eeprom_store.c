/* EEPROM: two slots of settings and the serial number. Address 0 stays empty, since a brown-out hits it
 * first. avr-libc writes only bytes that differ, and keeps interrupts off only for the few cycles in which
 * the chip asks for that. */
#include <avr/eeprom.h>
#include <string.h>

#include "board_internal.h"

#define SERIAL_AT 16 /* eight bytes, and behind them their check */
#define SLOTS_AT 64
#define SLOT_SIZE 64

static uint8_t *slot_at(uint8_t slot)
{
    return (uint8_t *)(uint16_t)(SLOTS_AT + slot * SLOT_SIZE);
}

void board_store_read(struct board *board, uint8_t slot, uint8_t *record, uint8_t size)
{
    (void)board;
    eeprom_read_block(record, slot_at(slot), size);
}

bool board_store_write(struct board *board, uint8_t slot, const uint8_t *record, uint8_t size)
{
    (void)board;
    uint8_t *at = slot_at(slot);
    eeprom_update_block(record, at, size);
    eeprom_busy_wait();
    while (size-- > 0)
        if (eeprom_read_byte(at++) != *record++)
            return false;
    return true;
}

static uint8_t check_of(const uint8_t serial[8])
{
    uint8_t check = 0x5A; /* neither an erased nor a zeroed memory passes */
    for (uint8_t i = 0; i < 8; i++)
        check = (uint8_t)(check + serial[i]) * 3;
    return check;
}

void board_serial(struct board *board, uint8_t serial[8])
{
    (void)board;
    uint8_t kept[9];
    eeprom_read_block(kept, (const uint8_t *)SERIAL_AT, sizeof kept);
    if (kept[8] != check_of(kept)) {
        start_serial_seed(kept);
        kept[8] = check_of(kept);
        eeprom_update_block(kept, (uint8_t *)SERIAL_AT, sizeof kept);
    }
    memcpy(serial, kept, 8);
}
