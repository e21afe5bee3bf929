/* The virtual box's time, port, store and identity: all of it memory. */
#include "virtual_board.h"

#include <string.h>

uint64_t board_time(struct board *board)
{
    return board->time;
}

uint16_t board_send_room(struct board *board)
{
    return (uint16_t)(SEND_SIZE - (board->sent - board->taken));
}

void board_send(struct board *board, const uint8_t *bytes, uint8_t count)
{
    for (uint8_t i = 0; i < count && board->powered; i++)
        board->send[board->sent++ % SEND_SIZE] = bytes[i];
}

void board_store_read(struct board *board, uint8_t slot, uint8_t *record, uint8_t size)
{
    memcpy(record, board->store + slot * VIRTUAL_SLOT_SIZE, size);
}

bool board_store_write(struct board *board, uint8_t slot, const uint8_t *record, uint8_t size)
{
    for (uint8_t i = 0; i < size; i++) {
        if (board->writes_left == 0) {
            board->powered = false;
            return false;
        }
        if (board->writes_left > 0)
            board->writes_left--;
        board->store[slot * VIRTUAL_SLOT_SIZE + i] = record[i];
    }
    return true;
}

void board_serial(struct board *board, uint8_t serial[8])
{
    memcpy(serial, board->serial, sizeof board->serial);
}

void board_restart(struct board *board, bool into_boot_loader)
{
    (void)into_boot_loader; /* not in BOARD_CAPABILITIES */
    board->wants_restart = true;
}
