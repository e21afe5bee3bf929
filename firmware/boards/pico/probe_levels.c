/* The levels of light and sound: two analog inputs in turn, 200,000 samples a second, which the DMA writes
 * into a ring. The loop looks at a few at a time.
 *
 * The converter has the clock of the timer, so a sample's time follows from its number: the samples of one
 * input are 10 us apart, and nothing drifts. The ring holds 10 ms of them. The loop comes far more often, and
 * the interrupt of the timer while the flash is written. */
#include <string.h>

#include "board_internal.h"
#include "box_state.h"
#include "bytes_and_counters.h"
#include "pins.h"
#include "rp2040.h"

#define RING_LOG2 11
#define RING (1u << RING_LOG2)
#define ONE 6u /* DMA channels: each begins the other when it has written so many, a multiple of the ring */
#define OTHER 7u
#define IN_A_ROW 0x40000000UL
#define CONVERSION_US 5u
#define CYCLES_OF_CONVERSION 240u /* of 48 MHz */
#define INTERVAL_US 10u           /* from one sample of an input to its next */
#define INPUTS 2u
#define TO_LEVEL 4 /* 12 bits to 16 */
#define REST_LOG2 14 /* the rest of a sound is its mean over some 2^14 samples, 0.16 s */
#define FEW 16u /* samples that are looked at before the DMA is asked again */
#define RING_US 9000u /* in which it fills up, nearly */
#define SNIPPET_MOST 2048u

struct range {
    uint16_t low;
    uint16_t high;
};

/* A sample is looked at in pieces, between which the loop may go on with something else. */
enum piece { TAKE_SAMPLE, LOOK_AT_LEVEL, TELL_CORE };

static uint32_t ring[RING] __attribute__((aligned(RING * 4)));
bool probe_levels_run;
static struct {
    uint8_t next;       /* enum piece */
    uint8_t input;      /* of the sample: */
    uint16_t level;     /* of the sound, how far it is from its rest */
    uint32_t place;     /* in the ring, of the sample that comes next */
    uint32_t known_end; /* samples have come in up to here, at least */
    struct probe_level *probes;
    struct range now[INPUTS];
    struct range before[INPUTS];
    uint32_t rounds;    /* of the ring, that were looked at to their end */
    uint32_t looked_us; /* timer when the loop had last seen all that had come in */
    uint64_t started;   /* box time of the first sample */
    int32_t rest;       /* of the sound, in 2^16ths of a step of the converter */
    bool rest_known;
} work;
static struct {
    uint16_t samples[SNIPPET_MOST];
    uint64_t time;
    uint16_t taken;
    uint8_t input;
    uint8_t every; /* 0: none was taken */
    uint8_t left_out;
} snippet;
static struct box *core;

static void ring_start(void)
{
    const uint32_t control = DMA_ENABLE | DMA_WORDS | DMA_STEP_WRITE | DMA_RING_WRITE(RING_LOG2 + 2) |
                             DMA_QUIET | DMA_PACE(REQUEST_ADC);

    for (uint32_t channel = ONE; channel <= OTHER; channel++) {
        DMA_READ(channel) = (uintptr_t)&ADC_FIFO;
        DMA_WRITE(channel) = (uintptr_t)ring;
        DMA_COUNT(channel) = IN_A_ROW;
    }
    DMA_CTRL(OTHER) = control | DMA_THEN(ONE);
    DMA_CTRL_START(ONE) = control | DMA_THEN(OTHER);
}

void probe_levels_of(struct box *box)
{
    core = box;
}

void probe_levels_start(void)
{
    if (probe_levels_run)
        return;
    CLK_ADC_DIV = 1UL << 8;
    CLK_ADC_CTRL = BIT(11); /* from the PLL of USB */
    CLEAR_BITS(RESETS_RESET, RESET_ADC);
    while (!(RESETS_DONE & RESET_ADC))
        ;
    for (uint32_t n = 0; n < INPUTS; n++)
        PAD(PIN_LEVELS_FIRST + n) = PAD_OUTPUT_OFF; /* nor pulls nor a digital input */
    ADC_CS = ADC_ENABLE;
    while (!(ADC_CS & ADC_READY))
        ;
    ADC_DIV = (CYCLES_OF_CONVERSION - 1) << 8;
    ADC_FCS = ADC_FIFO_ENABLE | ADC_FIFO_REQUESTS | ADC_FIFO_FROM(1);
    ring_start();
    memset(&work, 0, sizeof work);
    work.probes = core->probes.levels;
    for (uint32_t n = 0; n < INPUTS; n++)
        work.now[n] = work.before[n] = (struct range){.low = UINT16_MAX, .high = 0};
    probe_levels_run = true;
    work.started = board_time(0);
    work.looked_us = (uint32_t)work.started;
    ADC_CS = ADC_ENABLE | ADC_ROUND_ROBIN(3) | ADC_START_MANY;
}

void probe_levels_stop(void)
{
    if (!probe_levels_run)
        return;
    probe_levels_run = false;
    snippet.every = 0;
    ADC_CS = 0;
    DMA_CTRL(ONE) = DMA_THEN(ONE); /* off, and followed by nothing but themselves */
    DMA_CTRL(OTHER) = DMA_THEN(OTHER);
    DMA_ABORT = BIT(ONE) | BIT(OTHER);
    while ((DMA_CTRL(ONE) | DMA_CTRL(OTHER)) & DMA_BUSY)
        ;
    SET_BITS(RESETS_RESET, RESET_ADC);
}

/* Of the sample that was looked at last. */
static uint64_t time_of_sample(void)
{
    return work.started + ((uint64_t)work.rounds * RING + work.place - 1) * CONVERSION_US;
}

static OUT_OF_LINE void into_snippet(uint16_t sample)
{
    if (snippet.left_out-- > 0)
        return;
    snippet.left_out = snippet.every - 1;
    if (snippet.taken == 0)
        snippet.time = time_of_sample();
    snippet.samples[snippet.taken++] = (uint16_t)(sample << TO_LEVEL);
}

/* How far a sample of the sound is from its rest. */
static uint16_t distance(uint16_t sample)
{
    const int32_t fine = (int32_t)sample << 16;

    if (!work.rest_known)
        work.rest = fine;
    work.rest_known = true;
    work.rest += (fine - work.rest) >> REST_LOG2;
    const int32_t apart = (int32_t)sample - ((work.rest + 0x8000) >> 16);
    return (uint16_t)(apart < 0 ? -apart : apart);
}

static OUT_OF_LINE void take_sample(void)
{
    const uint32_t input = work.place & 1;
    const uint16_t sample = (uint16_t)ring[work.place] & 0xFFF;

    work.place++;
    work.input = (uint8_t)input;
    work.level = (uint16_t)((input == INPUT_SOUND ? distance(sample) : sample) << TO_LEVEL);
    work.next = LOOK_AT_LEVEL;
    if (snippet.every != 0 && snippet.input == input && snippet.taken < SNIPPET_MOST)
        into_snippet(sample);
}

static OUT_OF_LINE void look_at_level(void)
{
    struct range *range = &work.now[work.input];
    const uint16_t level = work.level;

    if (level < range->low)
        range->low = level;
    if (level > range->high)
        range->high = level;
    work.next = probe_wants(&work.probes[work.input], level) ? TELL_CORE : TAKE_SAMPLE;
}

static OUT_OF_LINE void tell_core(void)
{
    /* a change came half an interval ago, in the mean */
    const bool first = work.rounds == 0 && work.place <= INPUTS;
    const uint64_t time = time_of_sample() - (first ? 0 : INTERVAL_US / 2);

    work.next = TAKE_SAMPLE;
    box_probe_level(core, time, work.input, work.level);
}

static void round_is_over(void)
{
    work.rounds++;
    work.place = 0;
    for (uint32_t n = 0; n < INPUTS; n++) {
        work.before[n] = work.now[n];
        work.now[n] = (struct range){.low = UINT16_MAX, .high = 0};
    }
}

static uint32_t written(void)
{
    const uint32_t channel = DMA_CTRL(ONE) & DMA_BUSY ? ONE : OTHER;

    return (DMA_WRITE(channel) - (uintptr_t)ring) / 4 % RING;
}

/* Samples may have been overwritten. */
static OUT_OF_LINE bool begin_anew(void)
{
    probe_levels_stop();
    probe_levels_start();
    box_probe_missed(core);
    return true;
}

/* Whether there are samples. */
static OUT_OF_LINE bool ask_dma(void)
{
    const uint32_t time = TIMER_RAW_LOW;

    if (work.place == RING)
        round_is_over();
    if (time - work.looked_us > RING_US)
        return begin_anew();
    const uint32_t end = written();
    const uint32_t waiting = (end - work.place) % RING;
    if (waiting <= FEW)
        work.looked_us = time;
    work.known_end = work.place + (waiting <= FEW ? waiting : FEW);
    if (work.known_end > RING)
        work.known_end = RING;
    return waiting > 0;
}

bool probe_levels_work(void)
{
    if (work.next == LOOK_AT_LEVEL)
        look_at_level();
    else if (work.next == TELL_CORE)
        tell_core();
    else if (work.place == work.known_end)
        return ask_dma();
    else
        take_sample();
    return true;
}

void board_probe_levels(struct board *board, struct probe_levels *levels)
{
    (void)board;
    levels->on = probe_pins_on();
    if (!probe_levels_run)
        probe_levels_start();
    for (uint32_t n = 0; n < INPUTS; n++) {
        levels->low[n] = work.now[n].low < work.before[n].low ? work.now[n].low : work.before[n].low;
        levels->high[n] = work.now[n].high > work.before[n].high ? work.now[n].high : work.before[n].high;
        if (levels->low[n] > levels->high[n])
            levels->low[n] = 0; /* no sample yet */
    }
}

void board_snippet_take(struct board *board, uint8_t input, uint8_t every)
{
    (void)board;
    if (!probe_levels_run)
        probe_levels_start();
    snippet.every = every;
    snippet.input = input;
    snippet.taken = 0;
    snippet.left_out = 0;
}

uint8_t board_snippet_read(struct board *board, uint16_t first, struct snippet *told, uint16_t *samples,
                           uint8_t most)
{
    uint8_t count = 0;

    (void)board;
    told->taken = snippet.every == 0 ? 0 : snippet.taken;
    told->interval_us = snippet.every * INTERVAL_US;
    told->time_us = told->taken == 0 ? 0 : snippet.time + (uint64_t)first * told->interval_us;
    for (; count < most && first + count < told->taken; count++)
        samples[count] = snippet.samples[first + count];
    return count;
}
