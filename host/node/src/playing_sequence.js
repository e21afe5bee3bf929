// A sequence of codes that the clock of the box times.

import { TallymarkError } from './errors.js';

/** @typedef {{ code: number, hold: number }} Step `hold`: how long the code stays, in µs */

/** @typedef {{ time: number, played: number, isStopped: boolean }} SequenceEnd `time`: box time at which the lines went to idle, µs */

/** How long after its time the end may be told before the box is asked. */
const LATE_MS = 500;
const LONGEST_SLEEP_MS = 3_600_000;

/** A sequence that plays, or waits in the box for its time. */
export class Sequence {
  /**
   * Resolves when it is over, be it by itself or by `stop`; rejects if the box restarted or the connection was lost, or if its start
   * was taken back before its time (`MarkerRefused`).
   * @type {Promise<SequenceEnd>}
   */
  ended;
  /** The marker of its first edge: `accepted` while that is to come. @type {import('./marker.js').Marker} */
  marker;
  #box;
  /** @type {(end: SequenceEnd) => void} */
  #resolve = () => {};
  /** @type {(error: Error) => void} */
  #reject = () => {};
  /** @type {NodeJS.Timeout | undefined} */
  #timer;
  #isOver = false;

  /**
   * @internal
   * @param {import('./box.js').Box} box
   * @param {import('./marker.js').Marker} marker
   */
  constructor(box, marker) {
    this.#box = box;
    this.marker = marker;
    this.ended = new Promise((resolve, reject) => {
      this.#resolve = resolve;
      this.#reject = reject;
    });
    this.ended.catch(() => {}); // nobody has to wait for it
  }

  /** What it does now. */
  state() {
    return this.#box.sequenceState();
  }

  /** Ends it now; the lines go to idle. One that waits for its time is taken back. */
  stop() {
    return this.#box.sequenceStop();
  }

  /**
   * Looks for the end in case that the notice of it gets lost.
   * @internal
   * @param {number} begin when it begins, in ms from now
   * @param {number} length µs; 0: until stopped
   */
  watch(begin, length) {
    if (length > 0) this.#lookAgain(begin + length / 1000 + LATE_MS);
  }

  /** @param {number} left ms */
  #lookAgain(left) {
    if (this.#isOver) return;
    const sleep = Math.min(left, LONGEST_SLEEP_MS);
    this.#timer = setTimeout(async () => {
      if (left > sleep) return this.#lookAgain(left - sleep);
      const state = await this.state().catch(() => null);
      if (state && !['playing', 'waiting'].includes(state.state) && this.marker.outcome !== 'accepted') this.over({ time: state.ended, played: state.played, isStopped: state.state === 'stopped' });
      else this.#lookAgain(LATE_MS);
    }, sleep);
  }

  /**
   * @internal
   * @param {SequenceEnd} end
   */
  over(end) {
    if (this.#isOver) return;
    this.#isOver = true;
    clearTimeout(this.#timer);
    this.#resolve(end);
  }

  /**
   * @internal
   * @param {string} because a sentence
   */
  fail(because) {
    this.notStarted(new TallymarkError(
      `The sequence of ${this.marker} has no confirmed end: ${because} Its later steps may be missing in the recording. ` +
      'Look for them there before you use it.'));
  }

  /**
   * Its start was refused or is unconfirmed.
   * @internal
   * @param {Error} error
   */
  notStarted(error) {
    if (this.#isOver) return;
    this.#isOver = true;
    clearTimeout(this.#timer);
    this.#reject(error);
  }
}
