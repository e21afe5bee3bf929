// Requests that wait until they fit into the window: markers and steps of a sequence in their order, other requests one at a time.

import { NoAnswer } from './errors.js';
import { makeRequest, nameOf, refusal } from './pending_request.js';

/** @typedef {import('./message_codecs.js').RequestName} RequestName */
/** @typedef {import('./pending_request.js').Request} Request */
/** @typedef {import('./request_window.js').RequestWindow} RequestWindow */

/** What is to be sent. */
export class RequestQueue {
  /** Whether a marker ahead may take a place in the box. It holds up no other requests while it may not. */
  hasPlace = () => true;
  #window;
  /** Markers and steps of a sequence. @type {Request[]} */
  #held = [];
  /** Other requests. @type {Request[]} */
  #questions = [];

  /** @param {RequestWindow} window */
  constructor(window) {
    this.#window = window;
  }

  /**
   * Adds a request that is no marker.
   * @param {RequestName} name
   * @param {Record<string, any>} fields
   * @returns {Promise<Record<string, any>>} fields of the answer; rejects with `Refused`, `NoAnswer` or `LinkLost`
   */
  ask(name, fields) {
    return this.#put(name, fields, (request) => (name === 'sequence_load' ? this.#held : this.#questions).push(request));
  }

  /**
   * The same, before all other questions.
   * @param {RequestName} name
   * @param {Record<string, any>} fields
   */
  askFirst(name, fields) {
    return this.#put(name, fields, (request) => this.#questions.unshift(request));
  }

  /**
   * Adds a marker.
   * @param {Request} request
   */
  mark(request) {
    this.#held.push(request);
    this.#window.freed();
  }

  /** Sends what fits. */
  send() {
    const window = this.#window;
    while (this.#held.length && window.isBegun) {
      const next = this.#held.findIndex(({ marker }) => !marker || marker.at === null || this.hasPlace());
      if (next < 0 || !window.fits(this.#held[next].bytes)) break;
      window.send(this.#held.splice(next, 1)[0]);
    }
    if (this.#questions.length && !window.question && window.fits(this.#questions[0].bytes)) {
      window.sendQuestion(/** @type {Request} */ (this.#questions.shift()));
    }
  }

  /**
   * Nothing of it will be sent.
   * @returns {Request[]} what was in it
   */
  clear() {
    const waiting = [...this.#held, ...this.#questions];
    this.#held = [];
    this.#questions = [];
    return waiting;
  }

  /**
   * @param {RequestName} name
   * @param {Record<string, any>} fields
   * @param {(request: Request) => void} add
   * @returns {Promise<Record<string, any>>}
   */
  #put(name, fields, add) {
    const window = this.#window;
    return new Promise((resolve, reject) => {
      if (window.lost) return reject(window.lost);
      const request = makeRequest(name, fields, {
        answered: (answer) => (answer.name === 'refused' ? reject(refusal(name, answer.fields)) : resolve(answer.fields)),
        overdue: () => {
          window.finish(request);
          reject(new NoAnswer(
            `The box did not answer '${nameOf(name)}' in time. Markers are not affected by that. Ask again; if it happens often, check the cable.`));
          window.freed();
        },
        failed: reject,
      });
      add(request);
      window.freed();
    });
  }
}
