// Takes what comes in from a box: answers to their requests, notices to those that they concern.

import { microseconds } from './field_codecs.js';
import { Decoder } from './frames.js';
import { Identify } from './identify.js';
import { ANSWERS, baseType, FIRST_NOTICE, isKnown, NOTICES, parse } from './message_codecs.js';
import { NoticeNumbers } from './notice_numbers.js';
import { answers } from './pending_request.js';

/** @typedef {import('./accepted_markers.js').AcceptedMarkers} AcceptedMarkers */
/** @typedef {import('./answer_recovery.js').AnswerRecovery} AnswerRecovery */
/** @typedef {import('./session_check.js').SessionCheck} SessionCheck */
/** @typedef {import('./message_codecs.js').Message} Message */
/** @typedef {import('./request_window.js').RequestWindow} RequestWindow */

const CAUSE_UNKNOWN = 6;
const TAG_REPEATED = 5;

/** Reads one connection. */
export class Reader {
  /** What came in and was ignored: messages that were too short, and answers that no open request has. */
  ignored = { short: 0, late: 0 };
  /** Whether what comes in is dropped, just after the port was opened. */
  isDeaf = true;
  #decoder = new Decoder();
  #noticeNumbers = new NoticeNumbers();
  /** Whether the newest message said that a session is in force. */
  #isInSession = false;
  /** While the box is being identified. @type {Identify | null} */
  #identify = null;
  #window;
  #recovery;
  #accepted;
  #background;
  #listener;

  /**
   * @param {RequestWindow} window
   * @param {AnswerRecovery} recovery
   * @param {AcceptedMarkers} accepted
   * @param {SessionCheck} background
   * @param {Pick<import('./link.js').Listener, 'noticed' | 'restarted'>} listener
   */
  constructor(window, recovery, accepted, background, listener) {
    this.#window = window;
    this.#recovery = recovery;
    this.#accepted = accepted;
    this.#background = background;
    this.#listener = listener;
  }

  /** Broken frames that came in. */
  get framesBroken() {
    return this.#decoder.framesBroken;
  }

  /**
   * Asks the box who it is; meanwhile all that comes in is looked at for the answer. `identified` has to follow.
   * @param {number} patience ms
   * @returns {Promise<Record<string, any>>} fields of `identity`; rejects with `OpenFailed` or `LinkLost`
   */
  identify(patience) {
    this.#identify = new Identify(this.#window.name);
    return this.#identify.ask((wire) => this.#window.write(wire), patience);
  }

  /**
   * The question is over.
   * @param {Record<string, any>} [identity] the answer, if there was one
   */
  identified(identity) {
    if (identity) this.#noticeNumbers.begin(identity.last_notice);
    this.#isInSession = false;
    this.#identify = null;
  }

  /**
   * The connection is gone.
   * @param {Error} error for whoever waits for the answer to the question who the box is
   */
  fail(error) {
    this.#identify?.fail(error);
  }

  /** @param {Uint8Array} bytes */
  take(bytes) {
    if (this.isDeaf) return;
    for (const raw of this.#decoder.feed(bytes)) {
      this.#window.heard = performance.now();
      if (this.#identify) {
        this.#identify.take(raw);
        continue;
      }
      const type = baseType(raw.type);
      this.#followSession(raw, type);
      if (this.#identify && type < FIRST_NOTICE) continue; // it has started again, and was not asked that by this session
      const message = parse({ ...raw, type });
      if (!message && isKnown(type)) this.ignored.short++; // a type that is not known is of a later minor version
      if (type >= FIRST_NOTICE) this.#notice(raw.tag, type, message);
      else if (message) this.#answer(message);
    }
    this.#window.freed();
  }

  /**
   * A start ends the session. So what comes without the bit of a session, after a message with it, is from a box that has
   * started again.
   * @param {import('./frames.js').RawMessage} raw
   * @param {number} type without that bit
   */
  #followSession(raw, type) {
    if (raw.type !== type) {
      this.#isInSession = true;
    } else if (type === NOTICES.started.type) {
      this.#isInSession = false;
    } else if (this.#isInSession && type !== ANSWERS.identity.type) {
      this.#isInSession = false;
      this.#background.tellMissing(); // of the time before this start
      this.#noticeNumbers.startedUnheard();
      this.#listener.restarted(CAUSE_UNKNOWN);
    }
  }

  /**
   * @param {number} number of the notice
   * @param {number} type
   * @param {Message | null} message null: of a later version
   */
  #notice(number, type, message) {
    if (type === NOTICES.started.type) {
      this.#background.tellMissing(); // of the time before this start
      this.#noticeNumbers.started(number);
    } else {
      const missing = this.#noticeNumbers.came(number);
      if (missing === null) return; // the link has repeated it
      if (missing) this.#miss(missing);
    }
    if (message?.name === 'marker_edge') this.#accepted.ended(message.fields);
    else if (message) this.#listener.noticed(message);
  }

  /** @param {number} count of notices that did not arrive */
  #miss(count) {
    this.#background.miss(count);
    this.#accepted.doubt();
  }

  /** @param {Message} answer */
  #answer(answer) {
    const window = this.#window;
    const request = window.find(answer.tag);
    if (!request || !answers(request.name, answer)) {
      this.ignored.late++;
      return;
    }
    window.answered(request);
    if (request.marker && answer.name === 'refused' && answer.fields.reason === TAG_REPEATED) {
      if (!request.isAsking) this.#recovery.doubt(request); // an earlier copy may have arrived, and its answer been lost
      return;
    }
    const { time } = answer.fields;
    if (typeof time === 'bigint' && answer.name !== 'fate') { // a fate has a time of the past
      if (time < request.since) { // box time never goes back: the notice of the start got lost
        if (!request.marker) window.finish(request);
        this.#listener.restarted(CAUSE_UNKNOWN);
        request.answered(answer);
        return;
      }
      if (request.name !== 'sequence_start') { // whose first edge may be still to come
        if (time > window.boxTime) window.boxTime = time;
        window.clock.add(request.sent, microseconds(time), window.heard);
      }
    }
    if (answer.name === 'counters') {
      const missing = this.#noticeNumbers.compare(answer.fields.notices);
      if (missing) this.#miss(missing);
    }
    window.finish(request);
    request.answered(answer);
    this.#recovery.suspect(request.count);
  }
}
