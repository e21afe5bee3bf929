// Requests and answers over a transport. A request leaves at once if it fits into the window, and never twice.

import { randomInt } from 'node:crypto';
import { setImmediate as nextTurn, setTimeout as sleep } from 'node:timers/promises';
import { AcceptedMarkers } from './accepted_markers.js';
import { ClockEstimate, wanderOf } from './clock_estimate.js';
import { identity as identityOf } from './answer_values.js';
import { LinkLost, NoAnswer, OpenFailed } from './errors.js';
import { Decoder } from './frames.js';
import { Identify } from './identify.js';
import { microseconds } from './field_codecs.js';
import { build, FIRST_NOTICE, isKnown, NO_EDGE, NOTHING_CUT, NOTICES, parse, REQUESTS, VERSION } from './message_codecs.js';
import { NoticeNumbers } from './notice_numbers.js';
import { answers, makeRequest, nameOf, refusal } from './pending_request.js';
import { TagAllocator } from './tag_allocator.js';

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

const OVERDUE_MS = 500;
/** A program that kept the event loop busy kept the answers from being read: after a pause so long ... */
const STALL_MS = 50;
/** ... the link reads for so long before it takes an answer for overdue. */
const GRACE_MS = 100;
const FATE_TRIES = 2;
const SESSION_TRIES = 3;
/** What comes in for so long after the port was opened is of an earlier program, and dropped. */
const STALE_MS = 20;
const CAUSE_UNKNOWN = 6;
const TAG_REPEATED = 5;
const CANCELLED = 19;
const FATE = { done: 1, waiting: 2, refused: 3, accepted: 4 };
/** Markers ahead tell no box time before their edge; so long after the last comparison the clocks are compared for them. */
const CLOCK_MS = 1000;

/** One connection to a box. */
export class Link {
  /** How long a marker may wait in the box, in µs. */
  gap = 0;
  /** @type {LinkLost | null} */
  lost = null;
  /** Relation of box time and host time. */
  clock = new ClockEstimate();
  #accepted = new AcceptedMarkers({
    askFate: (number) => this.#askFirst('fate_of_number', { number }),
    accepted: (marker) => this.#listener.accepted(marker),
    dueOf: (time) => {
      const edge = this.clock.toHost(time);
      return edge ? edge.time + edge.bound : 0;
    },
    end: (marker, fields, isByFate) => this.#endAccepted(marker, fields, isByFate),
    giveUp: (marker, because) => this.#giveUp(marker, because, 'Look for it in the recording.'),
    doubt: () => this.#checkSession(),
  });
  /** What came in and was ignored: messages that were too short, and answers that no open request has. */
  ignored = { short: 0, late: 0 };
  #transport;
  #listener;
  #decoder = new Decoder();
  /** Whether what comes in is dropped, just after the port was opened. */
  #isDeaf = true;
  /** @type {Identify | null} */
  #identify = null;
  /** Null while the box is being identified. @type {TagAllocator | null} */
  #tags = null;
  /** Sent and not settled, by tag, in the order of sending. @type {Map<number, Request>} */
  #open = new Map();
  /** Marker requests and steps of a sequence that don't fit yet. @type {Request[]} */
  #held = [];
  /** Other requests: one at a time may be on its way. @type {Request[]} */
  #questions = [];
  /** @type {Request | null} */
  #question = null;
  /** Overdue markers whose fate has to be asked for. @type {{ request: Request, tries: number, since: number }[]} */
  #doubtful = [];
  #lastHeard = 0;
  /** The number of this session with the box; the box has forgotten it when it starts again. */
  #session = 0;
  /** Whether the session has begun, so that markers may be sent. */
  #isBegun = false;
  /** Whether the box is being asked for the session in force. */
  #isChecking = false;
  #noticeNumbers = new NoticeNumbers();
  /** Notices that are missing and not reported yet. */
  #missing = 0;
  /** The newest box time that is known. */
  #boxTime = 0n;

  /**
   * @param {Transport} transport
   * @param {Listener} listener
   */
  constructor(transport, listener) {
    this.#transport = transport;
    this.#listener = listener;
    const { stream, name } = transport;
    stream.on('data', (bytes) => this.#receive(bytes));
    stream.on('error', (error) => this.lose(error));
    stream.on('end', () => this.lose(`${name} was closed at the other end`));
    stream.on('close', (/** @type {unknown} */ error) => this.lose(error instanceof Error ? error : `${name} was closed`));
  }

  /**
   * Asks the box who it is, and begins a session; then requests can be sent.
   * @param {number} patience ms
   */
  async identify(patience) {
    if (this.#isDeaf) await this.#dropStale();
    this.#identify = new Identify(this.#transport.name);
    this.#isBegun = false;
    try {
      const identity = await this.#identify.ask((wire) => this.#write(wire), patience);
      this.#tags = new TagAllocator(/** @type {any} */ (identity));
      this.#noticeNumbers.begin(identity.last_notice);
      this.#missing = 0;
      this.#boxTime = 0n;
      this.clock.reset();
      this.clock.wander = wanderOf(identityOf(identity).board);
      this.#identify = null;
      await this.#beginSession();
      return identity;
    } finally {
      this.#identify = null;
      this.#pump();
    }
  }

  /** Drops what has come in before the port was opened, and ends whatever noise went before. */
  async #dropStale() {
    await sleep(STALE_MS);
    await nextTurn(); // in which all is read that has come in meanwhile
    this.#isDeaf = false;
    if (this.lost) throw this.lost;
    this.#write(Buffer.of(0));
  }

  async #beginSession() {
    this.#session = randomInt(1, 2 ** 32);
    for (let tries = 1; ; tries++) {
      try {
        await this.#askFirst('session', { number: this.#session });
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
    this.#isBegun = true;
    if (this.#missing) this.#checkSession();
  }

  /** Broken frames that came in. */
  get framesBroken() {
    return this.#decoder.framesBroken;
  }

  /**
   * Sends a request that is no marker.
   * @param {RequestName} name
   * @param {Record<string, any>} [fields]
   * @returns {Promise<Record<string, any>>} fields of the answer; rejects with `Refused`, `NoAnswer` or `LinkLost`
   */
  ask(name, fields = {}) {
    return this.#put(name, fields, name === 'sequence_load' ? 'held' : 'questions');
  }

  /**
   * The same, before all other questions.
   * @param {RequestName} name
   * @param {Record<string, any>} fields
   */
  #askFirst(name, fields) {
    return this.#put(name, fields, 'first');
  }

  /**
   * @param {RequestName} name
   * @param {Record<string, any>} fields
   * @param {'held' | 'questions' | 'first'} where
   * @returns {Promise<Record<string, any>>}
   */
  #put(name, fields, where) {
    return new Promise((resolve, reject) => {
      if (this.lost) return reject(this.lost);
      const request = makeRequest(name, fields, {
        answered: (answer) => (answer.name === 'refused' ? reject(refusal(name, answer.fields)) : resolve(answer.fields)),
        overdue: () => {
          this.#finish(request);
          reject(new NoAnswer(
            `The box did not answer '${nameOf(name)}' in time. Markers are not affected by that. Ask again; if it happens often, check the cable.`));
          this.#pump();
        },
        failed: reject,
      });
      if (where === 'first') this.#questions.unshift(request);
      else (where === 'held' ? this.#held : this.#questions).push(request);
      this.#pump();
    });
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
      overdue: () => this.#doubt(request),
      failed: () => {},
    }, marker);
    this.#held.push(request);
    this.#pump();
    return marker.outcome !== 'open' || request.count > 0;
  }

  /**
   * Settles what is open, for good or because the box has forgotten it.
   * @param {string} because a sentence
   * @param {string} next a sentence
   * @param {Error} error for those that wait for answers
   */
  abandon(because, next, error) {
    const abandoned = [...this.#open.values(), ...this.#held, ...this.#questions];
    this.#open.clear();
    this.#held = [];
    this.#questions = [];
    this.#question = null;
    this.#doubtful = [];
    this.#tags = null;
    this.#isBegun = false;
    this.clock.reset();
    for (const marker of this.#accepted.clear()) this.#giveUp(marker, because, next);
    for (const request of abandoned) {
      clearTimeout(request.timer);
      if (request.marker) this.#giveUp(request.marker, because, next);
      else request.failed(error);
    }
  }

  /** Ends the connection. */
  async close() {
    this.lose('the client was closed', 'Wait for its answer before you close.', 'Open the box again.');
    await this.#transport.close();
  }

  // ---- sending ----

  #pump() {
    while (this.#tags && !this.#question && this.#doubtful.length && this.#askFate(this.#tags));
    if (this.#tags?.isSilent && !this.#open.size) {
      this.#tags = null;
      this.#listener.silent();
      return;
    }
    while (this.#tags && this.#isBegun && this.#held.length && this.#sendIfItFits(this.#tags, this.#held));
    if (this.#tags && !this.#question && this.#questions.length) {
      const [question] = this.#questions;
      if (this.#sendIfItFits(this.#tags, this.#questions) && !this.lost) this.#question = question;
    }
  }

  /**
   * @param {TagAllocator} tags
   * @param {Request[]} queue
   */
  #sendIfItFits(tags, queue) {
    const [oldest] = this.#open.values();
    if (!tags.fits(queue[0].bytes, oldest?.count)) return false;
    this.#send(tags, /** @type {Request} */ (queue.shift()));
    return true;
  }

  /**
   * @param {TagAllocator} tags
   * @param {Request} request
   */
  #send(tags, request) {
    const { count, tag } = tags.next();
    const wire = build(REQUESTS[request.name], tag, request.fields);
    Object.assign(request, { count, tag, since: this.#boxTime, sent: performance.now() });
    this.#open.set(tag, request);
    tags.take(request.bytes);
    this.#watch(request, request.marker ? OVERDUE_MS + this.gap / 1000 : OVERDUE_MS);
    if (request.marker) {
      request.marker.tag = tag;
      request.marker.sent = request.sent;
    }
    this.#write(wire);
  }

  /** @param {Buffer} wire */
  #write(wire) {
    try {
      this.#transport.write(wire);
    } catch (error) {
      this.lose(/** @type {Error} */ (error));
    }
  }

  // ---- receiving ----

  /** @param {Uint8Array} bytes */
  #receive(bytes) {
    if (this.#isDeaf) return;
    for (const raw of this.#decoder.feed(bytes)) {
      this.#lastHeard = performance.now();
      if (this.#identify) {
        this.#identify.take(raw);
        continue;
      }
      const message = parse(raw);
      if (!message && isKnown(raw.type)) this.ignored.short++; // a type that is not known is of a later minor version
      if (raw.type >= FIRST_NOTICE) this.#notice(raw.tag, raw.type, message);
      else if (message) this.#answer(message);
    }
    this.#pump();
  }

  /**
   * @param {number} number of the notice
   * @param {number} type
   * @param {Message | null} message null: of a later version
   */
  #notice(number, type, message) {
    if (type === NOTICES.started.type) {
      this.#missing = 0;
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
    this.#missing += count;
    this.#checkSession();
    this.#accepted.doubt();
  }

  /**
   * Something is missing: was it lost on the link, or has the box started again, unheard, or has another program taken it? The
   * session in force tells.
   */
  async #checkSession() {
    if (this.#isChecking || !this.#isBegun) return;
    this.#isChecking = true;
    const session = this.#session;
    const ask = () => this.#askFirst('identify', VERSION);
    const identity = await ask().catch(ask).catch(() => null);
    this.#isChecking = false;
    if (session !== this.#session) return; // the box has been identified anew meanwhile
    const missing = this.#missing;
    this.#missing = 0;
    if (!identity || identity.session === session) {
      if (missing) this.#listener.noticesLost(missing);
    } else if (identity.session === 0) {
      this.#listener.restarted(identity.cause);
    } else {
      this.lose(`another program has taken the box at ${this.#transport.name}`);
    }
  }

  /** @param {Message} answer */
  #answer(answer) {
    const request = this.#open.get(answer.tag);
    if (!request || !answers(request.name, answer)) {
      this.ignored.late++;
      return;
    }
    this.#tags?.answered(request.count);
    if (request.marker && answer.name === 'refused' && answer.fields.reason === TAG_REPEATED) {
      if (!request.isAsking) this.#doubt(request); // an earlier copy may have arrived, and its answer been lost
      return;
    }
    const { time } = answer.fields;
    if (typeof time === 'bigint' && answer.name !== 'fate') { // a fate has a time of the past
      if (time < request.since) { // box time never goes back: the notice of the start got lost
        if (!request.marker) this.#finish(request);
        this.#listener.restarted(CAUSE_UNKNOWN);
        request.answered(answer);
        return;
      }
      if (time > this.#boxTime) this.#boxTime = time;
      // The first edge of a sequence may be still to come.
      if (request.name !== 'sequence_start') this.clock.add(request.sent, microseconds(time), this.#lastHeard);
    }
    if (answer.name === 'counters') {
      const missing = this.#noticeNumbers.compare(answer.fields.notices);
      if (missing) this.#miss(missing);
    }
    this.#finish(request);
    request.answered(answer);
    this.#suspect(request.count);
  }

  /**
   * The box answers in the order of requests, but for markers that wait for their gap: an earlier one that has no answer yet
   * waits, or its answer is lost.
   * @param {number} count of a request that was answered
   */
  #suspect(count) {
    for (const request of [...this.#open.values()]) {
      if (request.marker && request.count < count && !request.isAsking && !request.isWaiting) this.#doubt(request);
    }
  }

  /** @param {Request} request */
  #finish(request) {
    clearTimeout(request.timer);
    this.#open.delete(request.tag);
    this.#giveBack(request);
    if (this.#question === request) this.#question = null;
  }

  /** @param {Request} request */
  #giveBack(request) {
    this.#tags?.giveBack(request.bytes);
    request.bytes = 0;
  }

  /**
   * @param {Request} request
   * @param {Marker} marker
   * @param {Message} answer
   */
  #settle(request, marker, { name, fields }) {
    if (marker.outcome !== 'open') return;
    if (name === 'accepted') {
      this.#accepted.accept(marker, fields.number, request.since);
      if (performance.now() - this.clock.newest > CLOCK_MS) this.ask('clock').catch(() => {});
      return;
    }
    if (name === 'refused') {
      if (fields.reason === CANCELLED) marker.cut = cutOf(fields.detail);
      marker.refuse(fields.reason, fields.detail);
    } else {
      if (name === 'done_noted') {
        marker.cut = cutOf(fields.lasted);
        marker.delay = fields.delay;
        marker.noEdge = (fields.notes & NO_EDGE) !== 0;
      }
      marker.confirm(microseconds(fields.time));
    }
    this.#listener.settled(marker);
  }

  /**
   * @param {Marker} marker
   * @param {Record<string, any>} fields of `marker_edge` or `fate`
   * @param {boolean} isByFate
   */
  #endAccepted(marker, { time, lasted, delay, notes, reason }, isByFate) {
    marker.answerLost ||= isByFate;
    marker.cut = cutOf(lasted);
    marker.delay = delay;
    marker.noEdge = (notes & NO_EDGE) !== 0;
    if (reason) {
      marker.refuse(reason, null);
    } else {
      marker.host = this.clock.toHost(microseconds(time));
      marker.confirm(microseconds(time));
    }
    this.#listener.settled(marker);
  }

  // ---- answers that don't come ----

  /**
   * @param {Request} request
   * @param {number} patience ms
   */
  #watch(request, patience) {
    request.deadline = performance.now() + patience;
    request.timer = setTimeout(() => {
      if (performance.now() > request.deadline + STALL_MS) this.#watch(request, GRACE_MS);
      else request.overdue();
    }, patience);
  }

  /** @param {Request} request a marker whose answer is overdue, or seems to be lost */
  #doubt(request) {
    clearTimeout(request.timer);
    request.isAsking = true;
    this.#giveBack(request);
    this.#doubtful.push({ request, tries: 0, since: performance.now() });
    this.#pump();
  }

  /**
   * Asks for the fate of the marker that has been overdue for longest.
   * @param {TagAllocator} tags
   * @returns {boolean} whether the next one can be looked at
   */
  #askFate(tags) {
    const { request, ...doubt } = this.#doubtful[0];
    if (request.marker?.outcome !== 'open') { // its answer came after all
      this.#doubtful.shift();
      return true;
    }
    if (tags.isSilent || !tags.knowsFate(request.count)) {
      this.#doubtful.shift();
      this.#drop(request, 'its answer did not come, and the box was used too much since to be asked.');
      return true;
    }
    const question = makeRequest('fate', { asked: request.tag }, {
      answered: ({ fields }) => this.#learnFate(request, fields),
      overdue: () => {
        this.#finish(question);
        if (doubt.tries + 1 < FATE_TRIES) this.#doubtful.unshift({ request, tries: doubt.tries + 1, since: doubt.since });
        else this.#despair(request, doubt.since);
        this.#pump();
      },
      failed: () => {},
    });
    if (!tags.fits(question.bytes, undefined)) return false;
    this.#doubtful.shift();
    this.#question = question;
    this.#send(tags, question);
    return false;
  }

  /**
   * @param {Request} request
   * @param {Record<string, any>} fate
   */
  #learnFate(request, { outcome, code, reason, time, lasted, delay, notes, number }) {
    const marker = /** @type {Marker} */ (request.marker);
    if (marker.outcome !== 'open') return; // its answer came after all
    const isKnown = code === marker.code && (outcome === FATE.waiting || time >= request.since);
    if (code === marker.code && marker.at !== null && outcome === FATE.accepted) {
      this.#finish(request);
      marker.answerLost = true;
      this.#accepted.accept(marker, number, request.since, true);
    } else if (isKnown && outcome === FATE.waiting) {
      request.isAsking = false;
      request.isWaiting = true;
      this.#watch(request, OVERDUE_MS + this.gap / 1000);
    } else if (isKnown && (outcome === FATE.done || outcome === FATE.refused)) {
      this.#finish(request);
      marker.answerLost = true;
      marker.cut = cutOf(lasted);
      marker.delay = delay;
      marker.noEdge = (notes & NO_EDGE) !== 0;
      if (outcome === FATE.done) marker.confirm(microseconds(time));
      else marker.refuse(reason, null);
      this.#listener.settled(marker);
    } else {
      this.#drop(request, 'its answer did not come, and the box has no record of it: most likely it was lost in transmission.');
      this.#checkSession();
    }
  }

  /**
   * No answer to the question either. If nothing at all came since, the others are not asked for: that would take minutes.
   * @param {Request} request
   * @param {number} since
   */
  #despair(request, since) {
    const silent = this.#lastHeard < since;
    const given = silent ? [request, ...this.#doubtful.splice(0).map((doubt) => doubt.request)] : [request];
    for (const each of given) this.#drop(each, 'neither its answer nor the answer to the question for its fate was received.');
  }

  /**
   * @param {Request} request
   * @param {string} because
   */
  #drop(request, because) {
    if (request.marker?.outcome !== 'open') return;
    this.#finish(request);
    this.#giveUp(/** @type {Marker} */ (request.marker), because, 'Check the cable and its length.');
  }

  /**
   * @param {Marker} marker
   * @param {string} because
   * @param {string} next
   */
  #giveUp(marker, because, next) {
    marker.giveUp(because, next);
    this.#listener.settled(marker);
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
    this.lost = new LinkLost(
      `${What}. Nothing can be sent any more: later markers will be missing in the recording. ${next}`,
      { cause: cause instanceof Error ? cause : undefined });
    this.#identify?.fail(this.lost);
    this.abandon(`${what}.`, advice, this.lost);
    this.#listener.lost(this.lost);
  }
}

/** @param {number} lasted of a message */
function cutOf(lasted) {
  return lasted === NOTHING_CUT ? null : lasted;
}
