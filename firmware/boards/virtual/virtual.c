#include "virtual.h"

#include <stdlib.h>
#include <string.h>

#include "board.h"
#include "box_state.h"
#include "output_engine.h"
#include "probe_inputs.h"
#include "strobe.h"

#define LINES 8
#define SEND_SIZE 8192u
#define EDGES_SIZE 65536u

/* A readback input: the level it has, and the one it is on its way to. */
struct input {
    bool level;
    bool moving; /* to the other level, reached at `due` */
    uint64_t due;
};

struct board {
    struct box *box;
    uint64_t time;
    bool powered;
    bool wants_restart;
    uint8_t serial[8];

    struct course course; /* `count` is 0 once the lines rest */
    struct step own_step; /* of a course that was due */
    uint16_t step;
    uint32_t round;
    struct step parts[STROBE_PARTS]; /* of the step that plays */
    uint8_t part;
    uint8_t part_count;
    uint64_t step_ends;  /* or the part of it */
    uint8_t outputs;

    uint8_t table[256];
    uint32_t rise[LINES];
    uint32_t fall[LINES];
    struct input inputs[LINES];
    bool watched;
    struct probe_inputs probes;

    uint8_t send[SEND_SIZE]; /* a ring: `sent` and `taken` count on without end */
    size_t sent;
    size_t taken;

    struct virtual_edge edges[EDGES_SIZE]; /* likewise */
    size_t edges_made;
    size_t edges_taken;
    uint32_t edges_lost;

    uint8_t store[VIRTUAL_STORE_SIZE];
    long writes_left; /* -1: no power cut is planned */
};

struct virtual_box {
    struct board board;
    struct box box;
};

/* Readback ----------------------------------------------------------------------------------------------- */

uint8_t board_readback(struct board *board)
{
    uint8_t levels = 0;
    for (int n = 0; n < LINES; n++)
        levels |= (uint8_t)(board->inputs[n].level << n);
    return levels;
}

static void inputs_arrive(struct board *board)
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

static void inputs_follow(struct board *board)
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
    inputs_arrive(board);
}

void board_watch(struct board *board, bool on)
{
    board->watched = on;
}

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
    inputs_follow(board);
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

/* Bytes, store, identity --------------------------------------------------------------------------------- */

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
        inputs_arrive(board);
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
    inputs_follow(board);
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
