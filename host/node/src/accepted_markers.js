// Markers that the box has accepted for a later time: what becomes of each, by its number (section 3.4 of the protocol).

import { NoAnswer } from './errors.js';

/** @typedef {import('./marker.js').Marker} Marker */

const OVERDUE_MS = 500;
/** So late a timer may be, because the program kept the event loop busy, before what came meanwhile is read first. */
const STALL_MS = 50;
const GRACE_MS = 100;

/**
 * What the link does for them.
 * @typedef {object} Connection
 * @property {(number: number) => Promise<Record<string, any>>} askFate
 * @property {(marker: Marker) => void} accepted the box has accepted it
 * @property {(time: number) => number} dueOf when an edge has to be out, by its box time: ms on the clock of `performance.now()`
 * @property {(marker: Marker, fields: Record<string, any>, isByFate: boolean) => void} end
 * @property {(marker: Marker, because: string) => void} giveUp
 * @property {() => void} doubt the box may have started again
 */

/** They hold neither window nor tag. */
export class AcceptedMarkers {
  /** @type {Map<number, { marker: Marker, since: bigint, due: number, timer: NodeJS.Timeout | undefined, isAsking: boolean }>} */
  #waiting = new Map();
  #connection;

  /** @param {Connection} connection */
  constructor(connection) {
    this.#connection = connection;
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
      this.#connection.giveUp(twin.marker, 'the box started again before its time came.');
      this.#connection.doubt();
    }
    this.#waiting.set(number, { marker, since, due: 0, timer: undefined, isAsking: false });
    marker.accept(number);
    this.#connection.accepted(marker);
    if (isEndUnheard) this.#ask(number);
    else this.#watch(number, this.#connection.dueOf(/** @type {number} */ (marker.at)));
  }

  /**
   * The box has told the end of a marker.
   * @param {Record<string, any>} fields of `marker_edge`
   */
  ended(fields) {
    const waiting = this.#waiting.get(fields.number);
    if (!waiting) return; // one of an earlier program, or its end was known before
    this.#remove(fields.number);
    this.#connection.end(waiting.marker, fields, false);
  }

  /** Notices are missing: the ends of markers may be among them. */
  doubt() {
    for (const number of [...this.#waiting.keys()]) this.#ask(number);
  }

  /** The box has forgotten them, or the connection is gone. Returns them. */
  clear() {
    const markers = [...this.#waiting.values()].map(({ marker }) => marker);
    for (const number of [...this.#waiting.keys()]) this.#remove(number);
    return markers;
  }

  /** @param {number} number */
  #remove(number) {
    clearTimeout(this.#waiting.get(number)?.timer);
    this.#waiting.delete(number);
  }

  /**
   * @param {number} number
   * @param {number} due ms, when its edge has to be out
   */
  #watch(number, due) {
    const waiting = this.#waiting.get(number);
    if (!waiting) return;
    waiting.due = Math.max(due, performance.now()) + OVERDUE_MS;
    const wait = () => {
      waiting.timer = setTimeout(() => {
        if (performance.now() <= waiting.due + STALL_MS) this.#ask(number);
        else {
          waiting.due = performance.now() + GRACE_MS;
          wait();
        }
      }, waiting.due - performance.now());
    };
    wait();
  }

  /** @param {number} number */
  async #ask(number) {
    const waiting = this.#waiting.get(number);
    if (!waiting || waiting.isAsking) return;
    clearTimeout(waiting.timer);
    waiting.isAsking = true;
    const ask = () => this.#connection.askFate(number);
    const fate = await ask().catch(ask).catch((error) => error);
    if (this.#waiting.get(number) !== waiting) return; // its end was told meanwhile, or the box has started again
    waiting.isAsking = false;
    if (fate instanceof Error) {
      const given = fate instanceof NoAnswer ? [...this.#waiting.entries()].filter(([, each]) => each.isAsking || each === waiting) : [];
      for (const [each, { marker }] of given) {
        this.#remove(each);
        this.#connection.giveUp(marker, 'its end was not told, and the box does not answer.');
      }
      return;
    }
    this.#learn(number, waiting, fate);
  }

  /**
   * @param {number} number
   * @param {{ marker: Marker, since: bigint }} waiting
   * @param {Record<string, any>} fate
   */
  #learn(number, { marker, since }, fate) {
    const isKnown = fate.code === marker.code && fate.time >= since;
    if (isKnown && fate.outcome === 4) {
      this.#watch(number, this.#connection.dueOf(Number(fate.time)));
      return;
    }
    this.#remove(number);
    if (isKnown && (fate.outcome === 1 || fate.outcome === 3)) {
      this.#connection.end(marker, fate, true);
    } else {
      this.#connection.giveUp(marker, 'the box has no record of it any more.');
      this.#connection.doubt();
    }
  }
}
