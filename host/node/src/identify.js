// The first words with a box: who are you, and do we speak the same version (sections 3.4 and 3.5 of the protocol).

import { OpenFailed } from './errors.js';
import { ANSWERS, build, NOTICES, parse, REQUESTS, VERSION } from './message_codecs.js';

/** @typedef {import('./frames.js').RawMessage} RawMessage */

const TAG = 1; // any will do
// Opening resets some boards, and an old boot loader begins its wait of a second anew with each byte that comes in.
const REPEAT_MS = 2000;
const REASON_VERSION = 3;

/** Repeats `identify` until it is answered: quietly, or at once when the box says that it has started. */
export class Identify {
  /** @type {(identity: Record<string, any>) => void} */
  #resolve = () => {};
  /** @type {(error: Error) => void} */
  #reject = () => {};
  /** @type {NodeJS.Timeout | undefined} */
  #timer;
  #name;
  #again = () => {};
  #heard = 0;

  /** @param {string} name of the port, for errors */
  constructor(name) {
    this.#name = name;
  }

  /**
   * @param {(wire: Buffer) => void} write
   * @param {number} patience ms
   * @returns {Promise<Record<string, any>>} the fields of `identity`; rejects with `OpenFailed`
   */
  ask(write, patience) {
    const wire = build(REQUESTS.identify, TAG, VERSION);
    const end = performance.now() + patience;
    const again = () => {
      if (performance.now() >= end) return this.fail(this.#silence(patience));
      this.#timer = setTimeout(again, Math.min(REPEAT_MS, end - performance.now()));
      write(wire);
    };
    this.#again = () => {
      clearTimeout(this.#timer);
      again();
    };
    /** @type {Promise<Record<string, any>>} */
    const identity = new Promise((resolve, reject) => {
      this.#resolve = resolve;
      this.#reject = reject;
    });
    again();
    return identity.finally(() => clearTimeout(this.#timer));
  }

  /** @param {RawMessage} message whatever comes in; all but the answer is ignored */
  take(message) {
    this.#heard++;
    if (message.type === NOTICES.started.type) return this.#again();
    if (message.type === ANSWERS.identity.type && message.body.length >= 2) {
      if (message.body[0] !== VERSION.major) return this.fail(this.#otherVersion(message.body[0]));
      const known = parse(message);
      if (known) this.#resolve(known.fields);
    } else if (message.type === ANSWERS.refused.type) {
      const { request, reason, detail } = parse(message)?.fields ?? {};
      if (request === REQUESTS.identify.type && reason === REASON_VERSION) this.fail(this.#otherVersion(detail));
    }
  }

  /** @param {Error} error */
  fail(error) {
    clearTimeout(this.#timer);
    this.#reject(error);
  }

  /** @param {number} major */
  #otherVersion(major) {
    return new OpenFailed(
      `The box at ${this.#name} speaks version ${major} of the protocol, this package version ${VERSION.major}. ` +
      `No marker was sent. Update ${major > VERSION.major ? 'this package' : 'the firmware of the box'}.`);
  }

  /** @param {number} patience */
  #silence(patience) {
    const heard = this.#heard
      ? `${this.#heard} messages came in, but no answer`
      : 'no answer came that a Tallymark box would give';
    return new OpenFailed(
      `No Tallymark box at ${this.#name}: ${heard} in ${patience / 1000} s. No marker was sent. ` +
      'Check the name of the port, that the board is a Tallymark box with its firmware, and its cable; then plug it in again.');
  }
}
