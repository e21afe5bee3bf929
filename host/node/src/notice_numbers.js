// Which notices of the box are missing, by their numbers (section 3.1 of the protocol).

const LAST = 255; // then 1 again

/** Follows the numbers of one box's notices. */
export class NoticeNumbers {
  #last = 0;
  /** Notices that came or are known to be missing. */
  #count = 0;
  /** The box's own count where this one began; null until it is known. @type {number | null} */
  #before = null;
  /** The box has started, and its notice of that did not come. */
  #isUnheard = false;

  /**
   * The box was identified.
   * @param {number} last number of its newest notice, which has come
   */
  begin(last) {
    this.#last = last;
    this.#count = 0;
    this.#before = null;
    this.#isUnheard = false;
  }

  /**
   * The box has told that it started: its count begins with this notice.
   * @param {number} number
   */
  started(number) {
    this.begin(number);
    this.#before = 1;
  }

  /**
   * The box has started, and its notice of that, number 1, did not come: the next one with that number is another, whose number
   * has come round.
   */
  startedUnheard() {
    this.started(1);
    this.#isUnheard = true;
  }

  /**
   * @param {number} number of a notice that came
   * @returns {number | null} how many are missing before it; null: the link has repeated it
   */
  came(number) {
    const last = this.#last;
    if (number === last && !this.#isUnheard) return null;
    this.#isUnheard = false;
    this.#last = number;
    const missing = (number - last - 1 + LAST) % LAST;
    this.#count += 1 + missing;
    return missing;
  }

  /**
   * @param {number} total notices since the start of the box, as it counts them
   * @returns {number} how many more are missing than the numbers have shown, which go round
   */
  compare(total) {
    this.#before ??= total - this.#count;
    const missing = total - this.#before - this.#count;
    this.#count += missing;
    if (missing > 0) this.#last = ((this.#last + missing - 1) % LAST) + 1;
    return Math.max(0, missing);
  }
}
