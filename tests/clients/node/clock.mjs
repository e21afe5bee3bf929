// The client's estimate of the clocks, fed with round trips from standard input: see ../clock_scenarios.py. Prints host time and
// bound in ns, box time and bound in µs, of each instant asked for.

import { readFileSync } from 'node:fs';
import { ClockEstimate, wanderOf } from '../../../host/node/src/clock_estimate.js';

const BOARDS = ['', 'virtual', 'nano', 'pico'];
const clock = new ClockEstimate();
let origin = null;
for (const line of readFileSync(0, 'utf8').trim().split('\n')) {
  const [word, ...values] = line.split(' ');
  const ms = (text) => Number(BigInt(text) - origin) / 1e6;
  if (word === 'board') {
    clock.wander = wanderOf(BOARDS[values[0]], false);
    if (clock.isKnown || clock.toHost(1) || clock.toBox(1)) throw new Error('nothing is known yet');
  } else if (word === 'trip') {
    origin ??= BigInt(values[0]);
    clock.add(ms(values[0]), Number(values[1]), ms(values[2]));
  } else {
    const host = clock.toHost(Number(values[0]));
    const box = clock.toBox(ms(values[1]));
    console.log(`${origin + BigInt(Math.round(host.time * 1e6))} ${host.bound * 1e6} ${box.time} ${box.bound}`);
  }
}
