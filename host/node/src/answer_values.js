// Answers and notices in the terms of this package: words for numbers, and box times as Numbers.

import { microseconds } from './field_codecs.js';
import { NO_EDGE, NOTHING_CUT } from './message_codecs.js';
import { reason } from './reasons.js';

/**
 * Who a box is.
 * @typedef {object} Identity
 * @property {string} board `virtual`, `nano`, `pico`, or `board N` for one that this package does not know
 * @property {string} firmware version, for instance `0.1.0`
 * @property {string} protocol version, for instance `2.0`
 * @property {string} serial number, hexadecimal
 * @property {string} name what the people of the lab call it
 * @property {string} cause why it started last
 * @property {number} steps longest sequence
 * @property {number} places how many markers ahead it holds
 * @property {number} leastLead how long before its time a marker ahead has to reach the box, µs
 * @property {number} leastWidth µs
 * @property {number} longestWidth µs
 * @property {string[]} capabilities what it can do beyond what all boxes can: `boot loader`, `readback`, `byte port`, `byte serial`,
 *   `ahead`, `strobe`, `digital`, `analog`, `start at` (section 4.2 of the protocol, `identity`)
 */

/**
 * The settings in force, as far as they concern markers. Change them with `tallymark settings`.
 * @typedef {object} Settings
 * @property {number} width of a pulse without one of its own, µs
 * @property {number} gap shortest idle time between two markers, µs; 0: none
 * @property {number} holdLimit a held code goes to idle when the computer is silent for so long, µs; 0: never
 * @property {number} lines in use: bit n for line n
 * @property {'low' | 'high'} idle level
 * @property {'cut' | 'refuse'} overlap what happens to a marker that comes while a pulse is out
 * @property {number | null} strobe the line that says when a code is valid; null: none. A code that has it is refused
 * @property {number} strobeLead from the code to the strobe, µs
 * @property {number} strobeHold from the strobe's end to the code's, µs
 */

/**
 * Levels of all lines: bit n is 1 where line n is high. Not codes: with `idle` high, code 0 is 255 here.
 * @typedef {object} Levels
 * @property {number} time box time, µs
 * @property {number} outputs that the box drives
 * @property {number} readback that come back
 */

/**
 * What the box has counted since it started.
 * @typedef {object} Counters
 * @property {number} time box time, µs
 * @property {number} frames good ones that came in
 * @property {number} framesBroken
 * @property {number} refused requests, cancelled markers included
 * @property {number} markers put out; a sequence counts as one
 * @property {number} bytes on the byte input
 * @property {number} edgesLost by a capture
 * @property {number} messagesLost answers and notices that could not be sent
 * @property {number} inputLost bytes that came in and were lost
 * @property {number} notices that it had to say, those that it could not send included
 */

/**
 * @typedef {object} SequenceState
 * @property {'empty' | 'loaded' | 'playing' | 'ended' | 'stopped' | 'waiting'} state
 * @property {number} steps loaded
 * @property {number} repeats as started; 0: until stopped
 * @property {number} played steps begun since the start
 * @property {number} started box time of the first edge, µs
 * @property {number} ended box time at which the lines went to idle, µs; 0 while it plays
 */

/**
 * A byte that came in on the byte input.
 * @typedef {object} ByteMarker
 * @property {number} time box time of the edge or the refusal, µs
 * @property {number} byte
 * @property {string | null} refused the reason; null: it went out
 * @property {number | null} cut how long the earlier pulse lasted that it cut, µs; null: none was cut
 * @property {number} delay by the gap, µs
 * @property {boolean} noEdge the lines had the levels of this code already, so that none of them changed
 */

/** @typedef {Record<string, any>} Fields of a message, with the names of the protocol */

const BOARDS = ['', 'virtual', 'nano', 'pico'];
const CAUSES = ['', 'power', 'reset pin', 'watchdog', 'brown-out', 'asked', 'unknown'];
/** How each probe is watched, by its bits in `probes` of the settings (section 6.3). @type {Record<number, string>} */
const LIGHT_PROBES = { 0x01: 'level', 0x41: 'steady', 0x04: 'edge' };
/** @type {Record<number, string>} */
const SOUND_PROBES = { 0x02: 'level', 0x08: 'edge' };
/** @type {Record<number, string>} */
const TTL_PROBES = { 0x10: 'high', 0x30: 'low' };
const CAPABILITIES = ['boot loader', 'readback', 'byte port', 'byte serial', 'ahead', 'strobe', 'digital', 'analog', 'start at'];
const BYTE_MODES = ['off', 'pulse', 'set', 'limited'];
const STATES = /** @type {const} */ (['empty', 'loaded', 'playing', 'ended', 'stopped', 'waiting']);

/**
 * Why a box started.
 * @param {number} cause
 */
export function causeOf(cause) {
  return CAUSES[cause] ?? 'unknown';
}

/** @type {(fields: Fields) => Identity} */
export function identity(fields) {
  return {
    board: BOARDS[fields.board] || `board ${fields.board}`,
    firmware: fields.firmware.join('.'),
    protocol: `${fields.major}.${fields.minor}`,
    serial: fields.serial,
    name: fields.name,
    cause: causeOf(fields.cause),
    steps: fields.steps,
    places: fields.places,
    leastLead: fields.least_lead,
    leastWidth: fields.least_width,
    longestWidth: fields.longest_width,
    capabilities: CAPABILITIES.filter((_, bit) => fields.capabilities >> bit & 1),
  };
}

/** @type {(record: Fields) => Settings} */
export function settings(record) {
  return {
    width: record.width,
    gap: record.gap,
    holdLimit: record.hold_limit,
    lines: record.lines,
    idle: record.idle ? 'high' : 'low',
    overlap: record.overlap ? 'refuse' : 'cut',
    strobe: record.strobe ? Math.log2(record.strobe) : null,
    strobeLead: record.strobe_lead,
    strobeHold: record.strobe_hold,
  };
}

/** The settings in force as a marker log has them. @type {(record: Fields) => Record<string, string | number>} */
export function loggedSettings(record) {
  return {
    name: record.name, width_us: record.width, gap_us: record.gap, hold_limit_us: record.hold_limit, byte_baud: record.byte_baud,
    lines: record.lines, idle: record.idle ? 'high' : 'low', overlap: record.overlap ? 'refuse' : 'cut',
    byte_mode: BYTE_MODES[record.byte_mode] ?? String(record.byte_mode),
    strobe: record.strobe, strobe_lead_us: record.strobe_lead, strobe_hold_us: record.strobe_hold,
    light: LIGHT_PROBES[record.probes & 0x45] ?? 'off', sound: SOUND_PROBES[record.probes & 0x0A] ?? 'off',
    ttl: TTL_PROBES[record.probes & 0x30] ?? 'off',
    light_threshold: record.threshold_a, light_hysteresis: record.hysteresis_a,
    sound_threshold: record.threshold_b, sound_hysteresis: record.hysteresis_b,
  };
}

/** @type {(fields: Fields) => Levels} */
export function levels({ time, outputs, readback }) {
  return { time: microseconds(time), outputs, readback };
}

/** @type {(fields: Fields) => Counters} */
export function counters(fields) {
  return {
    time: microseconds(fields.time),
    frames: fields.frames,
    framesBroken: fields.frames_broken,
    refused: fields.refused,
    markers: fields.markers,
    bytes: fields.bytes,
    edgesLost: fields.edges_lost,
    messagesLost: fields.messages_lost,
    inputLost: fields.input_lost,
    notices: fields.notices,
  };
}

/** @type {(fields: Fields) => SequenceState} */
export function sequenceState({ state, steps, repeats, played, started, ended }) {
  return { state: STATES[state], steps, repeats, played, started: microseconds(started), ended: microseconds(ended) };
}

/** @type {(fields: Fields) => ByteMarker} */
export function byteMarker({ time, byte, reason: number, lasted, delay, notes }) {
  return {
    time: microseconds(time),
    byte,
    refused: number ? reason(number).name : null,
    cut: lasted === NOTHING_CUT ? null : lasted,
    delay,
    noEdge: (notes & NO_EDGE) !== 0,
  };
}
