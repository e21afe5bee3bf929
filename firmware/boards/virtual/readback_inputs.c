/* The readback inputs of the virtual box: they follow the lines through a wiring, each in its own time. */
#include "virtual_board.h"

uint8_t board_readback(struct board *board)
{
    uint8_t levels = 0;
    for (int n = 0; n < LINES; n++)
        levels |= (uint8_t)(board->inputs[n].level << n);
    return levels;
}

void readback_arrive(struct board *board)
{
    bool changed = false;
    for (int n = 0; n < LINES; n++) {
        struct input *input = &board->inputs[n];
        if (input->moving && input->due <= board->time) {
            input->moving = false;
            input->level = !input->level;
            changed = true;
        }
    }
    if (changed && board->watched)
        box_captured(board->box, board->time, board_readback(board));
}

void readback_follow(struct board *board)
{
    uint8_t seen = board->table[board->outputs];
    for (int n = 0; n < LINES; n++) {
        struct input *input = &board->inputs[n];
        bool target = seen >> n & 1;
        if (target == input->level) {
            input->moving = false; /* too short to get through, if it was on its way */
        } else if (!input->moving) {
            input->moving = true;
            input->due = board->time + (target ? board->rise[n] : board->fall[n]);
        }
    }
    readback_arrive(board);
}

void board_watch(struct board *board, bool on)
{
    board->watched = on;
}
