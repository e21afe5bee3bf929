/* The virtual box: its lines, and what its host sees and does. */
#include "virtual.h"

#include <stdlib.h>
#include <string.h>

#include "output_engine.h"
#include "virtual_board.h"

struct probe_inputs *board_inputs(struct board *board)
{
    return &board->probes;
}

struct box *board_box(struct board *board)
{
    return board->box;
}

/* Lines -------------------------------------------------------------------------------------------------- */

static void put(struct board *board, uint8_t levels)
{
    if (levels == board->outputs)
        return;
    board->outputs = levels;
    if (board->edges_made - board->edges_taken == EDGES_SIZE)
        board->edges_lost++;
    else
        board->edges[board->edges_made++ % EDGES_SIZE] = (struct virtual_edge){board->time, levels};
    readback_follow(board);
}

static void put_part(struct board *board)
{
    const struct step *part = &board->parts[board->part];
    board->step_ends += part->us;
    put(board, part->levels);
}

/* Puts out the step that the course is at, or its rest. */
static void put_step(struct board *board)
{
    const struct course *course = &board->course;
    if (course->count == 0) {
        put(board, course->rest);
        return;
    }
    board->part = 0;
    board->part_count = strobe_split(&board->box->settings, &course->steps[board->step], board->parts);
    put_part(board);
}

static void next_step(struct board *board)
{
    struct course *course = &board->course;
    if (++board->part < board->part_count) {
        put_part(board);
        return;
    }
    if (++board->step == course->count) {
        board->step = 0;
        if (course->repeats != 0 && ++board->round == course->repeats)
            course->count = 0;
    }
    put_step(board);
}

uint64_t board_play(struct board *board, const struct course *course)
{
    board->course = *course;
    board->step = 0;
    board->round = 0;
    board->step_ends = board->time;
    put_step(board);
    return board->time;
}

/* Its time is looked at whenever time goes on. */
void board_arm(struct board *board)
{
    (void)board;
}

void board_prepare(struct board *board, const struct course *course)
{
    (void)board;
    (void)course;
}

static uint64_t due_time(const struct board *board)
{
    const struct due *due = box_due(board->box);
    if (due == NULL)
        return VIRTUAL_NEVER;
    return board->time + (uint32_t)(due->at_us - (uint32_t)board->time);
}

/* What is due begins, and the course that played is over. */
static void begin_due(struct board *board)
{
    const struct due *due = box_due(board->box);
    board->own_step = due->step;
    const struct course own = {
        .steps = &board->own_step, .count = due->step.us > 0, .repeats = 1, .rest = due->rest};
    const struct course *course = box_due_course(board->box);
    board_play(board, course != NULL ? course : &own);
    box_begun(board->box);
}

uint8_t board_outputs(struct board *board)
{
    return board->outputs;
}

/* What the host sees ------------------------------------------------------------------------------------- */

struct virtual_box *virtual_new(const uint8_t serial[8])
{
    struct virtual_box *box = calloc(1, sizeof *box);
    if (box == NULL)
        return NULL;
    struct board *board = &box->board;
    board->box = &box->box;
    memcpy(board->serial, serial, sizeof board->serial);
    memset(board->store, 0xFF, sizeof board->store);
    for (int levels = 0; levels < 256; levels++)
        board->table[levels] = (uint8_t)levels;
    return box;
}

void virtual_free(struct virtual_box *box)
{
    free(box);
}

/* Until the firmware drives the lines, resistors hold them; they are those for the idle level of the
 * settings. */
static uint8_t held_by_resistors(struct board *board)
{
    struct settings settings;
    struct settings_kept kept;
    settings_load(board, &settings, &kept);
    return settings.idle == IDLE_HIGH ? 0xFF : 0x00;
}

void virtual_start(struct virtual_box *box, int cause)
{
    struct board *board = &box->board;
    inputs_start(&board->probes, board->time);
    board->time = 0;
    board->powered = true;
    board->wants_restart = false;
    board->writes_left = -1;
    board->watched = false;
    board->taken = board->sent;
    board->edges_taken = board->edges_made;
    board->edges_lost = 0;
    board->outputs = held_by_resistors(board);
    board->edges[board->edges_made++ % EDGES_SIZE] = (struct virtual_edge){0, board->outputs};
    for (int n = 0; n < LINES; n++)
        board->inputs[n] = (struct input){.level = board->table[board->outputs] >> n & 1};
    box_start(board->box, board, (enum box_cause)cause);
}

uint64_t virtual_time(const struct virtual_box *box)
{
    return box->board.time;
}

static uint64_t earlier(uint64_t a, uint64_t b)
{
    return a < b ? a : b;
}

uint64_t virtual_next(struct virtual_box *box)
{
    struct board *board = &box->board;
    if (!board->powered)
        return VIRTUAL_NEVER;
    uint64_t next;
    if (!lines_next(&box->box, &next))
        next = VIRTUAL_NEVER;
    next = earlier(next, due_time(board));
    next = earlier(next, inputs_next(&board->probes));
    if (board->course.count > 0)
        next = earlier(next, board->step_ends);
    for (int n = 0; n < LINES; n++)
        if (board->inputs[n].moving)
            next = earlier(next, board->inputs[n].due);
    return next;
}

void virtual_advance(struct virtual_box *box, uint64_t until)
{
    struct board *board = &box->board;
    for (uint64_t next = virtual_next(box); next <= until && next != VIRTUAL_NEVER;
         next = virtual_next(box)) {
        board->time = next;
        readback_arrive(board);
        inputs_change(&board->probes, board->box, board->time);
        if (due_time(board) == board->time)
            begin_due(board);
        else if (board->course.count > 0 && board->step_ends <= board->time)
            next_step(board);
        box_poll(&box->box);
    }
    if (board->powered && until > board->time && until != VIRTUAL_NEVER)
        board->time = until;
}

static void poll(struct virtual_box *box)
{
    if (box->board.powered)
        box_poll(&box->box);
}

void virtual_receive(struct virtual_box *box, const uint8_t *bytes, size_t count)
{
    for (size_t i = 0; i < count && box->board.powered; i++)
        box_receive(&box->box, bytes[i]);
    poll(box);
}

void virtual_byte_input(struct virtual_box *box, const uint8_t *bytes, size_t count)
{
    for (size_t i = 0; i < count && box->board.powered; i++)
        box_byte(&box->box, bytes[i]);
    poll(box);
}

size_t virtual_take(struct virtual_box *box, uint8_t *bytes, size_t size)
{
    struct board *board = &box->board;
    size_t count = 0;
    while (count < size && board->taken != board->sent)
        bytes[count++] = board->send[board->taken++ % SEND_SIZE];
    if (count > 0)
        poll(box); /* there is room for notices again */
    return count;
}

size_t virtual_take_edges(struct virtual_box *box, struct virtual_edge *edges, size_t size)
{
    struct board *board = &box->board;
    size_t count = 0;
    while (count < size && board->edges_taken != board->edges_made)
        edges[count++] = board->edges[board->edges_taken++ % EDGES_SIZE];
    return count;
}

uint32_t virtual_edges_lost(const struct virtual_box *box)
{
    return box->board.edges_lost;
}

uint8_t virtual_outputs(const struct virtual_box *box)
{
    return box->board.outputs;
}

uint8_t virtual_readback(const struct virtual_box *box)
{
    return board_readback((struct board *)&box->board);
}

void virtual_wire(struct virtual_box *box, const uint8_t table[256], const uint32_t rise[8],
                  const uint32_t fall[8])
{
    struct board *board = &box->board;
    memcpy(board->table, table, sizeof board->table);
    memcpy(board->rise, rise, sizeof board->rise);
    memcpy(board->fall, fall, sizeof board->fall);
    readback_follow(board);
}

bool virtual_probe(struct virtual_box *box, int input, uint16_t level, uint64_t time)
{
    struct board *board = &box->board;
    uint64_t now = board->time;
    if (!inputs_add(&board->probes, (uint8_t)input, level, time > now ? time : now))
        return false;
    if (time <= now && board->powered) {
        inputs_change(&board->probes, board->box, now);
        poll(box);
    }
    return true;
}

uint16_t virtual_probe_level(const struct virtual_box *box, int input)
{
    return box->board.probes.level[input];
}

uint8_t *virtual_store(struct virtual_box *box)
{
    return box->board.store;
}

void virtual_cut_power(struct virtual_box *box, long writes)
{
    box->board.writes_left = writes;
}

bool virtual_wants_restart(const struct virtual_box *box)
{
    return box->board.wants_restart;
}
