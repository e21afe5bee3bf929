// Markers that the box has accepted for a later time: what becomes of each, by its number (section 3.4 of the protocol).

import { Deadline, OVERDUE_MS } from './deadline.js';
import { NoAnswer } from './errors.js';
import { FATE } from './marker_outcomes.js';

/** @typedef {import('./session_check.js').SessionCheck} SessionCheck */
/** @typedef {import('./marker.js').Marker} Marker */
/** @typedef {import('./marker_outcomes.js').MarkerOutcomes} MarkerOutcomes */
/** @typedef {import('./request_queue.js').RequestQueue} RequestQueue */
/** @typedef {import('./request_window.js').RequestWindow} RequestWindow */

/**
 * `since`: as in `accept`; `isHurried`: it is asked for soon.
 * @typedef {{ marker: Marker, since: bigint, deadline: Deadline | undefined, isAsking: boolean, isHurried: boolean }} Waiting
 */

const NEXT = 'Look for it in the recording.';
/** What is due later than that is surely still to come when the next request is there. */
const SOON_MS = 20;

/** They hold neither window nor tag. */
export class AcceptedMarkers {
  /** @type {Map<number, Waiting>} */
  #waiting = new Map();
  /** The number of the one that was accepted last; 0: none was. */
  #newest = 0;
  #window;
  #queue;
  #outcomes;
  #background;

  /**
   * @param {RequestWindow} window
   * @param {RequestQueue} queue
   * @param {MarkerOutcomes} outcomes
   * @param {SessionCheck} background
   */
  constructor(window, queue, outcomes, background) {
    this.#window = window;
    this.#queue = queue;
    this.#outcomes = outcomes;
    this.#background = background;
  }

  /**
   * @param {Marker} marker
   * @param {number} number
   * @param {bigint} since the newest box time that was known when it was sent
   * @param {boolean} isEndUnheard its acceptance is known late, so that it is asked at once what became of it
   */
  accept(marker, number, since, isEndUnheard = false) {
    const twin = this.#waiting.get(number);
    if (twin) { // numbers began anew
      this.#remove(number);
      this.#outcomes.giveUp(twin.marker, 'the box started again before its time came.', NEXT);
      this.#background.checkSession();
      this.#newest = 0;
    }
    this.#newest = Math.max(this.#newest, number);
    this.#waiting.set(number, { marker, since, deadline: undefined, isAsking: false, isHurried: false });
    this.#outcomes.accepted(marker, number);
    if (isEndUnheard) this.#ask(number);
    else this.#watch(number, /** @type {number} */ (marker.at));
  }

  /**
   * The box has told the end of a marker.
   * @param {Record<string, any>} fields of `marker_edge`
   */
  ended(fields) {
    const waiting = this.#waiting.get(fields.number);
    if (!waiting) return; // one of an earlier program, or its end was known before
    this.#remove(fields.number);
    this.#end(waiting.marker, fields, false);
  }

  /**
   * @param {Marker} marker
   * @param {Record<string, any>} fields of `marker_edge` or `fate`
   * @param {boolean} isByFate
   */
  #end(marker, fields, isByFate) {
    if (fields.reason || isAtItsTime(marker, fields)) {
      this.#outcomes.ended(marker, fields, isByFate);
      return;
    }
    this.#outcomes.giveUp(marker, 'the box told an edge by its number that is not at its time, and so that of another marker.', NEXT);
    this.#background.checkSession();
  }

  /**
   * Whether the box can still be asked about each of them if it accepts one marker more (section 6.1 of the protocol): it gives away
   * the place of the lowest number that does not wait. If not, that one's end is not known yet, and the box is asked for it soon.
   */
  leaveAPlace() {
    const there = this.#window.clock.toBox(performance.now() + SOON_MS);
    const isOver = (/** @type {Waiting} */ { marker }) => !there || Number(marker.at) <= there.time + there.bound;
    const numbers = [...this.#waiting.keys()].sort((one, other) => one - other);
    const before = numbers.findIndex((number) => isOver(/** @type {Waiting} */ (this.#waiting.get(number))));
    if (before < 0 || this.#newest + 1 + this.#window.aheadAsked - numbers[before] + before < this.#window.places) return true;
    this.#hurry(numbers[before]);
    return false;
  }

  /** @param {number} number */
  #hurry(number) {
    const waiting = /** @type {Waiting} */ (this.#waiting.get(number));
    if (waiting.isAsking || waiting.isHurried) return;
    waiting.isHurried = true;
    waiting.deadline?.cancel();
    waiting.deadline = new Deadline(SOON_MS, () => this.#ask(number));
  }

  /** Notices are missing: the ends of markers may be among them. */
  doubt() {
    for (const number of [...this.#waiting.keys()]) this.#ask(number);
  }

  /** The box has forgotten them, or the connection is gone. Returns them. */
  clear() {
    const markers = [...this.#waiting.values()].map(({ marker }) => marker);
    this.#newest = 0;
    for (const number of [...this.#waiting.keys()]) this.#remove(number);
    return markers;
  }

  /** @param {number} number */
  #remove(number) {
    this.#waiting.get(number)?.deadline?.cancel();
    this.#waiting.delete(number);
  }

  /**
   * @param {number} number
   * @param {number} time box time at which its edge has to be out, µs
   */
  #watch(number, time) {
    const waiting = this.#waiting.get(number);
    if (!waiting) return;
    const edge = this.#window.clock.toHost(time);
    const late = edge ? edge.time + edge.bound - performance.now() : 0;
    waiting.isHurried = false;
    waiting.deadline = new Deadline(Math.max(late, 0) + OVERDUE_MS, () => this.#ask(number));
  }

  /** @param {number} number */
  async #ask(number) {
    const waiting = this.#waiting.get(number);
    if (!waiting || waiting.isAsking) return;
    waiting.deadline?.cancel();
    waiting.isAsking = true;
    const ask = () => this.#queue.askFirst('fate_of_number', { number });
    const fate = await ask().catch(ask).catch((error) => error);
    if (this.#waiting.get(number) !== waiting) return; // its end was told meanwhile, or the box has started again
    waiting.isAsking = false;
    if (fate instanceof Error) {
      const given = fate instanceof NoAnswer ? [...this.#waiting.entries()].filter(([, each]) => each.isAsking || each === waiting) : [];
      for (const [each, { marker }] of given) {
        this.#remove(each);
        this.#outcomes.giveUp(marker, 'its end was not told, and the box does not answer.', NEXT);
      }
    } else {
      this.#learn(number, waiting, fate);
    }
    this.#window.freed(); // one that is held back may take a place now
  }

  /**
   * @param {number} number
   * @param {Waiting} waiting
   * @param {Record<string, any>} fate
   */
  #learn(number, { marker, since }, fate) {
    const isKnown = fate.code === marker.code && fate.time >= since;
    if (isKnown && fate.outcome === FATE.accepted) {
      this.#watch(number, Number(fate.time));
      return;
    }
    this.#remove(number);
    if (isKnown && (fate.outcome === FATE.done || fate.outcome === FATE.refused)) {
      this.#end(marker, fate, true);
    } else {
      this.#outcomes.giveUp(marker, 'the box has no record of it any more.', NEXT);
      this.#background.checkSession();
    }
  }
}

/**
 * A marker ahead goes out at the time that was asked for, but for the delay that the box tells.
 * @param {Marker} marker
 * @param {Record<string, any>} fields of `marker_edge` or `fate`
 */
function isAtItsTime(marker, { time, delay }) {
  return BigInt.asUintN(32, time - BigInt(delay) - BigInt(/** @type {number} */ (marker.at))) === 0n;
}
