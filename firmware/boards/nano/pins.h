/* Which pin of the Nano or Uno does what. The hardware files and every pin table are checked against this
 * one.
 *
 *   line      0   1   2   3   4   5   6   7
 *   output    D2  D3  D4  D5  D6  D7  D8  D9      PD2..PD7, PB0, PB1
 *   readback  A0  A1  A2  A3  A4  A5  D10 D11     PC0..PC5, PB2, PB3
 *
 * Lines 0 to 5 share port D and lines 6 and 7 share port B, so that two port writes move all eight. D0 and
 * D1 stay with the serial chip. The readback keeps the same split over two ports and leaves A6 and A7
 * alone, which have no digital input. */
#pragma once

#define PIN_OUT_D_SHIFT 2    /* line 0 is PD2 */
#define PIN_OUT_D_MASK 0xFC  /* lines 0 to 5 */
#define PIN_OUT_B_SHIFT 6    /* line 6 is PB0 */
#define PIN_OUT_B_MASK 0x03  /* lines 6 and 7 */

#define PIN_BACK_C_MASK 0x3F /* readback 0 to 5 are PC0..PC5 */
#define PIN_BACK_B_SHIFT 4   /* readback 6 is PB2: (PINB & mask) << 4 gives bits 6 and 7 */
#define PIN_BACK_B_MASK 0x0C

#define PIN_BYTE_JUMPER 4    /* PB4 = D12, to ground at power-up for byte input ... */
#define PIN_PROBE 4          /* ... or, where the kept settings watch one, a probe */
#define PIN_PROBE_LEVEL 6    /* A6: the level of a probe */
#define PIN_STATUS_LED 5     /* PB5 = D13 */
