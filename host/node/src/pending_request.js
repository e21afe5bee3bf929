// One request on its way, and which answers belong to it.

import { Refused } from './errors.js';
import { FRAME_OVERHEAD } from './frames.js';
import { sizeOf } from './field_codecs.js';
import { REQUESTS } from './message_codecs.js';
import { reason } from './reasons.js';

/** @typedef {import('./marker.js').Marker} Marker */
/** @typedef {import('./message_codecs.js').Message} Message */
/** @typedef {import('./message_codecs.js').RequestName} RequestName */

/**
 * @typedef {object} Request
 * @property {RequestName} name
 * @property {Record<string, any>} fields
 * @property {Marker | null} marker
 * @property {number} count 0 until it is sent
 * @property {number} tag 0 until it is sent
 * @property {number} bytes on the wire
 * @property {boolean} isAsking its answer is missing and the box is being asked for its fate
 * @property {boolean} isWaiting its fate said that it waits for its gap, so that later requests may be answered before it
 * @property {number} sent when, in ms on the clock of `performance.now()`
 * @property {bigint} since the newest box time that was known when it was sent
 * @property {import('./deadline.js').Deadline | undefined} deadline undefined until it is sent
 * @property {(answer: Message) => void} answered
 * @property {() => void} overdue
 * @property {(error: Error) => void} failed
 */

const DONE = ['done', 'done_noted'];
/** Where the answer has another name than its request. @type {Partial<Record<RequestName, string[]>>} */
const ANSWERED_BY = {
  clock: DONE, session: DONE, pulse: DONE, pulse_for: DONE, set: DONE, timed: [...DONE, 'accepted'], cancel: DONE, sequence_load: DONE, sequence_start: DONE,
  sequence_start_at: ['accepted'], identify: ['identity'], fate_of_number: ['fate'], sequence_stop: ['sequence'], sequence_state: ['sequence'], settings_read: ['settings'],
};

/**
 * @param {RequestName} name
 * @param {Record<string, any>} fields
 * @param {Pick<Request, 'answered' | 'overdue' | 'failed'>} handlers
 * @param {Marker | null} marker
 * @returns {Request}
 */
export function makeRequest(name, fields, handlers, marker = null) {
  const bytes = sizeOf(REQUESTS[name].layout) + FRAME_OVERHEAD;
  return {
    name, fields, marker, count: 0, tag: 0, bytes, isAsking: false, isWaiting: false, sent: 0,
    since: 0n, deadline: undefined, ...handlers,
  };
}

/**
 * Whether an answer can be that of a request.
 * @param {RequestName} name
 * @param {Message} answer
 */
export function answers(name, answer) {
  if (answer.name === 'refused') return answer.fields.request === REQUESTS[name].type;
  return (ANSWERED_BY[name] ?? [name]).includes(answer.name);
}

/**
 * The name of a request as the protocol writes it.
 * @param {string} name
 */
export function nameOf(name) {
  return name.replaceAll('_', ' ');
}

/**
 * @param {string} name
 * @param {Record<string, any>} fields of `refused`
 */
export function refusal(name, { reason: number, detail }) {
  const { name: word, what, next } = reason(number);
  return new Refused(
    `The box refused '${nameOf(name)}': ${what(detail)}. Nothing was done, and markers are not affected. ${next}`,
    { reason: word, detail });
}
