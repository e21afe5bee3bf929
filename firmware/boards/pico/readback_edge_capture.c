/* The eight readback inputs and the three of probes beside them, watched by PIO 1 and stamped by the DMA.
 *
 * The state machine looks at the inputs every 5 cycles (25 ns). When they changed it hands their levels to
 * the DMA and looks again 38 cycles (0.2 us) after that. One DMA channel writes the levels into a ring,
 * then hands on to a second one that writes the timer beside them: a change is stamped within 0.2 us,
 * whatever the processor does.
 *
 * The loop empties the rings. They hold 1,024 changes, which at the rate of the state machine take at
 * least 190 us to come in; the loop comes by far more often, and from the timer's interrupt while the
 * flash is written, so nothing is overwritten. */
#include "board_internal.h"
#include "bytes_and_counters.h"
#include "messages.h"
#include "pins.h"
#include "rp2040.h"

#define MOV_ISR_NULL 0xA0C3
#define IN_PINS_11 0x400B
#define MOV_X_ISR 0xA026
#define MOV_Y_X 0xA041
#define JMP(to) (0x0000 | (to))
#define JMP_X_NOT_Y(to) (0x00A0 | (to))
#define PUSH_NOBLOCK 0x8000
#define PULL_BLOCK 0x80A0
#define MOV_Y_OSR 0xA047
#define WAIT(cycles) ((cycles) << 8)

static const uint16_t program[] = {
    MOV_ISR_NULL,            /* 0 */
    IN_PINS_11,              /* 1 */
    MOV_X_ISR,               /* 2 */
    JMP_X_NOT_Y(5),          /* 3 */
    JMP(0),                  /* 4 */
    MOV_Y_X,                 /* 5 */
    PUSH_NOBLOCK | WAIT(31), /* 6 -> wrap to 0 */
};

#define RING_LOG2 10
#define RING (1u << RING_LOG2)
#define LEVELS 4u /* DMA channels */
#define TIMES 5u

static uint32_t levels[RING] __attribute__((aligned(RING * 4)));
static uint32_t times[RING] __attribute__((aligned(RING * 4)));
static uint32_t taken; /* entries of the rings that the core has seen */
#define PROBE_INPUTS 3u

static bool running;  /* any input is watched: */
static bool watching; /* the readback */
static uint8_t probes; /* enum probe_bit: those that are watched */
static uint32_t seen;  /* levels of all inputs behind the last change */
static uint8_t looked_at; /* levels that the core was told last, other than by a change */
static struct box *core;

void readback_start(struct box *box)
{
    core = box;
    const uint32_t ring = DMA_ENABLE | DMA_FIRST | DMA_WORDS | DMA_STEP_WRITE |
                          DMA_RING_WRITE(RING_LOG2 + 2) | DMA_QUIET;

    for (uint32_t n = 0; n < sizeof program / sizeof *program; n++)
        PIO_MEMORY(PIO1, n) = program[n];
    PIO_CLKDIV(PIO1, 0) = 1UL << 16;
    PIO_EXECCTRL(PIO1, 0) = PIO_WRAP(0, sizeof program / sizeof *program - 1);
    PIO_SHIFTCTRL(PIO1, 0) = 0; /* shift to the left: the inputs end in the low bits */
    /* open collectors, which the pull-downs of a reset would hold at half of their level */
    for (uint32_t n = 0; n < PROBE_INPUTS; n++)
        PAD(PIN_PROBES_FIRST + n) = PAD_INPUT | PAD_PULL_UP | PAD_SCHMITT;
    PIO_PINCTRL(PIO1, 0) = (uint32_t)PIN_BACK_FIRST << 15;

    DMA_READ(TIMES) = (uintptr_t)&TIMER_RAW_LOW;
    DMA_WRITE(TIMES) = (uintptr_t)times;
    DMA_COUNT(TIMES) = 1;
    DMA_CTRL(TIMES) = ring | DMA_THEN(LEVELS) | DMA_PACE(REQUEST_ALWAYS);
    DMA_READ(LEVELS) = (uintptr_t)&PIO_RXF(PIO1, 0);
    DMA_WRITE(LEVELS) = (uintptr_t)levels;
    DMA_COUNT(LEVELS) = 1;
    DMA_CTRL_START(LEVELS) = ring | DMA_THEN(TIMES) | DMA_PACE(REQUEST_RX(1u, 0u));
}

uint8_t board_readback(struct board *board)
{
    (void)board;
    looked_at = (uint8_t)(SIO_GPIO_IN >> PIN_BACK_FIRST);
    return looked_at;
}

static uint32_t written(void)
{
    return (DMA_WRITE(TIMES) - (uintptr_t)times) / 4 % RING;
}

/* Levels of light, sound and TTL: comparators are low while it is light or loud. */
static uint32_t probes_on(uint32_t pins)
{
    return pins ^ (probes & PROBES_TTL_LOW ? 7u : 3u);
}

/* The core hears of those changes that are watched. */
static void tell(uint64_t time, uint32_t now)
{
    const uint32_t changed = now ^ seen;
    const uint32_t on = probes_on(now >> 8);

    seen = now;
    if (watching && changed & 0xFF)
        box_captured(core, time, (uint8_t)now);
    for (uint32_t n = 0; n < PROBE_INPUTS; n++)
        if (changed & BIT(8 + n) && probes & PROBES_LIGHT_EDGE << n)
            box_probe(core, time, (uint8_t)(SOURCE_LIGHT_EDGE + n), on & BIT(n));
}

static OUT_OF_LINE void tell_all(void)
{
    while (taken != written()) {
        const uint64_t now = board_time(0);
        const uint32_t ago = (uint32_t)now - times[taken];

        tell(now - ago, levels[taken]);
        taken = (taken + 1) % RING;
    }
}

bool readback_waits(void)
{
    return running && taken != written();
}

/* Tells the core of all changes until now. */
void readback_drain(void)
{
    if (readback_waits())
        tell_all();
}

bool readback_runs(void)
{
    return running;
}

static void stop(void)
{
    PIO_CTRL(PIO1) = 0;
    readback_drain();
}

/* Watching begins from these levels: a change between them and now counts as one. */
static void start(uint32_t from)
{
    running = watching || probes & PROBES_DIGITAL;
    if (!running)
        return;
    seen = from;
    taken = written();
    PIO_CTRL(PIO1) = PIO_CTRL_RESTART(0);
    PIO_TXF(PIO1, 0) = from;
    PIO_INSTR(PIO1, 0) = PULL_BLOCK;
    PIO_INSTR(PIO1, 0) = MOV_Y_OSR;
    PIO_INSTR(PIO1, 0) = JMP(0);
    PIO_CTRL(PIO1) = PIO_CTRL_ENABLE(0);
}

static uint32_t probe_pins(void)
{
    return SIO_GPIO_IN >> PIN_PROBES_FIRST & 7u;
}

/* From the levels that the core was told of; probes that are watched go on from theirs. */
void board_watch(struct board *board, bool on)
{
    (void)board;
    stop();
    watching = on;
    start((probes & PROBES_DIGITAL ? seen & ~0xFFu : probe_pins() << 8) | looked_at);
}

void board_probes(struct board *board, uint8_t wanted)
{
    (void)board;
    stop();
    probes = wanted;
    start(probe_pins() << 8 | (watching ? seen & 0xFF : 0));
    if (wanted & PROBES_ANALOG)
        probe_levels_start();
    else
        probe_levels_stop();
}

uint8_t probe_pins_on(void)
{
    return (uint8_t)(probes_on(probe_pins()) << 2);
}
