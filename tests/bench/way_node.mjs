// Sends pulses of codes 1 and 2, in turn, and prints for each the computer's monotonic clock just before the call, in nanoseconds.
//
//     node way_node.mjs WHERE COUNT SPACING_US
//
// On Linux this clock is CLOCK_MONOTONIC, the one of Python's time.monotonic_ns. Exit code 0: all markers were done.

import { setImmediate as turn, setTimeout as sleep } from 'node:timers/promises';
import { open } from '../../host/node/src/index.js';

const [where, count, spacing] = [process.argv[2], Number(process.argv[3]), Number(process.argv[4])];
const now = process.hrtime.bigint;
const called = [];

const box = await open(where);
let due = now() + 10_000_000n;
for (let at = 0; at < count; at++) {
  const left = Number(due - now()) / 1e6 - 2;
  if (left > 1) await sleep(left);
  while (now() < due) await turn(); // so that answers are read meanwhile
  called.push(now());
  box.pulse(1 + at % 2);
  due = called[at] + BigInt(Math.round(spacing * 1000));
}
const missing = await box.wait();
await box.close();
console.log(called.join('\n'));
process.exitCode = missing.length ? 1 : 0;
