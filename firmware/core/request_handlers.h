/* What each request does. A handler gets the body of a request that is allowed now and has the right
 * length. It does what is asked and answers it, or returns the reason why not (message_output.h). */
#pragma once

#include <stdint.h>

struct box;

uint8_t handle_identify(struct box *box, uint8_t tag, const uint8_t *body);
uint8_t handle_clock(struct box *box, uint8_t tag, const uint8_t *body);
uint8_t handle_counters(struct box *box, uint8_t tag, const uint8_t *body);
uint8_t handle_levels(struct box *box, uint8_t tag, const uint8_t *body);
uint8_t handle_fate(struct box *box, uint8_t tag, const uint8_t *body);
uint8_t handle_restart(struct box *box, uint8_t tag, const uint8_t *body);
uint8_t handle_session(struct box *box, uint8_t tag, const uint8_t *body);
uint8_t handle_fate_of_number(struct box *box, uint8_t tag, const uint8_t *body);
uint8_t handle_put_out(struct box *box, uint8_t tag, const uint8_t *body);
uint8_t handle_timed(struct box *box, uint8_t tag, const uint8_t *body);
uint8_t handle_cancel(struct box *box, uint8_t tag, const uint8_t *body);
uint8_t handle_sequence_load(struct box *box, uint8_t tag, const uint8_t *body);
uint8_t handle_sequence_start(struct box *box, uint8_t tag, const uint8_t *body);
uint8_t handle_sequence_state(struct box *box, uint8_t tag, const uint8_t *body);
uint8_t handle_sequence_start_at(struct box *box, uint8_t tag, const uint8_t *body);
uint8_t handle_sequence_stop(struct box *box, uint8_t tag, const uint8_t *body);
uint8_t handle_capture_start(struct box *box, uint8_t tag, const uint8_t *body);
uint8_t handle_capture_fetch(struct box *box, uint8_t tag, const uint8_t *body);
uint8_t handle_capture_stop(struct box *box, uint8_t tag, const uint8_t *body);
uint8_t handle_settings_read(struct box *box, uint8_t tag, const uint8_t *body);
uint8_t handle_settings_write(struct box *box, uint8_t tag, const uint8_t *body);
uint8_t handle_settings_factory(struct box *box, uint8_t tag, const uint8_t *body);
uint8_t handle_settings_keep(struct box *box, uint8_t tag, const uint8_t *body);

/* Reads the marker that a pulse, pulse for or set asks for into `lines.next`, or says what is wrong with
 * it. */
uint8_t marker_read(struct box *box);
