// Tags, and which request may be sent now: receive window and history (sections 3.1 to 3.5 of the protocol).

const TAGS = 255;
/** Tags kept back, so that the fate of the oldest marker can be asked for, and asked for again, while it is still known. */
const KEPT_FOR_FATE = 4;
/** So many tags without an answer, and a new session has to begin: the box would take one that is 128 ahead for an old one. */
const SILENT_MOST = 100;

/** The count of tags, and the room that unanswered requests leave in the box. */
export class TagAllocator {
  /** Requests so far, from where `newest_tag` of the box left off; the tag follows from it. */
  #count;
  /** Count of the newest request that was answered. */
  #answered;
  #bytes = 0;

  /**
   * @param {{ window: number, history: number, newest_tag: number }} identity
   */
  constructor({ window, history, newest_tag }) {
    this.size = window;
    this.reach = history - 2;
    this.#count = newest_tag;
    this.#answered = newest_tag;
  }

  /**
   * Takes the next tag.
   * @returns {{ count: number, tag: number }}
   */
  next() {
    this.#count++;
    return { count: this.#count, tag: ((this.#count - 1) % TAGS) + 1 };
  }

  /** @param {number} count of a request that was answered */
  answered(count) {
    this.#answered = Math.max(this.#answered, count);
  }

  /** Whether there is no next tag, because nothing has been answered for so long. */
  get isSilent() {
    return this.#count - this.#answered >= SILENT_MOST;
  }

  /** @param {number} bytes of a request that was sent */
  take(bytes) {
    this.#bytes += bytes;
  }

  /** @param {number} bytes of a request that was answered or is overdue */
  giveBack(bytes) {
    this.#bytes -= bytes;
  }

  /**
   * Whether a request fits beside those that are open.
   * @param {number} bytes
   * @param {number | undefined} oldest count of the oldest open request
   */
  fits(bytes, oldest) {
    if (this.isSilent) return false;
    if (this.#bytes === 0 && oldest === undefined) return true;
    return this.#bytes + bytes <= this.size && this.#distance(oldest) <= this.reach - KEPT_FOR_FATE;
  }

  /**
   * Whether the box would still know the fate of a marker if it were asked now.
   * @param {number} count of the marker
   */
  knowsFate(count) {
    return this.#distance(count) <= this.reach;
  }

  /** @param {number | undefined} count */
  #distance(count) {
    return count === undefined ? 0 : this.#count + 1 - count;
  }
}
