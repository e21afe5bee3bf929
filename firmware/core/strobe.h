/* The strobe: a line that says when the others are valid, active from a lead after the code's edge to a hold
 * before its end. */
#pragma once

#include <stdint.h>

#include "settings.h"

struct step;

/* Levels with the strobe's line at idle. They are the same where it is not active, or no line is one. */
static inline uint8_t strobe_off(const struct settings *settings, uint8_t levels)
{
    uint8_t line = settings->strobe;
    return settings->idle == IDLE_HIGH ? levels | line : levels & (uint8_t)~line;
}

/* The least time for which a code has to be out, so that each part of it lasts BOARD_LEAST_WIDTH. */
uint32_t strobe_least_width(const struct settings *settings);

enum { STROBE_PARTS = 3 };

/* Splits a step into what the lines do: itself, or three parts where it has the strobe active. Returns how
 * many there are. */
uint8_t strobe_split(const struct settings *settings, const struct step *step, struct step *parts);
