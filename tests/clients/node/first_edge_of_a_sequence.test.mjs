// A box that tells the first edge of a sequence while it is still to come: no later answer with an earlier time is a start of that box.

import assert from 'node:assert/strict';
import { test } from 'node:test';
import { openScripted, turn } from './scripted.mjs';

const EDGE = 900_000_000;

test('no edge to come is taken for the time now', async (t) => {
  const { box, requests, problems, done, say } = await openScripted(t);
  const started = box.sequence([{ code: 1, hold: 1000 }]);
  await turn();
  await done(requests.shift(), 10);
  await done(requests.shift(), EDGE);
  const { marker } = await started;
  assert.equal(marker.time, EDGE);
  const asked = box.levels();
  await turn();
  await say('levels', requests.shift().tag, { time: 20, outputs: 0, readback: 0 });
  assert.equal((await asked).time, 20);
  const next = box.pulse(5);
  await turn();
  await done(requests.shift(), 30);
  assert.deepEqual([next.outcome, problems], ['done', []]);
});
