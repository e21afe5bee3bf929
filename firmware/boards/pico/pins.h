/* Which pin of the Pico does what. The hardware files and every pin table are checked against this one.
 *
 *   line      0    1    2    3    4    5    6    7
 *   output    GP0  GP1  GP2  GP3  GP4  GP5  GP6  GP7
 *   readback  GP8  GP9  GP10 GP11 GP12 GP13 GP14 GP15
 *
 * Probes: the comparators' outputs for light, sound and TTL at GP16, GP17, GP18, next to the readback, which
 * watches them, too; the levels of light and sound at GP26 and GP27 (ADC0, ADC1).
 *
 * Both rows are contiguous, because a PIO state machine drives or samples a contiguous run of pins in one
 * clock cycle, and they fill one edge of the board. */
#pragma once

#define PIN_OUT_FIRST 0   /* line 0 is GP0 */
#define PIN_BACK_FIRST 8  /* readback 0 is GP8 */
#define PIN_PROBES_FIRST 16 /* light, sound, TTL */
#define PIN_LEVELS_FIRST 26 /* light, sound */
#define PIN_STATUS_LED 25
