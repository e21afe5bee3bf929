// The conversation with one box. `RequestWindow` has the requests on their way, `RequestQueue` those that wait for room, `Reader` takes
// what comes back, `AnswerRecovery` finds out what became of a marker whose answer is overdue. No marker is ever sent again.

import { randomInt } from 'node:crypto';
import { setImmediate as nextTurn, setTimeout as sleep } from 'node:timers/promises';
import { AcceptedMarkers } from './accepted_markers.js';
import { AnswerRecovery } from './answer_recovery.js';
import { identity as identityOf } from './answer_values.js';
import { SessionCheck } from './session_check.js';
import { wanderOf } from './clock_estimate.js';
import { LinkLost, NoAnswer, OpenFailed } from './errors.js';
import { MarkerOutcomes } from './marker_outcomes.js';
import { makeRequest } from './pending_request.js';
import { Reader } from './reader.js';
import { RequestQueue } from './request_queue.js';
import { RequestWindow } from './request_window.js';

/** @typedef {import('./marker.js').Marker} Marker */
/** @typedef {import('./message_codecs.js').Message} Message */
/** @typedef {import('./message_codecs.js').RequestName} RequestName */
/** @typedef {import('./pending_request.js').Request} Request */
/** @typedef {import('./transport.js').Transport} Transport */

/**
 * What the link tells its box.
 * @typedef {object} Listener
 * @property {(marker: Marker) => void} accepted a marker waits in the box for its time
 * @property {(marker: Marker) => void} settled a marker is done, refused or unconfirmed
 * @property {(notice: Message) => void} noticed
 * @property {(count: number) => void} noticesLost so many notices did not arrive
 * @property {(cause: number) => void} restarted the box has started again, and its notice of that did not arrive
 * @property {() => void} silent nothing is answered any more: the box has to be identified anew
 * @property {(error: LinkLost) => void} lost all markers have been settled before
 */

const SESSION_TRIES = 3;
/** What comes in for so long after the port was opened is of an earlier program, and dropped. */
const STALE_MS = 20;

/** One connection to a box. */
export class Link {
  #transport;
  #listener;
  #window;
  #queue;
  #outcomes;
  #background;
  #accepted;
  #recovery;
  #reader;

  /**
   * @param {Transport} transport
   * @param {Listener} listener
   */
  constructor(transport, listener) {
    this.#transport = transport;
    this.#listener = listener;
    this.#window = new RequestWindow(transport, { freed: () => this.#pump(), failed: (cause) => this.lose(cause) });
    this.#queue = new RequestQueue(this.#window);
    this.#outcomes = new MarkerOutcomes(listener, this.#window.clock);
    this.#background = new SessionCheck(this.#window, this.#queue, listener);
    this.#accepted = new AcceptedMarkers(this.#window, this.#queue, this.#outcomes, this.#background);
    this.#queue.hasPlace = () => this.#accepted.leaveAPlace();
    this.#recovery = new AnswerRecovery(this.#window, this.#accepted, this.#outcomes, this.#background);
    this.#reader = new Reader(this.#window, this.#recovery, this.#accepted, this.#background, listener);
    const { stream, name } = transport;
    stream.on('data', (bytes) => this.#reader.take(bytes));
    stream.on('error', (error) => this.lose(error));
    stream.on('end', () => this.lose(`${name} was closed at the other end`));
    stream.on('close', (/** @type {unknown} */ error) => this.lose(error instanceof Error ? error : `${name} was closed`));
  }

  // ---- what is known ----

  /** Why the connection is gone; null while it is not. */
  get lost() {
    return this.#window.lost;
  }

  /** Relation of box time and host time. */
  get clock() {
    return this.#window.clock;
  }

  /** @param {number} gap how long a marker may wait in the box, in µs */
  set gap(gap) {
    this.#window.gap = gap;
  }

  /** What came in and was ignored: messages that were too short, and answers that no open request has. */
  get ignored() {
    return this.#reader.ignored;
  }

  /** Broken frames that came in. */
  get framesBroken() {
    return this.#reader.framesBroken;
  }

  // ---- opening ----

  /**
   * Asks the box who it is, and begins a session; then requests can be sent.
   * @param {number} patience ms
   */
  async identify(patience) {
    if (this.#reader.isDeaf) await this.#dropStale();
    this.#window.isBegun = false;
    try {
      const identity = await this.#reader.identify(patience);
      this.#window.begin(identity);
      this.#background.missing = 0;
      this.clock.reset();
      this.clock.wander = wanderOf(identityOf(identity).board);
      this.#reader.identified(identity);
      await this.#beginSession();
      return identity;
    } finally {
      this.#reader.identified();
      this.#pump();
    }
  }

  /** Drops what has come in before the port was opened, and ends whatever noise went before. */
  async #dropStale() {
    await sleep(STALE_MS);
    await nextTurn(); // in which all is read that has come in meanwhile
    this.#reader.isDeaf = false;
    if (this.lost) throw this.lost;
    this.#window.write(Buffer.of(0));
  }

  async #beginSession() {
    const number = randomInt(1, 2 ** 32);
    this.#background.session = number;
    for (let tries = 1; ; tries++) {
      try {
        await this.#queue.askFirst('session', { number });
        break;
      } catch (error) {
        if (!(error instanceof NoAnswer)) throw error;
        if (tries === SESSION_TRIES) {
          throw new OpenFailed(
            `The box at ${this.#transport.name} said who it is, and then did not answer. No marker was sent. ` +
            'Check its cable, and open it again.', { cause: error });
        }
      }
    }
    this.#window.isBegun = true;
    if (this.#background.missing) this.#background.checkSession();
  }

  // ---- requests ----

  /**
   * Sends a request that is no marker.
   * @param {RequestName} name
   * @param {Record<string, any>} [fields]
   * @returns {Promise<Record<string, any>>} fields of the answer; rejects with `Refused`, `NoAnswer` or `LinkLost`
   */
  ask(name, fields = {}) {
    return this.#queue.ask(name, fields);
  }

  /**
   * Sends a marker, now if it fits.
   * @param {RequestName} name
   * @param {Record<string, any>} fields
   * @param {Marker} marker
   * @returns {boolean} false: it is held back
   */
  mark(name, fields, marker) {
    const request = makeRequest(name, fields, {
      answered: (answer) => this.#settle(request, marker, answer),
      overdue: () => this.#recovery.doubt(request),
      failed: () => {},
    }, marker);
    this.#queue.mark(request);
    return marker.outcome !== 'open' || request.count > 0;
  }

  /**
   * @param {Request} request
   * @param {Marker} marker
   * @param {Message} answer
   */
  #settle(request, marker, answer) {
    if (marker.outcome !== 'open') return;
    if (answer.name === 'accepted') {
      this.#accepted.accept(marker, answer.fields.number, request.since);
      this.#background.compareClocks();
    } else {
      this.#outcomes.answered(marker, answer);
    }
  }

  /** Sends what may be sent: questions for fates first, then what waits. */
  #pump() {
    this.#recovery.ask();
    if (this.#window.isSilent) {
      this.#window.stop();
      this.#listener.silent();
      return;
    }
    this.#queue.send();
  }

  // ---- the end ----

  /**
   * Settles what is open, for good or because the box has forgotten it.
   * @param {string} because a sentence
   * @param {string} next a sentence
   * @param {Error} error for those that wait for answers
   */
  abandon(because, next, error) {
    const abandoned = [...this.#window.clear(), ...this.#queue.clear()];
    this.#recovery.clear();
    for (const marker of this.#accepted.clear()) this.#outcomes.giveUp(marker, because, next);
    for (const request of abandoned) {
      if (request.marker) this.#outcomes.giveUp(request.marker, because, next);
      else request.failed(error);
    }
  }

  /** Ends the connection. */
  async close() {
    this.lose('the client was closed', 'Wait for its answer before you close.', 'Open the box again.');
    await this.#transport.close();
  }

  /**
   * The connection is gone.
   * @param {Error | string} cause
   * @param {string} [advice] for markers that are open
   * @param {string} [next] for whoever uses the box from now on
   */
  lose(
    cause,
    advice = 'Note the time, and look for it in the recording.',
    next = 'Check the cable and the power of the box, and open it again.',
  ) {
    if (this.lost) return;
    const what = cause instanceof Error ? `the connection to ${this.#transport.name} was lost (${cause.message})` : cause;
    const What = what[0].toUpperCase() + what.slice(1);
    const lost = new LinkLost(
      `${What}. Nothing can be sent any more: later markers will be missing in the recording. ${next}`,
      { cause: cause instanceof Error ? cause : undefined });
    this.#window.lost = lost;
    this.#reader.fail(lost);
    this.abandon(`${what}.`, advice, lost);
    this.#listener.lost(lost);
  }
}
