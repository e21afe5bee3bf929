// Tests with a time limit of their own. A box that hangs is a failure with a name, not a run that never ends.

import { test as unlimited } from 'node:test';
import { Chip } from './chip.mjs';

const LIMIT_S = 60;

/** As `test` of node:test. The limit holds in a loop that never gives the processor back, too. */
export function test(name, body, limitS = LIMIT_S) {
  unlimited(name, { timeout: (limitS + 5) * 1000 }, () => {
    Chip.deadline = performance.now() + limitS * 1000;
    return body();
  });
}
