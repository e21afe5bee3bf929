// A box: markers, sequences, questions.

import { EventEmitter } from 'node:events';
import { byteMarker, causeOf, counters, identity, levels, loggedSettings, sequenceState, settings } from './answer_values.js';
import { LinkLost, LogFailed, NoAnswer, OpenFailed, TallymarkError } from './errors.js';
import { microseconds } from './field_codecs.js';
import { Link } from './link.js';
import { Marker } from './marker.js';
import { MarkerLog } from './marker_log.js';
import { selftest } from './selftest.js';
import { Sequence } from './playing_sequence.js';
import { isAhead, lowBits, timeAhead, timeOfStart } from './time_ahead.js';
import { connect } from './transport.js';

/** @typedef {import('node:stream').Duplex} Duplex */
/** @typedef {import('./answer_values.js').ByteMarker} ByteMarker */
/** @typedef {import('./answer_values.js').Identity} Identity */
/** @typedef {import('./answer_values.js').Settings} Settings */
/** @typedef {import('./message_codecs.js').Message} Message */
/** @typedef {import('./playing_sequence.js').Step} Step */

/**
 * What else can be asked of a marker.
 * @typedef {object} Options
 * @property {number} [expiry] box time in µs, at most 17 minutes away, after which the marker is not wanted any more: then the
 *   box refuses it (`late`) and leaves the lines alone. A wait for the gap counts. `clock` gives the box time.
 * @property {number} [at] for a marker ahead of its time, which the box puts out by its own timer: when, in ms on the clock of
 *   `performance.now()`, at most 30 minutes away
 * @property {number} [after] the same, in µs from now
 * @property {number} [atBox] the same, as a box time in µs
 * @property {number} [late] how much later a marker ahead may go out if it comes too late, in µs; 0: it is refused then
 * @property {number} [bound] largest error of the box time of a marker ahead that you can use, in µs
 */

/**
 * Events of a box. A `problem` without a listener, about a marker that nobody waits for, is printed as a process warning.
 * @typedef {object} BoxEvents
 * @property {[marker: Marker]} settled a marker is done, refused or unconfirmed
 * @property {[error: TallymarkError]} problem a marker is refused or unconfirmed, the box has restarted, or the connection is lost
 * @property {[marker: Marker]} heldBack a marker waits in the computer, because the box has no room for more
 * @property {[{ cause: string }]} started the box has started again
 * @property {[{ time: number, played: number }]} sequenceEnded
 * @property {[marker: ByteMarker]} byteMarker a byte came in on the byte input
 * @property {[{ time: number, code: number }]} holdEnded the hold limit took a held code to idle
 * @property {[{ count: number }]} noticesLost so many notices of the box did not arrive: byte markers, ends of sequences or holds
 */

const OPEN_MS = 6000;
const CLOSE_MS = 1000;
const HIGHEST_U32 = 2 ** 32 - 1;
/** Before any expiry, and so far back that the box takes it for past: 2^30 µs, some 18 minutes. */
const SURELY_PAST = 2 ** 30;
const KEPT_BY_OTHER_FIRMWARE = 3;
const BYTES_SET = 2;

/**
 * What to do with a box from its opening.
 * @typedef {object} OpenOptions
 * @property {string} [log] file of a marker log, which must not exist yet: every marker is noted there, before it leaves, and the
 *   log is closed with the box
 * @property {Record<number, string>} [events] names of codes, for the log
 */

/**
 * Opens a box.
 * @param {string | Duplex} where a serial port (`/dev/ttyACM0`, `COM3`), `socket://HOST:PORT`, or an open stream to a box
 * @param {OpenOptions} [options]
 * @returns {Promise<Box>} rejects with `OpenFailed` if no box answers within 6 s on the open port, with `LogFailed` if the log can't be begun
 */
export function open(where, options) {
  return Box.open(where, options);
}

/** @extends {EventEmitter<BoxEvents>} */
export class Box extends EventEmitter {
  /** Who the box is. @type {Identity} */
  identity = /** @type {any} */ (null);
  #link;
  #name;
  #isClosing = false;
  /** @type {MarkerLog | null} */
  #log = null;
  /** The settings in force, with the names of the protocol. @type {Record<string, any>} */
  #settings = {};
  #count = 0;
  /** @type {Set<Marker>} */
  #open = new Set();
  /** Since the last `wait`. @type {Marker[]} */
  #notDone = [];
  /** @type {(() => void)[]} */
  #waiting = [];
  /** @type {Sequence | null} */
  #sequence = null;
  /** The last start of a sequence, whose caller is told. @type {Marker | null} */
  #starting = null;

  /**
   * The same as the function `open`.
   * @param {string | Duplex} where
   * @param {OpenOptions} [options]
   */
  static async open(where, { log, events } = {}) {
    const box = new Box(await connect(where, OPEN_MS));
    try {
      await box.#identify(OPEN_MS); // in full, however long the port or this program needed until here
      if (log !== undefined) box.#beginLog(log, events);
    } catch (error) {
      await box.close();
      throw error instanceof LinkLost ? closedWhileOpening(box.#name, error) : error;
    }
    return box;
  }

  /**
   * Use `open`.
   * @internal
   * @param {import('./transport.js').Transport} transport
   */
  constructor(transport) {
    super();
    this.#name = transport.name;
    this.#link = new Link(transport, {
      accepted: (marker) => this.#accepted(marker),
      settled: (marker) => this.#settled(marker),
      noticed: (notice) => this.#noticed(notice),
      noticesLost: (count) => this.#noticesLost(count),
      restarted: (cause) => this.#restarted(causeOf(cause)),
      silent: () => this.#silent(),
      lost: (error) => this.#lost(error),
    });
  }

  /** @param {number} patience ms */
  async #identify(patience) {
    this.identity = identity(await this.#link.identify(patience));
    const { origin } = await this.#readSettings() // an answer may be late by the gap
      .catch(() => this.#readSettings())
      .catch(() => this.#readSettings());
    if (origin === KEPT_BY_OTHER_FIRMWARE) {
      this.#problem(new TallymarkError(
        'The settings that the box has kept are those of another version of its firmware, so it started with the factory values: ' +
        'width, gap, lines and idle level may not be what the recording needs. Look at them, and keep them again, with ' +
        '`tallymark settings`.'), false);
    }
  }

  /**
   * @param {string} path
   * @param {Record<number, string> | undefined} events
   */
  #beginLog(path, events) {
    const { serial, name, board, firmware, protocol } = this.identity;
    this.#log = new MarkerLog(path, {
      box: { serial: serial.toUpperCase(), name, board, firmware, protocol },
      settings: loggedSettings(this.#settings),
      plan: events ? { name: null, digest: null, events } : null,
    }, (text) => this.#problem(new LogFailed(text), false));
  }

  // ---- markers ----

  /**
   * Puts a code on the lines now, and back to idle after a width. Returns at once.
   * @param {number} code 1 to 255: bit n for line n
   * @param {number} [width] µs; without it, that of the settings
   * @param {Options} [options]
   * @returns {Marker}
   */
  pulse(code, width, options = {}) {
    const { expiry } = options;
    checkWhole('A code of a pulse', code, 1, 255);
    if (width !== undefined) checkWhole('A width in µs', width, 1, HIGHEST_U32);
    if (isAhead(options)) return this.#ahead('pulse', code, width, options);
    if (expiry !== undefined) return this.#timed('pulse', code, width, expiry);
    if (width === undefined) return this.#mark('pulse', { code }, new Marker(++this.#count, 'pulse', code, null));
    return this.#mark('pulse_for', { code, width }, new Marker(++this.#count, 'pulse', code, width));
  }

  /**
   * Puts a code on the lines now, where it stays until the next marker. Returns at once.
   * @param {number} code 0 to 255; 0 takes the lines to idle
   * @param {Options} [options]
   * @returns {Marker}
   */
  set(code, options = {}) {
    const { expiry } = options;
    checkWhole('A code', code, 0, 255);
    if (isAhead(options)) return this.#ahead('set', code, undefined, options);
    if (expiry !== undefined) return this.#timed('set', code, undefined, expiry);
    return this.#mark('set', { code }, new Marker(++this.#count, 'set', code, null));
  }

  /**
   * A marker that goes out at once or, after a box time, not at all.
   * @param {'pulse' | 'set'} kind
   * @param {number} code
   * @param {number | undefined} width
   * @param {number} expiry
   */
  #timed(kind, code, width, expiry) {
    checkWhole('An expiry, a box time in µs,', expiry, 0, Number.MAX_SAFE_INTEGER);
    return this.#mark('timed', {
      kind: kind === 'set' ? 1 : 0, code, width: width ?? 0, at: lowBits(expiry - SURELY_PAST), expiry: lowBits(expiry),
    }, new Marker(++this.#count, kind, code, width ?? null));
  }

  /**
   * A marker that the box puts out at a time to come.
   * @param {'pulse' | 'set'} kind
   * @param {number} code
   * @param {number | undefined} width
   * @param {Options} options
   */
  #ahead(kind, code, width, options) {
    const time = timeAhead(this, options);
    if ([...this.#open].filter((marker) => marker.at !== null).length >= this.identity.places) {
      throw new RangeError(
        `The box holds ${this.identity.places} markers ahead, and as many wait for their time. This one was not sent: wait for one of ` +
        'them, or cancel it.');
    }
    const marker = new Marker(++this.#count, kind, code, width ?? null);
    marker.at = time;
    return this.#mark('timed', {
      kind: kind === 'set' ? 1 : 0, code, width: width ?? 0, at: lowBits(time), expiry: lowBits(time + Math.round(options.late ?? 0)),
    }, marker);
  }

  /**
   * Takes back a marker ahead, or all of them, unless they are out already.
   * @param {Marker} [marker]
   * @returns {Promise<Marker[]>} those that were taken back: they are refused (`cancelled`). Rejects with `NoAnswer`, `LinkLost`
   */
  async cancel(marker) {
    await marker?.answered; // its number may be on the way
    if (marker && marker.outcome !== 'accepted') return [];
    const waiting = [...this.#open].filter((each) => each.at !== null);
    for (const each of marker ? [marker] : waiting) void each.done; // no warning for what was asked for
    const ask = () => this.#link.ask('cancel', { number: marker?.aheadNumber ?? 0 });
    await ask().catch((error) => {
      if (error instanceof NoAnswer) return ask(); // it changes nothing if it is carried out twice
      throw error;
    });
    return waiting.filter(({ outcome }) => outcome === 'refused');
  }

  /**
   * Compares the clocks by some round trips. Every answered marker compares them too.
   * @param {number} [rounds]
   */
  async syncClock(rounds = 8) {
    for (let round = 0; round < rounds; round++) await this.#link.ask('clock');
  }

  /**
   * Host time of a box time: ms on the clock of `performance.now()`, and by how much that may be wrong to either side, in ms.
   * @param {number} time box time, µs
   */
  toHost(time) {
    return this.#link.clock.toHost(time) ?? notCompared();
  }

  /**
   * Box time of a host time, and by how much that may be wrong to either side, both in µs.
   * @param {number} time ms on the clock of `performance.now()`
   */
  toBox(time) {
    return this.#link.clock.toBox(time) ?? notCompared();
  }

  /**
   * Waits until no marker is open any more, and those ahead are out.
   * @returns {Promise<Marker[]>} those that were refused or are unconfirmed, of all since the last `wait`; each has its `error`
   */
  async wait() {
    while (this.#open.size) await this.#whenSettled();
    return this.#notDone.splice(0);
  }

  /** Markers that are still open. */
  get openMarkers() {
    return [...this.#open];
  }

  /**
   * @param {'pulse' | 'pulse_for' | 'set' | 'timed' | 'sequence_start' | 'sequence_start_at'} name
   * @param {Record<string, number>} fields
   * @param {Marker} marker
   */
  #mark(name, fields, marker) {
    this.#checkOpen();
    this.#open.add(marker);
    if (marker.kind !== 'sequence') this.#log?.sent(marker, marker.kind === 'set' ? null : marker.width ?? this.#settings.width);
    if (!this.#link.mark(name, fields, marker)) {
      marker.heldBack = true;
      this.emit('heldBack', marker);
    }
    return marker;
  }

  // ---- sequences ----

  /**
   * Loads a sequence and starts it, now or at a time to come. The box times its steps by its own clock.
   * @param {Step[]} steps
   * @param {number} [repeats] how often they are played; 0: until stopped
   * @param {Pick<Options, 'at' | 'after' | 'atBox' | 'bound'>} [when] for a start ahead of its time, by the timer of the box, in the
   *   microsecond that was asked for or not at all (`late`); `after` counts from when the steps are loaded. While it waits, the box
   *   refuses markers ahead, and markers that are in its way; `cancel` and `stop` take it back
   * @returns {Promise<Sequence>} when the first step is out, or a start ahead is accepted; rejects with `Refused`, `MarkerRefused`,
   *   `NoAnswer`, `LinkLost`, or `MarkerUnconfirmed`: then it may be playing, and `sequenceStop` ends it
   */
  async sequence(steps, repeats = 1, when = {}) {
    checkWhole('The number of repeats', repeats, 0, HIGHEST_U32);
    checkWhole('The number of steps', steps.length, 1, this.identity.steps);
    for (const { code, hold } of steps) {
      checkWhole('A code of a step', code, 0, 255);
      checkWhole('A hold time in µs', hold, 1, HIGHEST_U32);
    }
    const isAtATime = Object.keys(when).length > 0;
    if (isAtATime) timeOfStart(this, when);
    this.#checkOpen();
    const loads = steps.map(({ code, hold }, index) => this.#link.ask('sequence_load', { index, code, hold }));
    await Promise.all(loads);
    const time = isAtATime ? timeOfStart(this, when) : null; // anew: `after` counts from here
    const marker = new Marker(++this.#count, 'sequence', 0, null);
    marker.at = time;
    const sequence = new Sequence(this, marker);
    this.#sequence = sequence;
    this.#starting = marker;
    if (time === null) this.#mark('sequence_start', { repeats }, marker);
    else this.#mark('sequence_start_at', { repeats, at: lowBits(time) }, marker);
    await marker.answered;
    if (marker.error) {
      if (this.#sequence === sequence) this.#sequence = null;
      throw marker.error;
    }
    const begin = time === null ? 0 : Math.max(0, this.toHost(time).time - performance.now());
    sequence.watch(begin, repeats * steps.reduce((sum, { hold }) => sum + hold, 0));
    return sequence;
  }

  /** What the sequence in the box does, whoever started it. */
  async sequenceState() {
    return sequenceState(await this.#link.ask('sequence_state'));
  }

  /** Ends the sequence in the box, whoever started it; the lines go to idle. */
  async sequenceStop() {
    if (this.#sequence?.marker.outcome === 'accepted') void this.#sequence.marker.done; // no warning for what was asked for
    const state = sequenceState(await this.#link.ask('sequence_stop'));
    if (state.state !== 'loaded') { // otherwise its start was taken back, and the end of its marker tells that
      this.#sequence?.over({ time: state.ended, played: state.played, isStopped: state.state === 'stopped' });
      this.#sequence = null;
    }
    return state;
  }

  // ---- questions ----

  /** The levels that the box drives and reads back (not codes: with `idle` high, code 0 is 255 here), and the box time in µs. */
  async levels() {
    return levels(await this.#link.ask('levels'));
  }

  /** The box time in µs, which lay between `before` and `after`, in ms on the clock of `performance.now()`. */
  async clock() {
    const before = performance.now();
    const { time } = await this.#link.ask('clock');
    return { time: microseconds(time), before, after: performance.now() };
  }

  /** What the box has counted since it started. */
  async counters() {
    return counters(await this.#link.ask('counters'));
  }

  /**
   * The settings in force.
   * @returns {Promise<Settings>}
   */
  async settings() {
    return settings((await this.#readSettings()).record);
  }

  async #readSettings() {
    const answer = await this.#link.ask('settings_read');
    this.#link.gap = answer.record.gap;
    this.#settings = answer.record;
    return answer;
  }

  /**
   * What came in and was ignored since the box was opened: broken frames, messages that were too short, answers that no open
   * request has. More than a few of them show a bad cable, or another program on the port.
   */
  get ignored() {
    return { broken: this.#link.framesBroken, ...this.#link.ignored };
  }

  /** With the loopback in place: drives every code of the lines in use and compares what comes back. See `selftest.js`. */
  selftest() {
    return selftest(this);
  }

  /**
   * Takes back the markers ahead that still wait for their time (`wait` first, if they are wanted), waits for open markers, a second at
   * most, and closes, the marker log as well: rejects with `LogFailed` if that lacks records. Lines, a held code and a sequence stay as they are.
   */
  async close() {
    if (!this.#isClosing && !this.#link.lost && [...this.#open].some(({ at }) => at !== null)) await this.cancel().catch(() => {});
    this.#isClosing = true;
    /** @type {NodeJS.Timeout | undefined} */
    let timer;
    const enough = new Promise((resolve) => (timer = setTimeout(resolve, CLOSE_MS)));
    if (this.#open.size) await Promise.race([this.#whenSettled(), enough]);
    clearTimeout(timer);
    await this.#link.close();
    this.#log?.close();
  }

  // ---- what the link tells ----

  #checkOpen() {
    if (this.#link.lost) throw this.#link.lost;
    if (this.#isClosing) {
      throw new LinkLost(`${this.#name} is being closed. Nothing was sent: this marker is not in the recording. Open the box again.`);
    }
  }

  /** @param {Marker} marker */
  #accepted(marker) {
    if (marker.kind !== 'sequence') this.#log?.accepted(marker, this.#link.clock);
  }

  /** @param {Marker} marker */
  #settled(marker) {
    this.#open.delete(marker);
    if (marker.kind !== 'sequence') this.#log?.ended(marker, this.#link.clock);
    if (marker.error) {
      this.#notDone.push(marker);
      if (this.#sequence?.marker === marker) this.#sequence.notStarted(marker.error);
      this.#problem(marker.error, marker.isAwaited || marker === this.#starting && marker.aheadNumber === null);
    }
    this.emit('settled', marker);
    if (!this.#open.size) for (const resolve of this.#waiting.splice(0)) resolve();
  }

  /**
   * @param {TallymarkError} error
   * @param {boolean} isAwaited
   */
  #problem(error, isAwaited) {
    if (this.listenerCount('problem')) this.emit('problem', error);
    else if (!isAwaited) process.emitWarning(error.message, { type: 'TallymarkWarning', code: error.name });
  }

  /** Resolves when no marker is open. */
  #whenSettled() {
    return /** @type {Promise<void>} */ (new Promise((resolve) => this.#waiting.push(resolve)));
  }

  /** @param {LinkLost} error */
  #lost(error) {
    this.#endSequence('the connection to the box ended.');
    if (!this.#isClosing) this.#log?.note(error.message);
    if (this.identity && !this.#isClosing) this.#problem(error, false);
  }

  /** @param {string} because a sentence */
  #endSequence(because) {
    this.#sequence?.fail(because);
    this.#sequence = null;
  }

  /** @param {Message} notice */
  #noticed({ name, fields }) {
    if (name === 'started') {
      this.#restarted(causeOf(fields.cause));
    } else if (name === 'sequence_ended') {
      const time = microseconds(fields.time);
      this.#sequence?.over({ time, played: fields.played, isStopped: false });
      this.#sequence = null;
      this.emit('sequenceEnded', { time, played: fields.played });
    } else if (name === 'byte_marker') {
      const marker = byteMarker(fields);
      const stays = marker.byte === 0 || this.#settings.byte_mode === BYTES_SET;
      this.#log?.byte(marker, stays ? null : this.#settings.width, this.#link.clock);
      this.emit('byteMarker', marker);
    } else if (name === 'hold_ended') {
      const time = microseconds(fields.time);
      this.#log?.holdEnded(fields.code, time, this.#link.clock);
      this.emit('holdEnded', { time, code: fields.code });
    }
  }

  /** @param {number} count */
  #noticesLost(count) {
    this.#log?.noticesLost(count);
    this.emit('noticesLost', { count });
    this.#problem(new TallymarkError(
      `${count} ${count === 1 ? 'message' : 'messages'} that the box sent by itself did not arrive: bytes of its byte input, or ` +
      'the end of a sequence or of a held code, may not be reported. Markers of this program are not affected. Check the cable.'),
    false);
  }

  /** Nothing has been answered for a hundred requests. */
  #silent() {
    const error = new TallymarkError(
      'The box has not answered for a long time. It is identified anew; markers that were not sent are not in the recording. ' +
      'Check its cable.');
    this.#link.abandon('the box did not answer.', 'Look for it in the recording.', error);
    this.#problem(error, false);
    this.#identify(OPEN_MS).catch((failure) => this.#link.lose(failure));
  }

  /**
   * Box time starts at 0, and the box has no record of open markers.
   * @param {string} cause
   */
  #restarted(cause) {
    const error = new TallymarkError(
      `The box has started again (cause: ${cause}). Its lines went to idle, its time begins at 0, and open markers are ` +
      'unconfirmed. Check its power supply and its cable.');
    this.#link.abandon('the box started again before it was answered.', 'Look for it in the recording.', error);
    this.#endSequence('the box started again.');
    this.#settings = {}; // those that it keeps are in force
    this.#log?.restarted(cause);
    this.#problem(error, false);
    this.emit('started', { cause });
    this.#identify(OPEN_MS).catch((failure) => this.#link.lose(failure));
  }
}

/**
 * @param {string} name
 * @param {LinkLost} error
 */
function closedWhileOpening(name, error) {
  return new OpenFailed(
    `${name} was closed from the other end before a box answered. No marker was sent. Check that no other program uses the box, ` +
    'and its cable; then try again.', { cause: error.cause ?? error });
}

/** @returns {never} */
function notCompared() {
  throw new RangeError('The box has started again, and the clocks were not compared since. Nothing was sent. Call syncClock() first.');
}

/**
 * @param {string} what
 * @param {number} value
 * @param {number} least
 * @param {number} most
 */
function checkWhole(what, value, least, most) {
  if (Number.isInteger(value) && value >= least && value <= most) return;
  throw new RangeError(`${what} is a whole number from ${least} to ${most}, not ${value}. Nothing was sent.`);
}
