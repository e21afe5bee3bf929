/* What the people of the lab set once for their amplifier, and how it survives without power. */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "board_config.h"
#include "messages.h"

#define NAME_LENGTH 16
#define SETTINGS_LENGTH 50 /* bytes of a settings record on the wire and in the store */
#define SLOT_LENGTH 64     /* bytes of a slot of the store */
#define SETTINGS_OF_ALL 36 /* of these, those that every box has; the rest is for strobe and probes */
#define SETTINGS_UNSUPPORTED 0x40 /* added to an offset: this box doesn't have what the field asks for */

/* The settings lie in memory as in their record, but for fields at its end that the board has no use for. */
struct settings {
    uint8_t name[NAME_LENGTH]; /* ASCII, padded with zeros */
    uint32_t width_us;         /* of a pulse */
    uint32_t gap_us;
    uint32_t hold_limit_us;    /* 0: none */
    uint32_t byte_baud;
    uint8_t lines; /* in use: bit n for line n */
    uint8_t idle;  /* enum idle_level */
    uint8_t overlap;
    uint8_t byte_mode;
    uint8_t strobe; /* the bit of its line; 0: none */
    uint8_t probes; /* enum probe_bit */
    uint16_t strobe_lead_us;
    uint16_t strobe_hold_us;
#if BOARD_ANALOG_INPUTS > 0
    struct analog { /* 65536 is the full scale */
        uint16_t threshold;
        uint16_t hysteresis;
    } analog[BOARD_ANALOG_INPUTS];
#endif
};

/* Where the settings came from, or were kept last. */
struct settings_kept {
    uint8_t origin; /* enum settings_origin */
    uint8_t newest; /* the slot that was written last; the next one goes to the other */
    uint32_t count; /* how often settings were kept in this box */
};

struct board;

void settings_factory(struct settings *settings);

/* Reads a record. Returns -1, or leaves `settings` alone and returns the offset of the first field that is
 * out of range, or with SETTINGS_UNSUPPORTED of the first one from SETTINGS_OF_ALL on that this box can't
 * do. */
int8_t settings_parse(struct settings *settings, const uint8_t record[SETTINGS_LENGTH]);

/* Lines that a code may have: those in use but the strobe. */
static inline uint8_t settings_code_lines(const struct settings *settings)
{
    return settings->lines & (uint8_t)~settings->strobe;
}

/* Writes a record and returns the place behind it. */
uint8_t *settings_write(const struct settings *settings, uint8_t *record);

/* The newer of the two slots that holds whole and sensible settings; factory values where none does, or
 * where the newer one is of another version. */
void settings_load(struct board *board, struct settings *settings, struct settings_kept *kept);

/* Writes the settings to the slot that is not the newest one. Returns false, with the old ones still kept,
 * on failure. `slot`: SLOT_LENGTH bytes to work in. */
bool settings_keep(struct board *board, const struct settings *settings, struct settings_kept *kept,
                   uint8_t *slot);
