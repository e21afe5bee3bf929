// The box time of a marker ahead of its time, and what that is worth.

/** @typedef {import('./box.js').Box} Box */
/** @typedef {import('./box.js').Options} Options */

const LONGEST_AHEAD = 30 * 60e6; // µs: box times on the wire have 32 bits

/**
 * Whether a marker is asked for at a time to come.
 * @param {Options} options
 */
export function isAhead({ at, after, atBox }) {
  return at !== undefined || after !== undefined || atBox !== undefined;
}

/**
 * Whole µs of box time. Throws a `RangeError` where the time can't be had, or not as well as it was asked for.
 * @param {Box} box
 * @param {Options} options
 */
export function timeAhead(box, { at, after, atBox, expiry, late = 0, bound }) {
  if (!box.identity.capabilities.includes('ahead')) {
    throw new RangeError(
      "The firmware of this box can't put out markers ahead of their time. Nothing was sent. Send the marker at its time, or load " +
      'newer firmware.');
  }
  if ([at, after, atBox, expiry].filter((each) => each !== undefined).length !== 1) {
    throw new RangeError("Give one time of a marker ahead: 'at', 'after' or 'atBox', and no expiry. Nothing was sent.");
  }
  const now = performance.now();
  const host = after === undefined ? at : now + after / 1000;
  const found = host === undefined ? { time: /** @type {number} */ (atBox), bound: 0 } : box.toBox(host);
  const away = found.time - box.toBox(now).time;
  if (!(Math.abs(away) < LONGEST_AHEAD) || !(late >= 0 && late < LONGEST_AHEAD)) {
    throw new RangeError(
      `A marker can be given 30 minutes ahead at most, not ${(away / 1e6).toFixed(3)} s. Host times are those of ` +
      '`performance.now()`. Nothing was sent.');
  }
  if (bound !== undefined && !(found.bound <= bound)) {
    throw new RangeError(
      `The clocks are known to agree within ${Math.ceil(found.bound)} µs at that time, not within ${bound} µs as asked. Nothing was ` +
      'sent. Call syncClock() shortly before, give the marker less far ahead, or accept a wider bound.');
  }
  return Math.max(0, Math.round(found.time));
}

/**
 * The same for the start of a sequence, which comes at its time or not at all.
 * @param {Box} box
 * @param {Options} options
 */
export function timeOfStart(box, options) {
  if (!box.identity.capabilities.includes('start at')) {
    throw new RangeError(
      "The firmware of this box can't start a sequence at a time. Nothing was sent. Start it when it is to play, or load newer firmware.");
  }
  if (options.late !== undefined || options.expiry !== undefined) {
    throw new RangeError("A sequence starts at its time or not at all: leave 'late' and 'expiry' out. Nothing was sent.");
  }
  return timeAhead(box, options);
}

/**
 * The low 32 bits of a box time.
 * @param {number} time µs, negative where it is before the start of the box
 */
export function lowBits(time) {
  return ((time % 2 ** 32) + 2 ** 32) % 2 ** 32;
}
