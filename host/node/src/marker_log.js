// A marker log: what was sent, when, and what the box answered, as MARKERLOG.md of the protocol has it.
//
// Each record is in the hands of the system before the program goes on: of a marker, before its frame leaves. So a program that is
// killed has sent nothing that is not in its log. Markers go out also where the log can't be written: that is told at once, and by
// the log itself as soon as it can be written again.

import { closeSync, fsyncSync, openSync, unlinkSync, writeSync } from 'node:fs';
import { LogFailed } from './errors.js';

/** @typedef {import('./marker.js').Marker} Marker */
/** @typedef {import('./clock_estimate.js').ClockEstimate} ClockEstimate */

const VERSION = 1;

/** @param {Record<string, any>} record */
const lineOf = (record) => Buffer.from(`${JSON.stringify(record)}\n`);
const LINE_FEED = Buffer.from('\n');

/** A log that is open. */
export class MarkerLog {
  /** Records that are missing in the file. */
  lost = 0;
  #path;
  #tell;
  /** @type {number | null} */
  #file = null;
  /** Whether the file ends within a record. */
  #isTorn = false;
  /** Records in a row that the file does not tell of yet. @type {{ count: number, since: number, restarted: boolean } | null} */
  #gap = null;
  #why = '';

  /**
   * Begins a log, whose file must not exist yet: nothing is ever overwritten.
   * @param {string} path
   * @param {Record<string, any>} header `box`, `settings` and `plan`
   * @param {(text: string) => void} tell called when a record is lost, and when records can be written again
   */
  constructor(path, header, tell) {
    this.#path = path;
    this.#tell = tell;
    try {
      this.#file = openSync(path, 'ax', 0o644);
    } catch (error) {
      throw new LogFailed(/** @type {any} */ (error).code === 'EEXIST'
        ? `${path}: exists already, and a marker log is never overwritten. Nothing was sent. Choose another name.`
        : `${path}: the marker log can't be created (${reasonOf(error)}). Nothing was sent.`);
    }
    const record = { marker_log: VERSION, start: new Date().toISOString().replace('Z', '000+00:00'), host: now(), ...header };
    if (!this.#put(lineOf(record)) || this.#isTorn) {
      closeSync(this.#file);
      unlinkSync(path); // so that the same name can be used again
      throw new LogFailed(
        `${path}: the marker log can't be written (${this.#why}). Nothing was sent. Free some space or choose another disk, then ` +
        'start again.');
    }
  }

  /**
   * A marker is about to be sent.
   * @param {Marker} marker
   * @param {number | null} width in force, µs; null for a code that stays
   */
  sent({ number, code }, width) {
    this.#write({ sent: number, code, ...(width === null ? { stays: true } : { width: width ?? null }), host: now() });
  }

  /**
   * The box has accepted a marker for its time.
   * @param {Marker} marker
   * @param {ClockEstimate} clock
   */
  accepted({ number, at }, clock) {
    const host = hostOf(clock, /** @type {number} */ (at));
    if (host.host !== null) this.#write({ ahead: number, box: at, ...host });
  }

  /**
   * The end of a marker is known.
   * @param {Marker} marker
   * @param {ClockEstimate} clock
   */
  ended({ number, outcome, time, sent, cut, toldDelay, noEdge, error }, clock) {
    if (outcome === 'done') {
      let host = hostOf(clock, /** @type {number} */ (time));
      if (host.host === null) { // the clocks were not compared: its edge was between sending and now
        const until = now();
        const since = hostMicroseconds(/** @type {number} */ (sent));
        host = { host: Math.floor((since + until) / 2), error: Math.ceil((until - since) / 2) + 1 };
      }
      this.#write({
        done: number, box: time, ...host, ...(cut !== null && { cut }), ...(toldDelay > 0 && { delay: toldDelay }),
        ...(noEdge && { no_edge: true }),
      });
    } else if (outcome === 'refused') {
      this.#write({ refused: number, why: /** @type {any} */ (error).reason, ...(cut !== null && { cut }) });
    } else {
      this.#write({ unconfirmed: number, why: /** @type {Error} */ (error).message });
    }
  }

  /**
   * A byte came in on the byte input.
   * @param {import('./answer_values.js').ByteMarker} marker
   * @param {number | null} width in force, µs; null for a code that stays
   * @param {ClockEstimate} clock
   */
  byte({ time, byte, refused, cut, delay, noEdge }, width, clock) {
    this.#write({
      byte, ...hostOf(clock, time), box: time, ...(refused !== null ? { refused } : width === null ? { stays: true } : { width: width ?? null }),
      ...(cut !== null && { cut }), ...(delay > 0 && { delay }), ...(noEdge && { no_edge: true }),
    });
  }

  /**
   * The box took a code to idle after its hold limit.
   * @param {number} code
   * @param {number} time
   * @param {ClockEstimate} clock
   */
  holdEnded(code, time, clock) {
    this.#write({ hold_ended: code, box: time, ...hostOf(clock, time) });
  }

  /** @param {number} count of messages of the box that did not arrive */
  noticesLost(count) {
    this.#write({ notices_lost: count, host: now() });
  }

  /** @param {string} cause of a start of the box, whose time began at 0 */
  restarted(cause) {
    this.#write({ restart: cause, host: now() });
  }

  /** @param {string} text a sentence on what went wrong beside the markers */
  note(text) {
    this.#write({ note: text, host: now() });
  }

  /** Ends the log and has it on the disk. Throws `LogFailed` if it lacks records. May be called twice. */
  close() {
    if (this.#file === null) return;
    this.#write({ end: now() });
    const file = this.#file;
    this.#file = null;
    let problem = '';
    try {
      fsyncSync(file);
    } catch (error) {
      if (/** @type {any} */ (error).code !== 'EINVAL') { // a device takes none
        problem = `${this.#path}: the marker log may not be on the disk (${reasonOf(error)}). Check whether it is complete.`;
      }
    }
    closeSync(file);
    if (this.lost) {
      problem =
        `${this.#path}: the marker log is incomplete: ${this.lost} of its records could not be written (${this.#why}). Markers went ` +
        'to the box all the same, so the recording may hold some that the log lacks. Keep the recording, and free some space or ' +
        'choose another disk before the next run.';
    }
    if (problem) throw new LogFailed(problem);
  }

  /** @param {Record<string, any>} record */
  #write(record) {
    if (this.#file === null) return;
    if (this.#gap && !this.#resume()) this.#lose(record);
    else if (!this.#put(lineOf(record))) this.#lose(record);
  }

  /** @param {Record<string, any>} record that can't be written */
  #lose(record) {
    const isFirst = !this.#gap;
    this.#gap ??= { count: 0, since: record.host ?? now(), restarted: false };
    this.#gap.count++;
    this.#gap.restarted ||= 'restart' in record;
    this.lost++;
    if (isFirst) {
      this.#tell(
        `${this.#path}: the marker log can't be written (${this.#why}). Markers still go to the box, but they are not in the log ` +
        'until it can be written again: only the recording will hold them. Free some space on that disk, or make it reachable again, ' +
        'now.');
    }
  }

  /** Tries to note in the file what it lacks. */
  #resume() {
    const { count, since, restarted } = /** @type {{ count: number, since: number, restarted: boolean }} */ (this.#gap);
    const record = { lost: count, since: Math.min(since, now()), host: now(), why: this.#why, ...(restarted && { restarted }) };
    if (!this.#put(lineOf(record))) return false;
    this.#gap = null;
    this.#tell(
      `${this.#path}: the marker log can be written again. ${count} of its records ${count === 1 ? 'is' : 'are'} missing in it, and ` +
      'the log says so.');
    return true;
  }

  /**
   * One call of the system.
   * @param {Buffer} line
   * @returns {boolean} whether the file has it
   */
  #put(line) {
    const data = this.#isTorn ? Buffer.concat([LINE_FEED, line]) : line;
    let written;
    try {
      written = writeSync(/** @type {number} */ (this.#file), data);
    } catch (error) {
      this.#why = reasonOf(error);
      return false;
    }
    if (written === data.length) {
      this.#isTorn = false;
      return true;
    }
    if (written > 0) this.#isTorn = data[written - 1] !== LINE_FEED[0];
    if (written === data.length - 1) return true; // it lacks its line feed alone, which comes before the next one
    this.#why = 'only a part of a record was taken; the disk may be full';
    return false;
  }
}

/** @param {number} time ms on the clock of `performance.now()` */
function hostMicroseconds(time) {
  return Math.round(time * 1000);
}

/** Host time now, in whole µs. */
function now() {
  return hostMicroseconds(performance.now());
}

/**
 * @param {ClockEstimate} clock
 * @param {number} time box time, µs
 * @returns {{ host: number | null, error: number | null }} in µs, null before the clocks were compared
 */
function hostOf(clock, time) {
  const host = clock.toHost(time);
  return host ? { host: hostMicroseconds(host.time), error: Math.ceil(host.bound * 1000) + 1 } : { host: null, error: null };
}

/** @param {unknown} error of the system */
function reasonOf(error) {
  const { code, message } = /** @type {any} */ (error);
  return code ? String(message).replace(/^[A-Z]+: /, '').replace(/,.*/, '') : String(message);
}
