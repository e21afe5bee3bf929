// Box time and host time: arithmetic on round trips.
//
// A round trip says: the box read its clock at some moment between two times of the host. So the middle is wrong by at most half
// the round trip, whatever the link did; two of them a while apart bound the rate in the same way, and all pairs together bound it
// tightly. Nothing is an average: a slow round trip gives a wide bound, which a narrow one beside it makes irrelevant. A quick one of
// a second ago is often better than a slow one of just now: of the last ones, beside those that tell of the rate, those are kept than
// which none is both newer and quicker.

/** @typedef {{ sent: number, box: number, received: number }} Sample host times in ms, box time in µs */
/** @typedef {{ time: number, bound: number }} Instant a time, and by how much it may be wrong to either side, in the same unit */

/** Before it is measured, the rate is known to be within 1 %: a ceramic resonator is within 0.8 % from -20 to +80 °C. */
const RATE_UNKNOWN = 0.01;
/** How far the rate may be from its mean while samples are kept: between two crystals, and with a ceramic resonator. */
const CRYSTAL_WANDER = 10e-6;
const RESONATOR_WANDER = 150e-6;
/** `performance.now()` is a plain counter on Windows and macOS; elsewhere a time service may change its rate (adjtimex(2)). */
const SLEW = 500e-6;
const IS_SLEWED = !['win32', 'darwin'].includes(process.platform);
const BOARDS_WITH_A_CRYSTAL = ['pico', 'virtual'];
const SAMPLES = 32;
const NEWEST = 8;
const KEPT_MS = 600_000;
const FIRST_SPACING_MS = 50;
const STEP_MS = 1e-3; // box time is whole microseconds

/**
 * How far the rate of a board's clock to the host's may be from its mean, as a fraction.
 * @param {string} board
 * @param {boolean} [isSlewed] whether the rate of the host's clock may be changed while it runs
 */
export function wanderOf(board, isSlewed = IS_SLEWED) {
  return (BOARDS_WITH_A_CRYSTAL.includes(board) ? CRYSTAL_WANDER : RESONATOR_WANDER) + (isSlewed ? SLEW : 0);
}

/** @param {Sample} sample */
const roundTrip = (sample) => sample.received - sample.sent;

/** Relation between box time and host time. */
export class ClockEstimate {
  /** How far the rate may be from its mean, as a fraction. */
  wander = wanderOf('unknown');
  /** @type {Sample[]} */
  #samples = [];
  /** The last ones in order, each slower than the one before it. @type {Sample[]} */
  #newest = [];
  #spacing = FIRST_SPACING_MS;
  /** Lowest and highest rate, host time per box time, that all pairs allow. */
  #low = 1 - RATE_UNKNOWN;
  #high = 1 + RATE_UNKNOWN;

  /** Forgets everything: the box started again, and its time began at 0. */
  reset() {
    this.#samples = [];
    this.#newest = [];
    this.#spacing = FIRST_SPACING_MS;
    this.#low = 1 - RATE_UNKNOWN;
    this.#high = 1 + RATE_UNKNOWN;
  }

  /** Whether the clocks were compared since the box started. */
  get isKnown() {
    return this.#newest.length > 0;
  }

  /** When they were compared last, in ms; -Infinity before. */
  get newest() {
    return this.#newest.at(-1)?.received ?? -Infinity;
  }

  /**
   * Takes a round trip. Times of one box must come in order.
   * @param {number} sent ms
   * @param {number} box µs
   * @param {number} received ms
   */
  add(sent, box, received) {
    let samples = this.#samples;
    const last = samples.at(-1);
    if (last && box < last.box) return; // an answer that was overtaken; the ones that count are in already
    const sample = { sent, box, received };
    this.#newest = [...this.#newest.filter((each) => roundTrip(each) < roundTrip(sample)), sample].slice(-NEWEST);
    const before = samples.at(-2);
    if (last && before && received - before.received < this.#spacing) {
      // Too near to the last but one to tell more of the rate: keep the narrower one.
      if (roundTrip(sample) <= roundTrip(last)) samples[samples.length - 1] = sample;
      return;
    }
    const kept = samples.filter((each, at) => at === samples.length - 1 || received - each.received <= KEPT_MS);
    if (kept.length < samples.length) this.#findRate(samples = kept);
    this.#narrow(samples, sample);
    while (this.#low > this.#high && samples.length) {
      // No one rate fits them all: it changed in the meantime. The newer half decides.
      samples = samples.slice(Math.floor((samples.length + 1) / 2));
      this.#findRate(samples);
      this.#narrow(samples, sample);
    }
    samples.push(sample);
    if (samples.length > SAMPLES) {
      samples = samples.filter((_, at) => at % 2 === 0 || at === samples.length - 1);
      this.#spacing = Math.min(2 * this.#spacing, KEPT_MS / 8);
    }
    this.#samples = samples;
  }

  /** @param {Sample[]} samples */
  #findRate(samples) {
    this.#low = 1 - RATE_UNKNOWN;
    this.#high = 1 + RATE_UNKNOWN;
    for (const [at, sample] of samples.entries()) this.#narrow(samples.slice(0, at), sample);
  }

  /**
   * Narrows the range of the rate by the pairs that a sample makes.
   * @param {Sample[]} samples
   * @param {Sample} later
   */
  #narrow(samples, later) {
    for (const earlier of samples) {
      const passed = (later.box - earlier.box) / 1000;
      if (passed <= 0) continue;
      this.#low = Math.max(this.#low, (later.sent - earlier.received - STEP_MS) / passed - this.wander);
      this.#high = Math.min(this.#high, (later.received - earlier.sent + STEP_MS) / passed + this.wander);
    }
  }

  /**
   * Host time of a box time.
   * @param {number} box µs
   * @returns {Instant | null} ms; null before the clocks were compared
   */
  toHost(box) {
    const { rate, spread } = this.#rate();
    const best = this.#best((sample) => roundTrip(sample) / 2 + spread * Math.abs(box - sample.box) / 1000);
    if (!best) return null;
    const { sample, bound } = best;
    return { time: (sample.sent + sample.received) / 2 + rate * (box - sample.box) / 1000, bound: bound + STEP_MS };
  }

  /**
   * Box time of a host time.
   * @param {number} host ms
   * @returns {Instant | null} µs; null before the clocks were compared
   */
  toBox(host) {
    const { rate, spread } = this.#rate();
    const best = this.#best((sample) => roundTrip(sample) / 2 + spread * Math.abs(host - sample.sent));
    if (!best) return null;
    const { sample, bound } = best;
    const slack = spread * roundTrip(sample) / 2; // because the distance was taken from its beginning
    return {
      time: sample.box + (host - (sample.sent + sample.received) / 2) / rate * 1000,
      bound: (bound + slack + STEP_MS) / (rate - spread) * 1000,
    };
  }

  #rate() {
    return { rate: (this.#low + this.#high) / 2, spread: (this.#high - this.#low) / 2 + this.wander };
  }

  /** @param {(sample: Sample) => number} boundOf */
  #best(boundOf) {
    /** @type {{ sample: Sample, bound: number } | null} */
    let best = null;
    for (const sample of [...this.#samples, ...this.#newest]) {
      const bound = boundOf(sample);
      if (!best || bound < best.bound) best = { sample, bound };
    }
    return best;
  }
}
