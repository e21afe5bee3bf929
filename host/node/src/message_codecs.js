// Every message of protocol 2.0: its type and the fields of its body (sections 4.1 to 4.3 and 5), built and read.

import { encode } from './frames.js';
import { name16, read, record, serial8, sizeOf, u16, u32, u64, u8, version3, write } from './field_codecs.js';

/** @typedef {import('./field_codecs.js').Layout} Layout */
/**
 * @typedef {{ type: number, layout: Layout, tail?: Layout, list?: string }} MessageKind `tail` repeats to the end of the body;
 * its entries are in the field `list` (usually `edges`), as plain values where they have one field
 */
/** @typedef {{ name: string, type: number, tag: number, fields: Record<string, any> }} Message */

export const VERSION = { major: 2, minor: 0 };
export const NOTHING_CUT = 0xffffffff;
/** Types from here on are notices, whose tag is their number. */
export const FIRST_NOTICE = 0xc0;
/** Types from here on are answers and notices. */
const FIRST_ANSWER = 0x80;
/** Bit of their types: a session is in force. */
const IN_SESSION = 0x20;
/** Bit of `notes`: the lines had the levels of this code already. */
export const NO_EDGE = 1;

const SETTINGS = /** @type {Layout} */ ([
  ['name', name16], ['width', u32], ['gap', u32], ['hold_limit', u32], ['byte_baud', u32],
  ['lines', u8], ['idle', u8], ['overlap', u8], ['byte_mode', u8],
  ['strobe', u8], ['probes', u8], ['strobe_lead', u16], ['strobe_hold', u16],
  ['threshold_a', u16], ['hysteresis_a', u16], ['threshold_b', u16], ['hysteresis_b', u16],
]);

const NOTED = /** @type {Layout} */ ([['lasted', u32], ['delay', u32], ['notes', u8]]);

const EDGES = {
  layout: /** @type {Layout} */ ([['first', u32], ['lost', u8]]),
  tail: /** @type {Layout} */ ([['time', u64], ['source', u8], ['levels', u8]]),
};

/** @satisfies {Record<string, MessageKind>} */
export const REQUESTS = {
  identify: { type: 0x01, layout: [['major', u8], ['minor', u8]] },
  clock: { type: 0x02, layout: [] },
  counters: { type: 0x03, layout: [] },
  levels: { type: 0x04, layout: [] },
  fate: { type: 0x05, layout: [['asked', u8]] },
  restart: { type: 0x06, layout: [['into', u8]] },
  session: { type: 0x07, layout: [['number', u32]] },
  fate_of_number: { type: 0x08, layout: [['number', u32]] },
  pulse: { type: 0x10, layout: [['code', u8]] },
  pulse_for: { type: 0x11, layout: [['code', u8], ['width', u32]] },
  set: { type: 0x12, layout: [['code', u8]] },
  timed: { type: 0x13, layout: [['kind', u8], ['code', u8], ['width', u32], ['at', u32], ['expiry', u32]] },
  cancel: { type: 0x14, layout: [['number', u32]] },
  sequence_load: { type: 0x18, layout: [['index', u16], ['code', u8], ['hold', u32]] },
  sequence_start: { type: 0x19, layout: [['repeats', u32]] },
  sequence_stop: { type: 0x1a, layout: [] },
  sequence_state: { type: 0x1b, layout: [] },
  sequence_start_at: { type: 0x1c, layout: [['repeats', u32], ['at', u32]] },
  capture_start: { type: 0x20, layout: [['mode', u8]] },
  capture_fetch: { type: 0x21, layout: [['first', u32]] },
  capture_stop: { type: 0x22, layout: [] },
  settings_read: { type: 0x28, layout: [] },
  settings_write: { type: 0x29, layout: SETTINGS },
  settings_keep: { type: 0x2a, layout: [] },
  settings_factory: { type: 0x2b, layout: [] },
  probe_levels: { type: 0x30, layout: [] },
  snippet_take: { type: 0x31, layout: [['input', u8], ['every', u8]] },
  snippet_read: { type: 0x32, layout: [['first', u16]] },
};

/** @typedef {keyof typeof REQUESTS} RequestName */

/** @type {Record<string, MessageKind>} */
export const ANSWERS = {
  done: { type: 0x80, layout: [['time', u64]] },
  done_noted: { type: 0x81, layout: [['time', u64], ...NOTED] },
  refused: { type: 0x82, layout: [['request', u8], ['reason', u8], ['detail', u32]] },
  identity: {
    type: 0x83,
    layout: [
      ['major', u8], ['minor', u8], ['firmware', version3], ['board', u8], ['serial', serial8], ['cause', u8], ['newest_tag', u8],
      ['window', u16], ['history', u8], ['longest_frame', u8], ['steps', u16], ['edges', u16], ['least_width', u32],
      ['longest_width', u32], ['name', name16], ['session', u32], ['capabilities', u16], ['last_notice', u8],
      ['places', u8], ['least_lead', u16],
    ],
  },
  counters: {
    type: 0x84,
    layout: [
      ['time', u64], ['frames', u32], ['frames_broken', u32], ['refused', u32], ['markers', u32], ['bytes', u32],
      ['edges_lost', u32], ['messages_lost', u32], ['input_lost', u32], ['notices', u32],
    ],
  },
  levels: { type: 0x85, layout: [['time', u64], ['outputs', u8], ['readback', u8]] },
  fate: { type: 0x86, layout: [['asked', u8], ['outcome', u8], ['code', u8], ['reason', u8], ['time', u64], ...NOTED, ['number', u32]] },
  sequence: {
    type: 0x87,
    layout: [['state', u8], ['steps', u16], ['repeats', u32], ['played', u32], ['started', u64], ['ended', u64]],
  },
  edges: { type: 0x88, ...EDGES },
  settings: { type: 0x89, layout: [['origin', u8], ['kept', u32], ['record', record(SETTINGS)]] },
  accepted: { type: 0x8a, layout: [['number', u32]] },
  probe_levels: {
    type: 0x8b,
    layout: [['time', u64], ['on', u8], ['low_a', u16], ['high_a', u16], ['low_b', u16], ['high_b', u16]],
  },
  snippet: {
    type: 0x8c,
    layout: [['time', u64], ['interval', u16], ['taken', u16], ['first', u16]],
    tail: [['sample', u16]],
    list: 'samples',
  },
};

/** @type {Record<string, MessageKind>} */
export const NOTICES = {
  started: { type: 0xc0, layout: [['major', u8], ['minor', u8], ['cause', u8]] },
  sequence_ended: { type: 0xc1, layout: [['time', u64], ['played', u32]] },
  edges: { type: 0xc2, ...EDGES },
  byte_marker: { type: 0xc3, layout: [['time', u64], ['byte', u8], ['reason', u8], ...NOTED] },
  hold_ended: { type: 0xc4, layout: [['time', u64], ['code', u8]] },
  marker_edge: { type: 0xc5, layout: [['number', u32], ['time', u64], ...NOTED, ['reason', u8]] },
  probe_edges: { type: 0xc6, layout: [['lost', u8]], tail: [['time', u64], ['source', u8], ['on', u8]] },
};

/** @type {Map<number, [name: string, kind: MessageKind]>} */
const BY_TYPE = new Map(
  [REQUESTS, ANSWERS, NOTICES].flatMap((table) =>
    Object.entries(table).map(([name, kind]) => /** @type {const} */ ([kind.type, [name, kind]]))),
);

/**
 * The type of a message, without the bit of a session that is in force.
 * @param {number} type as it came
 */
export function baseType(type) {
  return type < FIRST_ANSWER ? type : type & ~IN_SESSION;
}

/**
 * Whether this package knows messages of a type.
 * @param {number} type
 */
export function isKnown(type) {
  return BY_TYPE.has(type);
}

/**
 * The body of a message.
 * @param {MessageKind} kind
 * @param {Record<string, any>} fields `edges`, or what `list` names, holds the entries of the tail
 */
export function pack({ layout, tail, list = 'edges' }, fields) {
  const entries = tail ? fields[list] : [];
  const step = tail ? sizeOf(tail) : 0;
  const start = sizeOf(layout);
  const body = Buffer.alloc(start + step * entries.length);
  write(layout, body, 0, fields);
  if (tail)
    for (const [k, entry] of entries.entries())
      write(tail, body, start + step * k, tail.length === 1 ? { [tail[0][0]]: entry } : entry);
  return body;
}

/**
 * A message as it goes over the wire.
 * @param {MessageKind} kind
 * @param {number} tag
 * @param {Record<string, any>} fields
 */
export function build(kind, tag, fields) {
  return encode(kind.type, tag, pack(kind, fields));
}

/**
 * The fields of a message; null if its type is not known, or if it is too short. Later versions may have put something behind
 * the fields that are known.
 * @param {import('./frames.js').RawMessage} raw
 * @returns {Message | null}
 */
export function parse({ type, tag, body }) {
  const [name, kind] = BY_TYPE.get(type) ?? [];
  if (!name || !kind) return null;
  const start = sizeOf(kind.layout);
  const step = kind.tail ? sizeOf(kind.tail) : 0;
  const rest = body.length - start;
  if (rest < 0) return null;
  const fields = read(kind.layout, body);
  if (kind.tail) {
    /** @type {any[]} */
    const entries = [];
    for (let at = start; at + step <= body.length; at += step) {
      const entry = read(kind.tail, body, at);
      entries.push(kind.tail.length === 1 ? entry[kind.tail[0][0]] : entry);
    }
    fields[kind.list ?? 'edges'] = entries;
  }
  return { name, type, tag, fields };
}
