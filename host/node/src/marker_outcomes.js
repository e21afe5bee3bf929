// How markers end: what the box says of one becomes its outcome, which is told once.

import { microseconds } from './field_codecs.js';
import { NO_EDGE, NOTHING_CUT } from './message_codecs.js';

/** @typedef {import('./clock_estimate.js').ClockEstimate} ClockEstimate */
/** @typedef {import('./marker.js').Marker} Marker */
/** @typedef {import('./message_codecs.js').Message} Message */

/** Outcomes in a fate (section 4.2 of the protocol). */
export const FATE = { done: 1, waiting: 2, refused: 3, accepted: 4 };
const CANCELLED = 19;

/** The outcomes of one link's markers. */
export class MarkerOutcomes {
  #listener;
  #clock;

  /**
   * @param {Pick<import('./link.js').Listener, 'accepted' | 'settled'>} listener
   * @param {ClockEstimate} clock
   */
  constructor(listener, clock) {
    this.#listener = listener;
    this.#clock = clock;
  }

  /**
   * A marker ahead waits in the box for its time.
   * @param {Marker} marker
   * @param {number} number in the box
   */
  accepted(marker, number) {
    marker.accept(number);
    this.#listener.accepted(marker);
  }

  /**
   * The box has answered a marker: it was refused or is done.
   * @param {Marker} marker
   * @param {Message} answer
   */
  answered(marker, { name, fields }) {
    if (name === 'refused') {
      if (fields.reason === CANCELLED) marker.cut = cutOf(fields.detail);
      marker.refuse(fields.reason, fields.detail);
    } else {
      if (name === 'done_noted') note(marker, fields);
      this.#confirm(marker, fields);
    }
    this.#listener.settled(marker);
  }

  /**
   * The answer was lost, and the box was asked.
   * @param {Marker} marker
   * @param {Record<string, any>} fate that says that it is done or was refused
   */
  learned(marker, fate) {
    marker.answerLost = true;
    note(marker, fate);
    if (fate.outcome === FATE.done) this.#confirm(marker, fate);
    else marker.refuse(fate.reason, null);
    this.#listener.settled(marker);
  }

  /**
   * A marker that the box had accepted is done or was refused.
   * @param {Marker} marker
   * @param {Record<string, any>} fields of `marker_edge` or `fate`
   * @param {boolean} isByFate
   */
  ended(marker, fields, isByFate) {
    marker.answerLost ||= isByFate;
    note(marker, fields);
    if (fields.reason) marker.refuse(fields.reason, null);
    else this.#confirm(marker, fields);
    this.#listener.settled(marker);
  }

  /**
   * @param {Marker} marker
   * @param {Record<string, any>} fields that tell the time of its edge
   */
  #confirm(marker, fields) {
    const time = microseconds(fields.time);
    if (marker.at !== null) marker.host = this.#clock.toHost(time);
    marker.confirm(time);
  }

  /**
   * Nobody can know any more what became of a marker.
   * @param {Marker} marker
   * @param {string} because a sentence
   * @param {string} next a sentence
   */
  giveUp(marker, because, next) {
    marker.giveUp(because, next);
    this.#listener.settled(marker);
  }
}

/**
 * @param {Marker} marker
 * @param {Record<string, any>} fields
 */
function note(marker, { lasted, delay, notes }) {
  marker.cut = cutOf(lasted);
  marker.delay = marker.toldDelay = delay;
  marker.noEdge = (notes & NO_EDGE) !== 0;
}

/** @param {number} lasted of a message */
function cutOf(lasted) {
  return lasted === NOTHING_CUT ? null : lasted;
}
