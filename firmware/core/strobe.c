/* The strobe; the contract is in strobe.h. */
#include "strobe.h"

#include "board.h"
#include "board_config.h"

uint32_t strobe_least_width(const struct settings *settings)
{
    if (settings->strobe == 0)
        return BOARD_LEAST_WIDTH;
    return (uint32_t)settings->strobe_lead_us + settings->strobe_hold_us + BOARD_LEAST_WIDTH;
}

uint8_t strobe_split(const struct settings *settings, const struct step *step, struct step *parts)
{
    uint8_t off = strobe_off(settings, step->levels);
    parts[0] = *step;
    if (off == step->levels)
        return 1;
    parts[0] = (struct step){.levels = off, .us = settings->strobe_lead_us};
    parts[2] = (struct step){.levels = off, .us = settings->strobe_hold_us};
    parts[1] = (struct step){.levels = step->levels, .us = step->us - parts[0].us - parts[2].us};
    return STROBE_PARTS;
}
