// The requests on their way to a box: their tags, the room that they take in it, and when their answers are overdue (sections 3.1
// to 3.5 of the protocol).

import { ClockEstimate } from './clock_estimate.js';
import { Deadline, OVERDUE_MS } from './deadline.js';
import { build, REQUESTS } from './message_codecs.js';
import { TagAllocator } from './tag_allocator.js';

/** @typedef {import('./errors.js').LinkLost} LinkLost */
/** @typedef {import('./pending_request.js').Request} Request */
/** @typedef {import('./transport.js').Transport} Transport */

/** Longest gap of the settings, in µs. */
const LONGEST_GAP = 1_000_000;

/**
 * What the window tells its link.
 * @typedef {object} Owner
 * @property {() => void} freed there may be room for what waits, or something new waits
 * @property {(cause: Error | string) => void} failed the connection is gone
 */

/** A request leaves once it fits, and never twice. */
export class RequestWindow {
  /** Relation of box time and host time. */
  clock = new ClockEstimate();
  /** How long a marker may wait in the box, in µs. */
  gap = 0;
  /** @type {LinkLost | null} */
  lost = null;
  /** Whether a session has begun, so that markers may be sent. */
  isBegun = false;
  /** How many markers ahead the box holds. */
  places = 0;
  /** The newest box time that is known. */
  boxTime = 0n;
  /** When the last message came, in ms on the clock of `performance.now()`. */
  heard = 0;
  /** The request on its way that is neither a marker nor a step of a sequence: there is one at most. @type {Request | null} */
  question = null;
  #transport;
  #owner;
  /** Null while the box is being identified. @type {TagAllocator | null} */
  #tags = null;
  /** Sent and not settled, by tag, in the order of sending. @type {Map<number, Request>} */
  #open = new Map();

  /**
   * @param {Transport} transport
   * @param {Owner} owner
   */
  constructor(transport, owner) {
    this.#transport = transport;
    this.#owner = owner;
  }

  /** Name of the port, for errors. */
  get name() {
    return this.#transport.name;
  }

  /**
   * The box was identified: requests can be sent.
   * @param {Record<string, any>} identity
   */
  begin(identity) {
    this.#tags = new TagAllocator(/** @type {any} */ (identity));
    this.boxTime = 0n;
    this.places = identity.places;
    this.gap = LONGEST_GAP; // until its settings are known
  }

  /**
   * The box has forgotten the requests on their way, or the connection is gone; nothing can be sent before `begin`.
   * @returns {Request[]} these requests, oldest first
   */
  clear() {
    const open = [...this.#open.values()];
    for (const request of open) request.deadline?.cancel();
    this.#open.clear();
    this.question = null;
    this.stop();
    this.isBegun = false;
    this.clock.reset();
    return open;
  }

  /** Nothing can be sent before `begin`. */
  stop() {
    this.#tags = null;
  }

  // ---- sending ----

  /** Whether the box is identified, so that requests can be sent. */
  get isReady() {
    return this.#tags !== null;
  }

  /** Whether nothing was answered for so long that there is no next tag, and nothing is on its way any more. */
  get isSilent() {
    return this.#tags !== null && this.#tags.isSilent && !this.#open.size;
  }

  /**
   * Whether a request of that many bytes may be sent now.
   * @param {number} bytes
   */
  fits(bytes) {
    const [oldest] = this.#open.values();
    return this.#tags !== null && this.#tags.fits(bytes, oldest?.count);
  }

  /**
   * The same for the question for a fate, for which some of the history is kept free.
   * @param {number} bytes
   */
  fitsForFate(bytes) {
    return this.#tags !== null && this.#tags.fits(bytes, undefined);
  }

  /**
   * Whether the box would still know the fate of a marker if it were asked now.
   * @param {Request} request that of the marker
   */
  knowsFate(request) {
    return this.#tags !== null && !this.#tags.isSilent && this.#tags.knowsFate(request.count);
  }

  /**
   * Sends a marker or a step of a sequence, which has to fit.
   * @param {Request} request
   */
  send(request) {
    const tags = /** @type {TagAllocator} */ (this.#tags);
    const { count, tag } = tags.next();
    const wire = build(REQUESTS[request.name], tag, request.fields);
    Object.assign(request, { count, tag, since: this.boxTime, sent: performance.now() });
    this.#open.set(tag, request);
    tags.take(request.bytes);
    this.watch(request);
    if (request.marker) {
      request.marker.tag = tag;
      request.marker.sent = request.sent;
    }
    this.write(wire);
  }

  /**
   * Sends another request, which has to fit; none may be on its way.
   * @param {Request} request
   */
  sendQuestion(request) {
    this.question = request;
    this.send(request);
  }

  /** @param {Buffer} wire */
  write(wire) {
    try {
      this.#transport.write(wire);
    } catch (error) {
      this.fail(/** @type {Error} */ (error));
    }
  }

  // ---- what becomes of requests ----

  /**
   * Waits for its answer, from now on.
   * @param {Request} request
   */
  watch(request) {
    request.deadline = new Deadline(request.marker ? OVERDUE_MS + this.gap / 1000 : OVERDUE_MS, request.overdue);
  }

  /**
   * The request with that tag.
   * @param {number} tag
   */
  find(tag) {
    return this.#open.get(tag);
  }

  /**
   * Its answer came. That of `identify` does not show that the box has followed the count of tags.
   * @param {Request} request
   */
  answered(request) {
    if (request.name !== 'identify') this.#tags?.answered(request.count);
  }

  /**
   * Markers on their way that were sent before a request.
   * @param {number} count that of the request
   */
  markersBefore(count) {
    return [...this.#open.values()].filter((request) => request.marker && request.count < count);
  }

  /** How many markers ahead are on their way that the box has not answered yet. */
  get aheadAsked() {
    return [...this.#open.values()].filter(({ marker }) => marker && marker.at !== null).length;
  }

  /**
   * It is on its way no more.
   * @param {Request} request
   */
  finish(request) {
    this.#open.delete(request.tag);
    this.giveBack(request);
    if (this.question === request) this.question = null;
  }

  /**
   * It takes no room in the box any more, and its answer is not waited for.
   * @param {Request} request
   */
  giveBack(request) {
    request.deadline?.cancel();
    this.#tags?.giveBack(request.bytes);
    request.bytes = 0;
  }

  /** There may be room for what waits, or something new waits. */
  freed() {
    this.#owner.freed();
  }

  /**
   * The connection is gone.
   * @param {Error | string} cause
   */
  fail(cause) {
    this.#owner.failed(cause);
  }
}
