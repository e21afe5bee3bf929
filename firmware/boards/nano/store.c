/* EEPROM: two slots of settings and the serial number. Address 0 stays empty, since a brown-out hits it first. */
#include <avr/eeprom.h>
#include <avr/io.h>
#include <avr/wdt.h>
#include <string.h>
#include <util/atomic.h>

#include "port.h"

#define SERIAL_AT 16 /* eight bytes, and behind them their check */
#define SLOTS_AT 64
#define SLOT_SIZE 64
#define SERIAL_CHECK 0x5A

static uint8_t eeprom_read(uint16_t at)
{
    return eeprom_read_byte((const uint8_t *)at);
}

/* Writes a byte if it isn't there already, and waits until it is. Interrupts stay on but for the few cycles in which the chip
 * asks for that. */
static void eeprom_write(uint16_t at, uint8_t byte)
{
    wdt_reset();
    if (eeprom_read(at) == byte)
        return;
    EEAR = at;
    EEDR = byte;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        EECR = _BV(EEMPE);
        EECR |= _BV(EEPE);
    }
    eeprom_busy_wait();
}

static uint16_t slot_at(uint8_t slot)
{
    return (uint16_t)(SLOTS_AT + slot * SLOT_SIZE);
}

void board_store_read(struct board *board, uint8_t slot, uint8_t *record, uint8_t size)
{
    (void)board;
    for (uint8_t i = 0; i < size; i++)
        record[i] = eeprom_read(slot_at(slot) + i);
}

bool board_store_write(struct board *board, uint8_t slot, const uint8_t *record, uint8_t size)
{
    (void)board;
    bool same = true;
    for (uint8_t i = 0; i < size; i++)
        eeprom_write(slot_at(slot) + i, record[i]);
    for (uint8_t i = 0; i < size; i++)
        same = same && eeprom_read(slot_at(slot) + i) == record[i];
    return same;
}

static uint8_t check_of(const uint8_t serial[8])
{
    uint8_t check = SERIAL_CHECK;
    for (uint8_t i = 0; i < 8; i++)
        check = (uint8_t)(check << 1 | check >> 7) ^ serial[i];
    return check;
}

void board_serial(struct board *board, uint8_t serial[8])
{
    (void)board;
    for (uint8_t i = 0; i < 8; i++)
        serial[i] = eeprom_read(SERIAL_AT + i);
    if (eeprom_read(SERIAL_AT + 8) == check_of(serial))
        return;
    start_serial_seed(serial);
    for (uint8_t i = 0; i < 8; i++)
        eeprom_write(SERIAL_AT + i, serial[i]);
    eeprom_write(SERIAL_AT + 8, check_of(serial));
}
