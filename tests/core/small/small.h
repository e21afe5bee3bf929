/* A board without lines, without time and without luck: it writes down which courses the core hands it, its time is what a
 * test says, its store fails when a test says so, and its room for sending has a limit. There is one in a process. */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define SMALL_STORE_SIZE 128

/* A course as board_play() got it. */
struct small_course {
    uint64_t time;
    uint32_t repeats;
    uint16_t count;
    uint8_t rest;
    uint8_t levels[4];
    uint32_t us[4];
};

/* Starts the core with whatever the store holds, at box time 0, with room for everything. */
void small_start(int cause);

void small_set_time(uint64_t us);
void small_set_tick(uint32_t us); /* by which time goes on at each look at the clock; 0 at the start */
void small_set_store_fails(bool fails);
void small_set_room(uint16_t bytes);
void small_set_readback(uint8_t levels);
uint8_t *small_store(void);

void small_receive(const uint8_t *bytes, size_t count);
void small_byte_input(uint8_t byte);
void small_poll(void);
/* What is due next, as the board would play it, with its 32 bits of time; false: nothing. And its begin: the edge is on
 * the lines; now, or at the look at the clock that finds it to be that late. */
bool small_due(struct small_course *course);
/* What a board makes of a step that may have the strobe. */
void small_split(uint8_t levels, uint32_t us, struct small_course *parts);
void small_begin(void);
void small_begin_at(uint64_t us);
int small_arms(void); /* how often board_arm() was called */
void small_captured(uint64_t time, uint8_t levels);

/* A probe went on or off, and which are to be watched (enum probe_bit). */
void small_probe(uint64_t time, uint8_t source, bool on);
uint8_t small_probes(void);
void small_lost(uint16_t count);
void small_unsent(uint16_t count);
uint64_t small_next(void);

size_t small_take(uint8_t *bytes, size_t size);
size_t small_take_courses(struct small_course *courses, size_t size);
bool small_is_watched(void);

/* 0: no restart was asked for; 1: into the firmware; 2: into the boot loader. */
int small_restart(void);

/* Counters that no test can wait for. */
void small_set_counter(int number, uint32_t value);
void small_set_played(uint32_t steps, uint32_t rounds);
