// The reasons for a refusal (section 4.4 of the protocol) in words: what happened and what to do next.

/** @typedef {{ name: string, what: (detail: number) => string, next: string }} Reason */

/** @param {number} us */
const ms = (us) => us < 1000 ? `${us} µs` : `${us / 1000} ms`;

/**
 * Line numbers of a code, as a text.
 * @param {number} code
 */
export function lineNumbers(code) {
  return [0, 1, 2, 3, 4, 5, 6, 7].filter((line) => code >> line & 1).join(', ');
}

const OUR_FAULT = 'This is an error of the client or of the box. Please report it.';

/** @type {Record<number, Reason>} */
const REASONS = {
  1: { name: 'unknown request', what: () => 'the box does not know this request', next: 'Update the firmware of the box.' },
  2: { name: 'wrong length', what: (length) => `the body of the request has ${length} bytes, which is wrong`, next: OUR_FAULT },
  3: { name: 'version', what: (major) => `the box speaks version ${major} of the protocol`, next: 'Update the box or this package.' },
  4: { name: 'tag zero', what: () => 'the request had tag 0', next: OUR_FAULT },
  5: {
    name: 'tag repeated',
    what: () => 'the box has had this tag, or a later one, already',
    next: 'Make sure that no other program uses the box.',
  },
  6: {
    name: 'outside lines',
    what: (lines) => `the code needs a line that is not in use for codes, or that is the strobe (lines for codes: ${lineNumbers(lines)})`,
    next: 'Use a code of these lines alone, or change lines or strobe with `tallymark settings`.',
  },
  7: {
    name: 'width range',
    what: (limit) => `the width or hold time is beyond the limit of this box, ${ms(limit)}`,
    next: 'Use a time within the limit.',
  },
  8: {
    name: 'overlap',
    what: (left) => `an earlier pulse is out for another ${ms(left)}, and the box is set to refuse an overlap`,
    next: 'Send markers further apart, use shorter pulses, or set the overlap to cut with `tallymark settings`.',
  },
  9: {
    name: 'waiting',
    what: (left) => `another marker waits for its gap, another ${ms(left)}`,
    next: 'Send markers further apart, or set a shorter gap with `tallymark settings`.',
  },
  10: { name: 'playing', what: () => 'a sequence plays', next: 'Wait for its end, or stop it first.' },
  11: {
    name: 'sequence order',
    what: (next) => `a step is missing: the box expects step ${next}`,
    next: 'Load the whole sequence again.',
  },
  12: { name: 'sequence full', what: (steps) => `the box holds ${steps} steps`, next: 'Use fewer steps.' },
  13: { name: 'sequence empty', what: () => 'no sequence is loaded', next: 'Load a sequence first.' },
  14: {
    name: 'sequence long',
    what: (most) => `so many steps can be repeated ${most} times at most`,
    next: 'Use fewer repeats.',
  },
  15: { name: 'value range', what: (offset) => `byte ${offset} of the request has a value that it can't have`, next: OUR_FAULT },
  16: {
    name: 'lines busy',
    what: (left) => `the lines have to be idle for this${left ? `; the gap is over in ${ms(left)}` : ''}`,
    next: 'Wait until the last marker is over.',
  },
  17: {
    name: 'store failed',
    what: () => 'the memory of the box did not take the settings',
    next: 'Try again; then have the box repaired.',
  },
  18: { name: 'unsupported', what: () => "this board can't do that", next: 'Use another kind of box.' },
  19: {
    name: 'cancelled',
    what: () => 'it was taken back, or the lines were set to idle or the box restarted while it waited',
    next: 'Set the lines to idle only when no marker waits for its gap.',
  },
  20: { name: 'bytes off', what: () => 'the byte input is switched off', next: 'Switch it on with `tallymark settings`.' },
  21: { name: 'no marker', what: () => 'byte 0 is no pulse', next: 'Send bytes from 1 to 255.' },
  22: {
    name: 'late',
    what: (late) => `it would have been ${ms(late)} late`,
    next: 'Send it earlier, or give it more time.',
  },
  23: {
    name: 'taken',
    what: () => 'it is in the way of a marker that was given ahead, or one is in its way',
    next: 'Leave more time between them, or cancel the other one.',
  },
  24: { name: 'places', what: (places) => `the box holds ${places} markers ahead`, next: 'Wait for one of them, or cancel one.' },
};

/**
 * The reason with this number, also for numbers that a later minor version may bring.
 * @param {number} number
 * @returns {Reason}
 */
export function reason(number) {
  return REASONS[number] ?? {
    name: `reason ${number}`,
    what: () => `reason ${number}, which this package does not know`,
    next: 'Update this package.',
  };
}
