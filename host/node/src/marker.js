// One marker and what became of it.

import { MarkerRefused, MarkerUnconfirmed } from './errors.js';
import { reason } from './reasons.js';

/** @typedef {'open' | 'accepted' | 'done' | 'refused' | 'unconfirmed'} Outcome `accepted`: the box will put it out at its time */

/** One code that was asked for. All of its properties are for reading. */
export class Marker {
  /** Number of the marker since the box was opened, from 1. */
  number;
  /** What was asked for. @type {'pulse' | 'set' | 'sequence'} */
  kind;
  /** 0 to 255; 0 for the start of a sequence. */
  code;
  /** Width in µs, where the pulse has one of its own. @type {number | null} */
  width;
  /** Tag of its request; null until that was sent. @type {number | null} */
  tag = null;
  /** When its request was handed to the system, in ms on the clock of `performance.now()`; null until then. @type {number | null} */
  sent = null;
  /** Whether it had to wait in the computer until earlier requests were answered. */
  heldBack = false;
  /** @type {Outcome} */
  outcome = 'open';
  /** Box time of its edge in µs, if it is done. @type {number | null} */
  time = null;
  /** How long the earlier pulse lasted that this marker cut, in µs; null if none was cut. @type {number | null} */
  cut = null;
  /** Of a marker ahead: the box time that was asked for, in µs; null for others. @type {number | null} */
  at = null;
  /** Its number in the box, once that has accepted it. @internal @type {number | null} */
  aheadNumber = null;
  /**
   * Its edge on the clock of `performance.now()`, and by how much that may be wrong, both in ms; null unless it was a marker ahead
   * that is done (`Box.toHost` turns other box times into host times).
   * @type {{ time: number, bound: number } | null}
   */
  host = null;
  /** How long the box delayed it because of the gap, or a marker ahead because it came too late, in µs. */
  delay = 0;
  /** The delay that the box itself told of. @internal */
  toldDelay = 0;
  /** Whether the lines had the levels of this code already, so that none of them changed: a receiver sees no new marker. */
  noEdge = false;
  /** Whether its answer got lost and the box was asked for its fate. */
  answerLost = false;
  /** What went wrong, if it is refused or unconfirmed. @type {MarkerRefused | MarkerUnconfirmed | null} */
  error = null;

  /** @type {Promise<Marker> | null} */
  #done = null;
  /** @type {() => void} */
  #settle = () => {};
  /** @type {(() => void)[]} */
  #answered = [];

  /**
   * @internal
   * @param {number} number
   * @param {Marker['kind']} kind
   * @param {number} code
   * @param {number | null} width
   */
  constructor(number, kind, code, width) {
    this.number = number;
    this.kind = kind;
    this.code = code;
    this.width = width;
  }

  /**
   * Resolves to this marker when the box has confirmed it; rejects with `MarkerRefused` or `MarkerUnconfirmed`. Nobody has to
   * wait for it: a rejection that nobody waits for does no harm.
   * @returns {Promise<Marker>}
   */
  get done() {
    if (!this.#done) {
      this.#done = new Promise((resolve, reject) => {
        this.#settle = () => (this.error ? reject(this.error) : resolve(this));
      });
      this.#done.catch(() => {});
      if (this.outcome !== 'open' && this.outcome !== 'accepted') this.#settle();
    }
    return this.#done;
  }

  /** Whether somebody asked for `done`, and so gets to know of an error. @internal */
  get isAwaited() {
    return this.#done !== null;
  }

  /** Resolves when the box has accepted it, or its end is known. @internal */
  get answered() {
    return /** @type {Promise<void>} */ (new Promise((resolve) => {
      if (this.outcome === 'open') this.#answered.push(resolve);
      else resolve();
    }));
  }

  /** @param {Outcome} outcome */
  #become(outcome) {
    this.outcome = outcome;
    for (const resolve of this.#answered.splice(0)) resolve();
    if (outcome !== 'accepted') this.#settle();
  }

  /**
   * @internal
   * @param {number} number in the box
   */
  accept(number) {
    this.aheadNumber = number;
    this.#become('accepted');
  }

  /** For example `Marker 12 (pulse, code 5)`. */
  toString() {
    return `Marker ${this.number} (${this.kind}, code ${this.code})`;
  }

  /**
   * @internal
   * @param {number} time
   */
  confirm(time) {
    this.time = time;
    // The box knows of no delay where it came after its time, and went out at once.
    if (this.at !== null) this.delay = Math.max(0, time - this.at);
    this.#become('done');
  }

  /**
   * @internal
   * @param {number} number of the reason
   * @param {number | null} detail null: the answer that told it got lost
   */
  refuse(number, detail) {
    const { name, what, next } = reason(number);
    const because = detail === null ? name : what(detail);
    this.error = new MarkerRefused(
      `${this} was refused: ${because}. It is not in the recording. ${next}`,
      { reason: name, detail: detail ?? 0 },
      this,
    );
    this.#become('refused');
  }

  /**
   * @internal
   * @param {string} because a sentence
   * @param {string} next a sentence
   */
  giveUp(because, next) {
    const meaning = this.sent === null
      ? 'It was never sent and is not in the recording'
      : 'It may or may not be in the recording, and was not sent again';
    this.error = new MarkerUnconfirmed(`${this} is unconfirmed: ${because} ${meaning}. ${next}`, this);
    this.#become('unconfirmed');
  }
}
