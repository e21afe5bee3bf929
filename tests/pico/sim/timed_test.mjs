// Tests with a time limit of their own. A box that hangs is a failure with a name, not a run that never ends.

import { test as unlimited } from 'node:test';
import { Chip } from './chip.mjs';

const LIMIT_S = 60; // of the processor's time
const ONLY = process.env.TALLYMARK_ONLY?.split('\n'); // names of the only tests that are wanted

/** As `test` of node:test. The limit holds in a loop that never gives the processor back, too. */
export function test(name, body, limitS = LIMIT_S) {
  if (ONLY && !ONLY.includes(name)) return;
  unlimited(name, () => {
    Chip.deadline = process.cpuUsage().user + limitS * 1e6;
    if (!process.env.TALLYMARK_FIRST_FAILURE) return body();
    try {
      return body();
    } catch (error) { // where only that there is one matters
      console.error(`first failure: ${name}\n`, error);
      return process.exit(1);
    }
  });
}
