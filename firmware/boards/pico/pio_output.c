/* The eight lines, played by PIO 0.
 *
 * There are two players. Each is a state machine that owns the eight pins, one that counts repeats, and
 * two DMA channels. While one plays, the other is loaded with the next course; a single write to the PIO's
 * control register then stops the one and starts the other. So a cut has no moment between the courses,
 * and no edge ever depends on the processor.
 *
 * The player's program, one instruction a cycle (200 a microsecond) unless a delay is given in brackets:
 *
 *    0  pull block           the resting levels ...
 *    1  mov y, osr           ... are kept in Y
 *    2  mov x, y             <- wrap target
 *    3  pull noblock         the next levels, or X, which is the rest, when nothing is left
 *    4  out pins, 8          THE EDGE, all eight lines in this cycle
 *    5  pull block     [31]  how long, in microseconds; after the resting levels it waits here for good
 *    6  mov x, osr     [31]
 *    7  nop            [31]  three times, 7 to 9
 *   10  nop            [31]
 *   11  jmp x--, 12    [3]
 *   12  jmp x--, 13          not taken for the last microsecond -> wrap
 *   13  nop            [31]  six times, 13 to 18
 *   19  jmp 12         [6]
 *
 * From edge to edge, a step of n microseconds takes 1 (instruction 4), 192 (5 to 10), 4 (11), n times 1
 * (12), n - 1 times 199 (13 to 19), and 2 (2 and 3): 200 n cycles, without an error that could add up. The
 * wrap goes from 12 to 2, which costs nothing; 13 to 19 lie behind it.
 *
 * A struct step is two words, as the program pulls them: the levels, of which `out pins, 8` takes the low
 * byte, then the time. Steps therefore go from memory to the PIO as they are. The four words of the FIFO
 * are two steps of look-ahead, at least 1 us; the DMA needs less than 20 cycles for a word, has the right
 * of way on the bus, and the steps lie in RAM. So the FIFO cannot run empty before the last step, and if
 * it did, the lines would go to rest.
 *
 * Repeats: when a pass is over, the first DMA channel hands on to the second, which moves one word into
 * the first one's read address and so begins the next pass. The word comes from the counting state
 * machine, which gives out the address of the steps as often as there are passes left; or, for ever, from
 * memory.
 *
 * Strobe: a step that has it is played as three, which are written out before the player gets them: for a
 * marker beside each player, for a sequence, of which only one can play, in a place of its own. */
#include "board_internal.h"
#include "pins.h"
#include "rp2040.h"
#include "bytes_and_counters.h"
#include "box_state.h"
#include "strobe.h"

_Static_assert(sizeof(struct step) == 8, "a step has to be the two words that the player pulls");

#define PULL_BLOCK 0x80A0
#define PULL_NOBLOCK 0x8080
#define PUSH_BLOCK 0x8020
#define MOV_X_OSR 0xA027
#define MOV_Y_OSR 0xA047
#define MOV_X_Y 0xA022
#define MOV_ISR_Y 0xA0C2
#define NOP 0xA042
#define OUT_PINS_8 0x6008
#define OUT_PINDIRS_8 0x6088
#define JMP(to) (0x0000 | (to))
#define JMP_X_DEC(to) (0x0040 | (to))
#define WAIT(cycles) ((cycles) << 8)

#define PLAYER_START 0
#define PLAYER_NEXT 2
#define PLAYER_LAST 12
#define COUNTER_START 20

static const uint16_t program[] = {
    PULL_BLOCK,             /* 0 player */
    MOV_Y_OSR,              /* 1 */
    MOV_X_Y,                /* 2 */
    PULL_NOBLOCK,           /* 3 */
    OUT_PINS_8,             /* 4 */
    PULL_BLOCK | WAIT(31),  /* 5 */
    MOV_X_OSR | WAIT(31),   /* 6 */
    NOP | WAIT(31),         /* 7 */
    NOP | WAIT(31),         /* 8 */
    NOP | WAIT(31),         /* 9 */
    NOP | WAIT(31),         /* 10 */
    JMP_X_DEC(12) | WAIT(3), /* 11 */
    JMP_X_DEC(13),          /* 12 */
    NOP | WAIT(31),         /* 13 */
    NOP | WAIT(31),         /* 14 */
    NOP | WAIT(31),         /* 15 */
    NOP | WAIT(31),         /* 16 */
    NOP | WAIT(31),         /* 17 */
    NOP | WAIT(31),         /* 18 */
    JMP(12) | WAIT(6),      /* 19 */
    PULL_BLOCK,             /* 20 counter: the address of the steps */
    MOV_Y_OSR,              /* 21 */
    PULL_BLOCK,             /* 22 passes left, less one */
    MOV_X_OSR,              /* 23 */
    MOV_ISR_Y,              /* 24 */
    PUSH_BLOCK,             /* 25 */
    JMP_X_DEC(24),          /* 26 -> wrap to 20, where it waits */
};

/* From the alarm to the edge: more than the interrupt can be masked for, its entry, and the time it takes to
 * load a player (about 2 us). Shorter than USB's margin, which it may eat up (usb.c). */
#define EARLY_US 5u

#define COUNTER(player) (2u + (player)) /* its state machine */
#define STEPS(player) (2u * (player))   /* its DMA channels */
#define AGAIN(player) (2u * (player) + 1u)

#define MARKER_STEPS 2 /* the wait for its gap, and the marker */

static struct box *the_box;
static uint32_t playing; /* player that has the lines */
static const struct step *forever[2];
static struct step marker_parts[2][MARKER_STEPS * STROBE_PARTS];
static struct step sequence_parts[BOARD_STEPS * STROBE_PARTS];
static struct course sequence_ahead; /* whose strobe is split */

static uint32_t machines(uint32_t player)
{
    return PIO_CTRL_ENABLE(player) | PIO_CTRL_ENABLE(COUNTER(player));
}

static void empty(uint32_t machine)
{
    /* A change of the way in which the two FIFOs are joined empties both. */
    SET_BITS(PIO_SHIFTCTRL(PIO0, machine), PIO_JOIN_RX);
    CLEAR_BITS(PIO_SHIFTCTRL(PIO0, machine), PIO_JOIN_RX);
}

/* Takes the player that has just lost the lines back to the beginning of its program. */
static void retire(uint32_t player)
{
    const uint32_t channels = BIT(STEPS(player)) | BIT(AGAIN(player));

    /* Off, and followed by nothing but themselves: words that are under way still arrive, and a channel
     * that is aborted then ends as if it had finished. Only the busy bit tells when that is over (erratum
     * RP2040-E13). */
    DMA_CTRL(AGAIN(player)) = DMA_THEN(AGAIN(player));
    DMA_CTRL(STEPS(player)) = DMA_THEN(STEPS(player));
    DMA_ABORT = channels;
    while ((DMA_CTRL(AGAIN(player)) | DMA_CTRL(STEPS(player))) & DMA_BUSY)
        ;
    empty(player);
    empty(COUNTER(player));
    PIO_CTRL(PIO0) = machines(playing) | PIO_CTRL_RESTART(player) | PIO_CTRL_RESTART(COUNTER(player));
    PIO_INSTR(PIO0, player) = JMP(PLAYER_START);
    PIO_INSTR(PIO0, COUNTER(player)) = JMP(COUNTER_START);
}

/* Gives the lines to the player that was loaded: the edge comes 5 cycles later. Returns what the caller has
 * to retire. Interrupts are off. */
static inline uint32_t hand_over(void)
{
    const uint32_t before = playing;

    playing = 1u - before;
    PIO_CTRL(PIO0) = machines(playing);
    return before;
}

static void feed(uint32_t player, const struct course *course)
{
    const uint32_t again = AGAIN(player), steps = STEPS(player);
    const bool once = course->repeats == 1;

    if (!once) {
        if (course->repeats) {
            PIO_TXF(PIO0, COUNTER(player)) = (uintptr_t)course->steps;
            PIO_TXF(PIO0, COUNTER(player)) = course->repeats - 2;
            DMA_READ(again) = (uintptr_t)&PIO_RXF(PIO0, COUNTER(player));
        } else {
            forever[player] = course->steps;
            DMA_READ(again) = (uintptr_t)&forever[player];
        }
        DMA_WRITE(again) = (uintptr_t)&DMA_READ_START(steps);
        DMA_COUNT(again) = 1;
        DMA_CTRL(again) = DMA_ENABLE | DMA_FIRST | DMA_WORDS | DMA_THEN(again) | DMA_QUIET |
                          DMA_PACE(course->repeats ? REQUEST_RX(0u, COUNTER(player)) : REQUEST_ALWAYS);
    }
    DMA_READ(steps) = (uintptr_t)course->steps;
    DMA_WRITE(steps) = (uintptr_t)&PIO_TXF(PIO0, player);
    DMA_COUNT(steps) = 2u * course->count;
    DMA_CTRL_START(steps) = DMA_ENABLE | DMA_FIRST | DMA_WORDS | DMA_STEP_READ |
                            DMA_THEN(once ? steps : again) | DMA_QUIET | DMA_PACE(REQUEST_TX(0u, player));
    while ((PIO_FLEVEL(PIO0) >> (8u * player) & 0xF) < 3)
        ; /* the resting levels and the first step, at least */
}

/* Makes `whole` of a course: each of its steps in the parts of a strobe, which are written to `parts`. */
static OUT_OF_LINE const struct course *split(const struct course *course, struct course *whole,
                                              struct step *parts)
{
    *whole = *course;
    whole->steps = parts;
    whole->count = 0;
    for (uint32_t n = 0; n < course->count; n++)
        whole->count += strobe_split(&the_box->settings, &course->steps[n], &parts[whole->count]);
    return whole;
}

/* Hands a course to the player that waits, whose strobe is split already. */
static inline void load(uint32_t player, const struct course *course)
{
    PIO_TXF(PIO0, player) = course->rest;
    if (course->count == 1 && course->repeats == 1) {
        PIO_TXF(PIO0, player) = course->steps[0].levels;
        PIO_TXF(PIO0, player) = course->steps[0].us;
    } else if (course->count) {
        feed(player, course);
    }
}

/* The timer is read right behind the write that starts the player, whose first edge comes 5 cycles after
 * that write: both fall into the same microsecond, but for an edge within a few cycles of a tick. The
 * interrupt, which could come between, is masked. */
static inline uint64_t play(struct board *board, const struct course *course)
{
    uint32_t before;
    uint64_t time;

    interrupts_off();
    load(1u - playing, course);
    before = hand_over();
    time = board_time(board);
    retire(before);
    interrupts_on();
    return time;
}

static OUT_OF_LINE uint64_t play_with_strobe(struct board *board, const struct course *course)
{
    struct course whole;

    if (course->count > MARKER_STEPS) /* takes a while */
        return play(board, split(course, &whole, sequence_parts));
    interrupts_off(); /* which could take this player */
    return play(board, split(course, &whole, marker_parts[1u - playing]));
}

uint64_t board_play(struct board *board, const struct course *course)
{
    if (the_box->settings.strobe != 0)
        return play_with_strobe(board, course);
    return play(board, course);
}

/* Puts out what is due within EARLY_US, and sets the alarm for the next. Interrupts are off.
 *
 * The other player is loaded while there is time; then the loop waits for the tick of the microsecond, and
 * the edge comes within 0.1 us of it. */
static void begin_due(void)
{
    for (const struct due *due; (due = box_due(the_box)) != 0;) {
        const uint32_t next = 1u - playing;
        const struct course course = {
            .steps = &due->step, .count = due->step.us > 0, .repeats = 1, .rest = due->rest};
        struct course whole;
        uint32_t before;

        TIMER_ALARM1 = due->at_us - EARLY_US;
        if ((int32_t)(due->at_us - EARLY_US - TIMER_RAW_LOW) > 0)
            return; /* read behind the write, so that the alarm can't have been missed */
        if (box_due_course(the_box) != 0)
            load(next, &sequence_ahead);
        else
            load(next, the_box->settings.strobe == 0 ? &course : split(&course, &whole, marker_parts[next]));
        while ((int32_t)(TIMER_RAW_LOW - due->at_us) < 0)
            ;
        before = hand_over();
        box_begun(the_box);
        retire(before);
    }
}

void board_prepare(struct board *board, const struct course *course)
{
    (void)board;
    sequence_ahead = *course;
    if (the_box->settings.strobe != 0)
        split(course, &sequence_ahead, sequence_parts);
}

void begin_interrupt(void)
{
    TIMER_INTR = BIT(1);
    begin_due();
}

void board_arm(struct board *board)
{
    (void)board;
    interrupts_off();
    begin_due();
    interrupts_on();
}

uint8_t board_outputs(struct board *board)
{
    (void)board;
    return (uint8_t)(PIO_PADOUT(PIO0) >> PIN_OUT_FIRST);
}

/* The pins stay inputs, as the PIO leaves reset with all of them. */
void players_start(struct box *box)
{
    the_box = box;
    for (uint32_t n = 0; n < sizeof program / sizeof *program; n++)
        PIO_MEMORY(PIO0, n) = program[n];
    for (uint32_t player = 0; player < 2; player++) {
        PIO_CLKDIV(PIO0, player) = 1UL << 16;
        PIO_EXECCTRL(PIO0, player) = PIO_WRAP(PLAYER_NEXT, PLAYER_LAST);
        PIO_SHIFTCTRL(PIO0, player) = PIO_OUT_RIGHT;
        PIO_PINCTRL(PIO0, player) = 8UL << 20 | PIN_OUT_FIRST;
        PIO_CLKDIV(PIO0, COUNTER(player)) = 1UL << 16;
        PIO_EXECCTRL(PIO0, COUNTER(player)) = PIO_WRAP(COUNTER_START, sizeof program / sizeof *program - 1);
        PIO_SHIFTCTRL(PIO0, COUNTER(player)) = PIO_OUT_RIGHT;
    }
    for (uint32_t pin = PIN_OUT_FIRST; pin < PIN_OUT_FIRST + 8; pin++)
        GPIO_CTRL(pin) = GPIO_FUNCTION_PIO0;
    playing = 1;
    retire(0);
    playing = 0;
    retire(1);
    PIO_CTRL(PIO0) = machines(0);
}

/* By the player that waits, so that all eight begin in the same cycle. */
void players_drive(void)
{
    const uint32_t waiting = 1u - playing;

    PIO_TXF(PIO0, waiting) = 0xFF;
    PIO_INSTR(PIO0, waiting) = PULL_BLOCK;
    PIO_INSTR(PIO0, waiting) = OUT_PINDIRS_8; /* written ones leave it at the start of its program */
}
