// The self-test: every code of the lines in use out, and what comes back through the loopback.

import { setTimeout as sleep } from 'node:timers/promises';
import { TallymarkError } from './errors.js';
import { lineNumbers } from './reasons.js';

/** @typedef {import('./box.js').Box} Box */
/** @typedef {{ driven: number, seen: number }} Sample levels of all lines, bit n for line n */

/**
 * What was found about one line.
 * @typedef {object} LineVerdict
 * @property {number} line
 * @property {'good' | 'always low' | 'always high' | 'inverted' | 'follows others' | 'unclear'} verdict
 * @property {number[]} follows the lines whose levels make up what came back, where that is clear
 * @property {number} wrong how many codes came back with this line wrong
 * @property {string} text for people
 */

/**
 * @typedef {object} Selftest
 * @property {boolean} isGood whether every code came back right
 * @property {number} tried codes that were driven
 * @property {number} right codes that came back right
 * @property {LineVerdict[]} lines
 * @property {string} sentence for the screen
 */

/** A long cable or a slow input may need a moment. */
const SETTLE_MS = 2;
const SHORTEST_HOLD_US = 100_000;

/**
 * Drives every code of the lines in use; that reaches whatever is connected to the lines. At the end they are at idle.
 * @param {Box} box
 * @returns {Promise<Selftest>} rejects with `TallymarkError` while a sequence plays, and if the test could not be finished
 */
export async function selftest(box) {
  if (['playing', 'waiting'].includes((await box.sequenceState()).state)) {
    throw new TallymarkError(
      'No self-test while a sequence plays: it would spoil the markers of the sequence. Nothing was done. ' +
      'Wait for its end, or stop it.');
  }
  const { lines, holdLimit, strobe } = await box.settings();
  if (strobe !== null) {
    throw new TallymarkError(
      `No self-test with a strobe: no code can drive its line (${strobe}), so that it can't be tested here. Nothing was done. ` +
      'Run `tallymark selftest`, which tests all lines.');
  }
  if (holdLimit > 0 && holdLimit < SHORTEST_HOLD_US) {
    throw new TallymarkError(
      `No self-test with a hold limit of ${holdLimit} µs: codes would not stay long enough. Nothing was done. ` +
      `Set it to ${SHORTEST_HOLD_US} µs or more, or to 0, with \`tallymark settings\`.`);
  }
  const samples = await idleAtTheEnd(box, () => measure(box, lines));
  return judge(samples, lines);
}

/**
 * @param {Box} box
 * @param {number} lines
 */
async function measure(box, lines) {
  /** @type {Sample[]} */
  const samples = [];
  const idle = (await drive(box, 0)).outputs;
  for (let code = 0; code <= 255; code++) {
    if (code & ~lines) continue;
    const { outputs, readback } = await drive(box, code);
    if (outputs !== (idle ^ code)) {
      throw new TallymarkError(
        `The self-test was disturbed: something else changed the lines while code ${code} was out. ` +
        'It says nothing about the wiring. Send no markers during the test, and start it again.');
    }
    samples.push({ driven: outputs, seen: readback });
  }
  return samples;
}

/**
 * @param {Box} box
 * @param {number} code
 */
async function drive(box, code) {
  await box.set(code).done;
  await sleep(SETTLE_MS);
  return box.levels();
}

/**
 * @template T
 * @param {Box} box
 * @param {() => Promise<T>} task
 */
async function idleAtTheEnd(box, task) {
  let result;
  try {
    result = await task();
  } catch (error) {
    try {
      await box.set(0).done;
    } catch (another) {
      throw new TallymarkError(`${messageOf(error)} Nor could the lines be set to idle: ${messageOf(another)}`, { cause: error });
    }
    throw error;
  }
  await box.set(0).done;
  return result;
}

/** @param {unknown} error */
function messageOf(error) {
  return error instanceof Error ? error.message : String(error);
}

/**
 * @param {Sample[]} samples
 * @param {number} mask of the lines in use
 * @returns {Selftest}
 */
function judge(samples, mask) {
  const inUse = [0, 1, 2, 3, 4, 5, 6, 7].filter((line) => mask >> line & 1);
  const lines = inUse.map((line) => judgeLine(line, inUse, samples));
  const right = samples.filter(({ driven, seen }) => ((driven ^ seen) & mask) === 0).length;
  const tried = samples.length;
  return { isGood: right === tried, tried, right, lines, sentence: sentence(lines, right, tried, mask) };
}

/**
 * @param {number} line
 * @param {number[]} inUse
 * @param {Sample[]} samples
 * @returns {LineVerdict}
 */
function judgeLine(line, inUse, samples) {
  const wrong = samples.filter(({ driven, seen }) => (driven ^ seen) >> line & 1).length;
  const high = samples.filter(({ seen }) => seen >> line & 1);
  const low = samples.filter(({ seen }) => !(seen >> line & 1));
  /** @type {(verdict: LineVerdict['verdict'], follows: number[], text: string) => LineVerdict} */
  const found = (verdict, follows, text) => ({ line, verdict, follows, wrong, text: `line ${line}: ${text}` });

  if (wrong === 0) return found('good', [line], 'good');
  if (!high.length) return found('always low', [], 'always low (open, or short to ground)');
  if (!low.length) return found('always high', [], 'always high (short to the supply)');
  if (wrong === samples.length) return found('inverted', [line], 'inverted');

  // Lines that are high whenever this one comes back high: joined so that low wins, they explain it if one of them is low
  // whenever it comes back low. The other way round where high wins.
  const lowWins = inUse.filter((other) => high.every(({ driven }) => driven >> other & 1));
  if (lowWins.length && low.every(({ driven }) => lowWins.some((other) => !(driven >> other & 1)))) {
    return found('follows others', lowWins, followText(line, lowWins, 'all of them are high'));
  }
  const highWins = inUse.filter((other) => low.every(({ driven }) => !(driven >> other & 1)));
  if (highWins.length && high.every(({ driven }) => highWins.some((other) => driven >> other & 1))) {
    return found('follows others', highWins, followText(line, highWins, 'one of them is high'));
  }
  return found('unclear', [], `wrong for ${wrong} of ${samples.length} codes`);
}

/**
 * @param {number} line
 * @param {number[]} follows
 * @param {string} when
 */
function followText(line, follows, when) {
  if (follows.includes(line)) return `follows line ${follows.filter((other) => other !== line).join(', ')} too (high when ${when})`;
  return follows.length === 1 ? `follows line ${follows[0]} instead` : `follows lines ${follows.join(', ')} instead (high when ${when})`;
}

/**
 * @param {LineVerdict[]} lines
 * @param {number} right
 * @param {number} tried
 * @param {number} mask
 */
function sentence(lines, right, tried, mask) {
  const bad = lines.filter(({ verdict }) => verdict !== 'good');
  if (!bad.length) return `All ${tried} codes of lines ${lineNumbers(mask)} came back right.`;
  const what = bad.length === lines.length && bad.every(({ verdict }) => verdict === 'always low')
    ? 'nothing came back on any line: is the loopback plugged in?'
    : `${bad.map(({ text }) => text).join('; ')}.`;
  return `Only ${right} of ${tried} codes came back right: ${what} Markers with wrong lines reach the recording as other codes. ` +
    'Run `tallymark selftest` for a diagnosis with the pins.';
}
