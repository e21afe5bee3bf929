#include "small.h"

#include <string.h>

#include "board.h"
#include "box_state.h"
#include "output_engine.h"
#include "strobe.h"

#define SENT_SIZE 16384
#define COURSES 256

struct board {
    uint64_t time;
    uint32_t tick; /* by which time goes on at each look at the clock */
    uint16_t room;
    uint8_t readback;
    uint8_t outputs;
    bool store_fails;
    bool watched;
    int restart;
    int arms;
    uint64_t begin_at; /* the look at the clock at which what is due begins by itself */
    uint8_t store[SMALL_STORE_SIZE];
    uint8_t sent[SENT_SIZE];
    size_t sent_count;
    struct small_course courses[COURSES];
    size_t course_count;
    struct course prepared;
    struct course playing;     /* as it was handed over, with the core's own steps ... */
    struct small_course copy;  /* ... and a copy of them, which they have to be equal to while it plays */
};

static struct board the_board;
static struct box the_box;

/* The border, called by the core ------------------------------------------------------------------------------------ */

uint64_t board_time(struct board *board)
{
    uint64_t now = board->time;
    board->time += board->tick;
    if (board->begin_at != 0 && board->begin_at <= board->time) {
        board->begin_at = 0;
        small_begin();
    }
    return now;
}

/* The steps of a course stay unchanged until it has ended or another one was played: a board may read them at any time. */
static void check_steps(const struct board *board)
{
    const struct course *course = &board->playing;
    const struct small_course *copy = &board->copy;
    uint64_t length = 0;
    for (uint16_t n = 0; n < copy->count; n++)
        length += copy->us[n];
    if (course->repeats != 0 && board->time >= copy->time + length * course->repeats)
        return;
    for (uint16_t n = 0; n < copy->count; n++)
        if (course->steps[n].levels != copy->levels[n] || course->steps[n].us != copy->us[n])
            __builtin_trap();
}

uint64_t board_play(struct board *board, const struct course *course)
{
    check_steps(board);
    struct small_course *seen = &board->courses[board->course_count++ % COURSES];
    *seen = (struct small_course){
        .time = board->time, .repeats = course->repeats, .count = course->count, .rest = course->rest};
    for (uint16_t n = 0; n < course->count && n < 4; n++) {
        seen->levels[n] = course->steps[n].levels;
        seen->us[n] = course->steps[n].us;
    }
    board->outputs = course->count > 0 ? course->steps[0].levels : course->rest;
    board->playing = *course;
    board->copy = *seen;
    return board->time;
}

void board_prepare(struct board *board, const struct course *course)
{
    board->prepared = *course;
}

void board_arm(struct board *board)
{
    board->arms++;
}

uint8_t board_outputs(struct board *board)
{
    return board->outputs;
}

uint8_t board_readback(struct board *board)
{
    return board->readback;
}

void board_watch(struct board *board, bool on)
{
    board->watched = on;
}

uint16_t board_send_room(struct board *board)
{
    return board->room;
}

void board_send(struct board *board, const uint8_t *bytes, uint8_t count)
{
    if (count > board->room || board->sent_count + count > SENT_SIZE)
        __builtin_trap(); /* more than there was room for */
    memcpy(board->sent + board->sent_count, bytes, count);
    board->sent_count += count;
    board->room = (uint16_t)(board->room - count);
}

void board_store_read(struct board *board, uint8_t slot, uint8_t *record, uint8_t size)
{
    memcpy(record, board->store + slot * 64, size);
}

bool board_store_write(struct board *board, uint8_t slot, const uint8_t *record, uint8_t size)
{
    memcpy(board->store + slot * 64, record, board->store_fails ? size / 2u : size);
    return !board->store_fails;
}

void board_serial(struct board *board, uint8_t serial[8])
{
    (void)board;
    memcpy(serial, "smallbox", 8);
}

void board_restart(struct board *board, bool into_boot_loader)
{
    board->restart = into_boot_loader ? 2 : 1;
}

/* What a test does -------------------------------------------------------------------------------------------------- */

void small_start(int cause)
{
    uint8_t store[SMALL_STORE_SIZE];
    memcpy(store, the_board.store, sizeof store);
    memset(&the_board, 0, sizeof the_board);
    memcpy(the_board.store, store, sizeof store);
    the_board.room = SENT_SIZE;
    memset(&the_box, 0xA5, sizeof the_box); /* RAM comes up with anything in it */
    box_start(&the_box, &the_board, (enum box_cause)cause);
}

void small_set_time(uint64_t us)
{
    the_board.time = us;
}

void small_set_tick(uint32_t us)
{
    the_board.tick = us;
}

void small_set_store_fails(bool fails)
{
    the_board.store_fails = fails;
}

void small_set_room(uint16_t bytes)
{
    the_board.room = bytes;
}

void small_set_readback(uint8_t levels)
{
    the_board.readback = levels;
}

uint8_t *small_store(void)
{
    return the_board.store;
}

void small_receive(const uint8_t *bytes, size_t count)
{
    for (size_t n = 0; n < count; n++) {
        box_receive(&the_box, bytes[n]);
        check_steps(&the_board);
    }
}

void small_byte_input(uint8_t byte)
{
    box_byte(&the_box, byte);
}

void small_poll(void)
{
    box_poll(&the_box);
}

void small_split(uint8_t levels, uint32_t us, struct small_course *parts)
{
    struct step split[STROBE_PARTS];
    *parts = (struct small_course){.repeats = 1};
    parts->count = strobe_split(&the_box.settings, &(struct step){.levels = levels, .us = us}, split);
    for (uint16_t n = 0; n < parts->count; n++) {
        parts->levels[n] = split[n].levels;
        parts->us[n] = split[n].us;
    }
}

bool small_due(struct small_course *course)
{
    const struct due *due = box_due(&the_box);
    const struct course *whole = box_due_course(&the_box);
    if (due == NULL)
        return false;
    *course = (struct small_course){.time = due->at_us, .repeats = 1, .count = due->step.us > 0, .rest = due->rest};
    course->levels[0] = due->step.levels;
    course->us[0] = due->step.us;
    if (whole != NULL) {
        course->repeats = whole->repeats;
        course->count = whole->count;
        course->rest = whole->rest;
        for (uint16_t n = 0; n < whole->count; n++) {
            course->levels[n] = whole->steps[n].levels;
            course->us[n] = whole->steps[n].us;
        }
    }
    return true;
}

void small_begin(void)
{
    const struct due *due = box_due(&the_box);
    if (due == NULL)
        __builtin_trap();
    the_board.outputs = due->step.levels;
    if (box_due_course(&the_box) != NULL && box_due_course(&the_box)->steps != the_board.prepared.steps)
        __builtin_trap(); /* the port was not told before */
    the_board.copy.count = 0; /* the board has its own copy of what was due */
    box_begun(&the_box);
}

void small_begin_at(uint64_t us)
{
    the_board.begin_at = us;
}

int small_arms(void)
{
    return the_board.arms;
}

void small_captured(uint64_t time, uint8_t levels)
{
    box_captured(&the_box, time, levels);
}

void small_lost(uint16_t count)
{
    box_lost(&the_box, count);
}

void small_unsent(uint16_t count)
{
    box_unsent(&the_box, count);
}

uint64_t small_next(void)
{
    uint64_t next;
    return lines_next(&the_box, &next) ? next : UINT64_MAX;
}

size_t small_take(uint8_t *bytes, size_t size)
{
    size_t count = the_board.sent_count < size ? the_board.sent_count : size;
    memcpy(bytes, the_board.sent, count);
    memmove(the_board.sent, the_board.sent + count, the_board.sent_count - count);
    the_board.sent_count -= count;
    return count;
}

size_t small_take_courses(struct small_course *courses, size_t size)
{
    size_t count = the_board.course_count < size ? the_board.course_count : size;
    memcpy(courses, the_board.courses, count * sizeof *courses);
    the_board.course_count = 0;
    return count;
}

bool small_is_watched(void)
{
    return the_board.watched;
}

int small_restart(void)
{
    return the_board.restart;
}

void small_set_counter(int number, uint32_t value)
{
    the_box.counters[number] = value;
}

void small_set_played(uint32_t steps, uint32_t rounds)
{
    the_box.sequence.played = steps;
    the_box.sequence.rounds = rounds;
}

/* Probes ------------------------------------------------------------------------------------------------------------ */

static uint8_t watched_probes;

void board_probes(struct board *board, uint8_t probes)
{
    (void)board;
    watched_probes = probes;
}

uint8_t small_probes(void)
{
    return watched_probes;
}

void small_probe(uint64_t time, uint8_t source, bool on)
{
    box_probe(&the_box, time, source, on);
}

void board_probe_levels(struct board *board, struct probe_levels *levels)
{
    (void)board;
    *levels = (struct probe_levels){.on = PROBES_TTL, .low = {100, 200}, .high = {300, 400}};
}
