// Questions that the link asks by itself: where messages are missing, and where the clocks were not compared for long.

import { VERSION } from './message_codecs.js';

/** @typedef {import('./request_queue.js').RequestQueue} RequestQueue */
/** @typedef {import('./request_window.js').RequestWindow} RequestWindow */

/** Markers ahead tell no box time before their edge; so long after the last comparison the clocks are compared for them. */
const CLOCK_MS = 1000;

/** Nobody waits for their answers. */
export class SessionCheck {
  /** The number of this session with the box; the box has forgotten it when it starts again. */
  session = 0;
  /** Notices that are missing and not reported yet. */
  missing = 0;
  /** Whether the box is being asked for the session in force. */
  #isChecking = false;
  #window;
  #queue;
  #listener;

  /**
   * @param {RequestWindow} window
   * @param {RequestQueue} queue
   * @param {Pick<import('./link.js').Listener, 'noticesLost' | 'restarted'>} listener
   */
  constructor(window, queue, listener) {
    this.#window = window;
    this.#queue = queue;
    this.#listener = listener;
  }

  /** @param {number} count of notices that did not arrive */
  miss(count) {
    this.missing += count;
    this.checkSession();
  }

  /** Reports the notices that are missing: no start can explain them any more. */
  tellMissing() {
    const missing = this.missing;
    this.missing = 0;
    if (missing) this.#listener.noticesLost(missing);
  }

  /**
   * Something is missing: was it lost on the link, or has the box started again, unheard, or has another program taken it? The
   * session in force tells.
   */
  async checkSession() {
    if (this.#isChecking || !this.#window.isBegun) return;
    this.#isChecking = true;
    const session = this.session;
    const ask = () => this.#queue.askFirst('identify', VERSION);
    const identity = await ask().catch(ask).catch(() => null);
    this.#isChecking = false;
    if (session !== this.session) return; // the box has been identified anew meanwhile
    if (!identity || identity.session === session) {
      this.tellMissing();
    } else if (identity.session === 0) {
      this.missing = 0; // numbers began anew
      this.#listener.restarted(identity.cause);
    } else {
      this.#window.fail(`another program has taken the box at ${this.#window.name}`);
    }
  }

  /** Compares the clocks, if that was long ago. */
  compareClocks() {
    if (performance.now() - this.#window.clock.newest > CLOCK_MS) this.#queue.ask('clock', {}).catch(() => {});
  }
}
