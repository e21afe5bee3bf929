// When an answer is overdue, told by a timer that allows for a program that kept the event loop busy.

/** An answer that takes longer than that is overdue (section 3.3 of the protocol). */
export const OVERDUE_MS = 500;
/** A busy program kept the answers from being read: after a pause so long ... */
const STALL_MS = 50;
/** ... what came meanwhile is read for so long before an answer is taken for overdue. */
const GRACE_MS = 100;

/** One wait for something that should come. */
export class Deadline {
  /** @type {NodeJS.Timeout | undefined} */
  #timer;
  #overdue;

  /**
   * @param {number} patience ms from now
   * @param {() => void} overdue called once, unless the deadline was cancelled
   */
  constructor(patience, overdue) {
    this.#overdue = overdue;
    this.#wait(patience);
  }

  cancel() {
    clearTimeout(this.#timer);
  }

  /** @param {number} patience */
  #wait(patience) {
    const end = performance.now() + patience;
    this.#timer = setTimeout(() => {
      if (performance.now() > end + STALL_MS) this.#wait(GRACE_MS);
      else this.#overdue();
    }, patience);
  }
}
