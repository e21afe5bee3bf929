/* Settings: their ranges, their record, and the two slots that keep them. */
#include "settings.h"

#include <stddef.h>
#include <string.h>

#include "board.h"
#include "board_config.h"
#include "bytes_and_counters.h"
#include "frame.h"
#include "probes.h"
#include "strobe.h"

/* A slot: version, length of the record, count, record, CRC, in all versions. The box reads records of its
 * own version and length, and can tell others from a slot that is empty or torn. */
#define SLOT_VERSION 2
#define SLOT_COUNT_AT 2
#define SLOT_RECORD_AT 6
#define SLOT_USED (SLOT_RECORD_AT + SETTINGS_LENGTH + 2)

_Static_assert(SLOT_USED <= SLOT_LENGTH, "a slot holds a record");

/* Offsets in the record. */
enum {
    AT_NAME = 0,
    AT_WIDTH = 16,
    AT_GAP = 20,
    AT_HOLD_LIMIT = 24,
    AT_BYTE_BAUD = 28,
    AT_LINES = 32,
    AT_IDLE = 33,
    AT_OVERLAP = 34,
    AT_BYTE_MODE = 35,
    AT_STROBE = 36,
    AT_PROBES = 37,
    AT_STROBE_LEAD = 38,
    AT_STROBE_HOLD = 40,
    AT_ANALOG = 42,
    ANALOG_LENGTH = 4, /* threshold and hysteresis of one input */
    HYSTERESIS_IN_IT = 2
};

enum { /* what of a record is in memory */
    SETTINGS_IN_MEMORY = BOARD_ANALOG_INPUTS > 0 ? SETTINGS_LENGTH : AT_ANALOG
};

_Static_assert(offsetof(struct settings, lines) == AT_LINES, "as in the record");
_Static_assert(offsetof(struct settings, probes) == AT_PROBES, "as in the record");
_Static_assert(offsetof(struct settings, strobe_hold_us) == AT_STROBE_HOLD, "as in the record");
_Static_assert(sizeof(struct settings) >= SETTINGS_IN_MEMORY, "as in the record");

void settings_factory(struct settings *settings)
{
    memset(settings, 0, sizeof *settings);
    settings->width_us = 5000;
    settings->byte_baud = 115200;
    settings->lines = 0xFF;
    settings->byte_mode = BYTES_PULSE;
}

static bool name_is_lawful(const uint8_t *name)
{
    bool ended = false;
    for (uint8_t i = 0; i < NAME_LENGTH; i++) {
        bool printable = name[i] >= 0x20 && name[i] <= 0x7E;
        if (ended ? name[i] != 0 : name[i] != 0 && !printable)
            return false;
        ended = name[i] == 0;
    }
    return true;
}

/* The field that has a byte at `at`, from SETTINGS_OF_ALL on: two of one byte each, then those of two. */
static int8_t first_of_field(uint8_t at)
{
    return (int8_t)(at < AT_STROBE_LEAD ? at : at & ~1);
}

static inline bool several_bits(uint8_t bits)
{
    return (uint8_t)(bits & (uint8_t)(bits - 1)) != 0;
}

/* The strobe's fields: one line in use, which leaves others for codes, and parts that the port can time. */
static int8_t fault_of_strobe(const struct settings *new)
{
    uint8_t line = new->strobe;
    if (line == 0)
        return -1;
    if (several_bits(line) || (line & new->lines) == 0 || settings_code_lines(new) == 0)
        return AT_STROBE;
    if (new->strobe_lead_us < BOARD_LEAST_WIDTH)
        return AT_STROBE_LEAD;
    if (new->strobe_hold_us < BOARD_LEAST_WIDTH)
        return AT_STROBE_HOLD;
    return new->width_us < strobe_least_width(new) ? AT_WIDTH : -1;
}

/* What the record asks for that this box doesn't have. */
static int8_t unsupported(const uint8_t *record)
{
    const uint8_t strobe = BOARD_CAPABILITIES & CAPABILITY_STROBE ? 0xFF : 0;
    const uint8_t analog = BOARD_ANALOG_INPUTS > 0 ? 0xFF : 0;
    for (uint8_t at = SETTINGS_OF_ALL; at < SETTINGS_LENGTH; at++) {
        uint8_t allowed = at == AT_PROBES ? PROBES_OF_BOARD : at < AT_ANALOG ? strobe : analog;
        if (record[at] & (uint8_t)~allowed)
            return first_of_field(at);
    }
    return -1;
}

/* Two ways to watch one thing would tell each edge twice. On a board with one digital input, it is one of the
 * three. */
static bool probes_are_lawful(uint8_t probes)
{
    uint8_t levels = probes & 3;
    uint8_t digital = probes >> 2 & 7;
    if (levels & digital || (BOARD_DIGITAL_INPUTS == 1 && several_bits(digital)))
        return false;
    return (!(probes & PROBES_TTL_LOW) || probes & PROBES_TTL) &&
           (!(probes & PROBES_LIGHT_STEADY) || probes & PROBES_LIGHT_LEVEL);
}

#if BOARD_ANALOG_INPUTS > 0
/* Thresholds and hysteresis: where the input is watched, levels from 0 to the full scale exist on both sides
 * of the threshold. */
static int8_t fault_of_analog(const struct settings *new)
{
    for (uint8_t input = 0; input < BOARD_ANALOG_INPUTS; input++) {
        uint8_t at = (uint8_t)(AT_ANALOG + input * ANALOG_LENGTH);
        if (new->analog[input].threshold == 0 && new->probes >> input & 1)
            return (int8_t)at;
        if (new->analog[input].hysteresis > new->analog[input].threshold)
            return (int8_t)(at + HYSTERESIS_IN_IT);
    }
    return -1;
}
#endif

int8_t settings_parse(struct settings *settings, const uint8_t record[SETTINGS_LENGTH])
{
    struct settings new;
    memcpy(&new, record, SETTINGS_IN_MEMORY);
    if (!name_is_lawful(new.name))
        return AT_NAME;
    if (new.width_us < BOARD_LEAST_WIDTH || new.width_us > LONGEST_TIME)
        return AT_WIDTH;
    if (new.gap_us > LONGEST_GAP)
        return AT_GAP;
    if (new.hold_limit_us != 0 && (new.hold_limit_us < LEAST_HOLD_LIMIT || new.hold_limit_us > LONGEST_TIME))
        return AT_HOLD_LIMIT;
    if (new.byte_baud < LEAST_BYTE_BAUD || new.byte_baud > HIGHEST_BYTE_BAUD)
        return AT_BYTE_BAUD;
    if (new.lines == 0)
        return AT_LINES;
    if (new.idle > IDLE_HIGH)
        return AT_IDLE;
    if (new.overlap > OVERLAP_REFUSE)
        return AT_OVERLAP;
    if (new.byte_mode > BYTES_LIMITED)
        return AT_BYTE_MODE;
    int8_t wrong = unsupported(record);
    if (wrong >= 0)
        return (int8_t)(wrong | SETTINGS_UNSUPPORTED);
    wrong = fault_of_strobe(&new);
    if (wrong >= 0)
        return wrong;
    if (!probes_are_lawful(new.probes))
        return AT_PROBES;
#if BOARD_ANALOG_INPUTS > 0
    wrong = fault_of_analog(&new);
    if (wrong >= 0)
        return wrong;
#endif
    *settings = new;
    return -1;
}

uint8_t *settings_write(const struct settings *settings, uint8_t *record)
{
    memset(record, 0, SETTINGS_LENGTH);
    memcpy(record, settings, SETTINGS_IN_MEMORY);
    return record + SETTINGS_LENGTH;
}

static uint8_t crc_at(const uint8_t *slot)
{
    return (uint8_t)(SLOT_RECORD_AT + slot[1]);
}

static uint16_t slot_crc(const uint8_t *slot)
{
    uint16_t crc = CRC_START;
    for (uint8_t at = 0; at < crc_at(slot); at++)
        crc = frame_crc(crc, slot[at]);
    return crc;
}

static bool slot_is_whole(const uint8_t *slot)
{
    return slot[1] <= SLOT_LENGTH - SLOT_RECORD_AT - 2 &&
           bytes_get_u16(slot + crc_at(slot)) == slot_crc(slot);
}

void settings_load(struct board *board, struct settings *settings, struct settings_kept *kept)
{
    settings_factory(settings);
    *kept = (struct settings_kept){.origin = ORIGIN_FACTORY, .newest = 1};
    for (uint8_t number = 0; number < 2; number++) {
        uint8_t slot[SLOT_LENGTH];
        board_store_read(board, number, slot, SLOT_LENGTH);
        uint32_t count = bytes_get_u32(slot + SLOT_COUNT_AT);
        if (!slot_is_whole(slot) || (kept->origin != ORIGIN_FACTORY && (int32_t)(count - kept->count) <= 0))
            continue;
        uint8_t origin = number == 0 ? ORIGIN_SLOT_A : ORIGIN_SLOT_B;
        if (slot[0] != SLOT_VERSION || slot[1] != SETTINGS_LENGTH) {
            settings_factory(settings);
            origin = ORIGIN_OTHER_VERSION;
        } else if (settings_parse(settings, slot + SLOT_RECORD_AT) >= 0) {
            continue;
        }
        *kept = (struct settings_kept){.origin = origin, .newest = number, .count = count};
    }
}

bool settings_keep(struct board *board, const struct settings *settings, struct settings_kept *kept,
                   uint8_t *slot)
{
    if (kept->origin == ORIGIN_SLOT_A || kept->origin == ORIGIN_SLOT_B) {
        /* memory of both kinds wears out, so what is kept already is not written again */
        board_store_read(board, kept->newest, slot, SLOT_LENGTH);
        if (slot_is_whole(slot) && memcmp(slot + SLOT_RECORD_AT, settings, SETTINGS_IN_MEMORY) == 0)
            return true;
    }
    uint8_t number = kept->newest ^ 1;
    bytes_put_u32(bytes_put_u8(bytes_put_u8(slot, SLOT_VERSION), SETTINGS_LENGTH), kept->count + 1);
    settings_write(settings, slot + SLOT_RECORD_AT);
    bytes_put_u16(slot + crc_at(slot), slot_crc(slot));
    if (!board_store_write(board, number, slot, SLOT_USED))
        return false;
    kept->origin = number == 0 ? ORIGIN_SLOT_A : ORIGIN_SLOT_B;
    kept->newest = number;
    kept->count++;
    return true;
}
