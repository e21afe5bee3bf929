/* Flash: the two settings slots, and the number that every flash chip has for itself. */
#include <string.h>

#include "board_internal.h"
#include "rp2040.h"

/* Functions of the boot ROM (2.8.3), looked up by a code of two letters. */
#define CODE(a, b) ((uint32_t)(a) | (uint32_t)(b) << 8)

typedef void *lookup_function(const uint16_t *table, uint32_t code);
typedef void plain_function(void);
typedef void erase_function(uint32_t offset, uint32_t count, uint32_t block, uint8_t block_command);
typedef void program_function(uint32_t offset, const uint8_t *bytes, uint32_t count);
typedef void boot_loader_function(uint32_t activity_pins, uint32_t disabled_interfaces);

extern const uint16_t rom_pointers[]; /* at 0x14: to the table; at 0x18: to the function that looks up */

#define SECTOR 4096u
#define PAGE 256u
#define SLOT(n) (2048u * 1024u - SECTOR * (2u - (n))) /* the last two sectors of 2 MiB */

static plain_function *connect_flash, *leave_reading, *flush_cache, *enter_reading;
static erase_function *erase;
static program_function *program;
static uint8_t serial_number[8];

static void *rom(uint32_t code)
{
    const uint16_t *table = (const uint16_t *)(uintptr_t)rom_pointers[0];
    lookup_function *lookup = (lookup_function *)(uintptr_t)rom_pointers[2];
    return lookup(table, code);
}

static uint8_t exchange(uint8_t byte)
{
    while (!(SSI_STATUS & SSI_STATUS_TX_ROOM))
        ;
    SSI_DATA = byte;
    while (!(SSI_STATUS & SSI_STATUS_RX_DATA))
        ;
    return (uint8_t)SSI_DATA;
}

/* Finds the ROM's functions and reads the flash chip's own number, with the command 4B that nearly all of
 * them know. */
void flash_start(void)
{
    connect_flash = (plain_function *)rom(CODE('I', 'F'));
    leave_reading = (plain_function *)rom(CODE('E', 'X'));
    flush_cache = (plain_function *)rom(CODE('F', 'C'));
    enter_reading = (plain_function *)rom(CODE('C', 'X'));
    erase = (erase_function *)rom(CODE('R', 'E'));
    program = (program_function *)rom(CODE('R', 'P'));

    connect_flash();
    leave_reading();
    QSPI_SELECT_CTRL = QSPI_SELECT_LOW;
    exchange(0x4B);
    for (int dummy = 0; dummy < 4; dummy++)
        exchange(0);
    for (int n = 0; n < 8; n++)
        serial_number[n] = exchange(0);
    QSPI_SELECT_CTRL = QSPI_SELECT_HIGH;
    flush_cache(); /* which gives the select line back, too */
    enter_reading();
}

void board_serial(struct board *board, uint8_t serial[8])
{
    (void)board;
    memcpy(serial, serial_number, 8);
}

void board_store_read(struct board *board, uint8_t slot, uint8_t *record, uint8_t size)
{
    (void)board;
    memcpy(record, (const void *)(FLASH_UNCACHED + SLOT(slot)), size);
}

/* An erase takes up to 0.4 s. Lines and readback go on by themselves, and USB is served from its interrupt
 * meanwhile. */
bool board_store_write(struct board *board, uint8_t slot, const uint8_t *record, uint8_t size)
{
    static uint8_t page[PAGE];

    (void)board;
    memset(page, 0xFF, sizeof page);
    memcpy(page, record, size);
    watchdog_feed();
    connect_flash();
    leave_reading();
    serve_by_interrupt(true);
    erase(SLOT(slot), SECTOR, SECTOR, 0x20);
    program(SLOT(slot), page, PAGE);
    serve_by_interrupt(false);
    flush_cache();
    enter_reading();
    watchdog_feed();
    return memcmp((const void *)(FLASH_UNCACHED + SLOT(slot)), record, size) == 0;
}

void rom_boot_loader(void)
{
    ((boot_loader_function *)rom(CODE('U', 'B')))(0, 0);
}
