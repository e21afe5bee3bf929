// Random input. TALLYMARK_STORM=full makes it 10 million bytes and 100,000 control requests (some four minutes).

import assert from 'node:assert/strict';
import { bytesStorm, controlStorm } from './sim/random_input.mjs';
import { test } from './sim/timed_test.mjs';

const full = process.env.TALLYMARK_STORM === 'full';
const limitS = full ? 1800 : undefined;

test('random bytes on both ports leave the box alive and its lines lawful', () => {
  const count = full ? 10_000_000 : 300_000;
  const result = bytesStorm({ seed: 20250101, count });
  console.log(JSON.stringify({ bytes: count, ...result }));
  assert.ok(result.frames > count / 60 && result.broken > count / 200 && result.markers > count / 200, 'the storm was too mild');
}, limitS);

test('random control requests leave the box alive and its lines still', () => {
  const count = full ? 100_000 : 10_000;
  const result = controlStorm({ seed: 20250102, count });
  console.log(JSON.stringify({ requests: count, ...result }));
  assert.ok(result.taken > count / 4 && result.stalled > count / 4, 'the storm was too mild');
}, limitS);
