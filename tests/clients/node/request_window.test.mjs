// Tags, the receive window and the history: a box with little room, that answers only when it is told to.

import assert from 'node:assert/strict';
import { test } from 'node:test';
import { openScripted, turn } from './scripted.mjs';

test('no more bytes than the window', async (t) => {
  const { box, requests, done } = await openScripted(t, { window: 40 });
  const markers = [1, 2, 3, 4, 5, 6].map((code) => box.pulse(code, 1000)); // 11 bytes each
  await turn();
  assert.deepEqual(requests.map(({ fields }) => fields.code), [1, 2, 3]);
  assert.deepEqual(markers.map(({ heldBack }) => heldBack), [false, false, false, true, true, true]);
  await done(requests[0]);
  assert.deepEqual(requests.map(({ fields }) => fields.code), [1, 2, 3, 4]);
  assert.equal(markers[0].outcome, 'done');
  box.pulse(7); // 7 bytes would fit, but markers keep their order
  await turn();
  assert.equal(requests.length, 4);
});

test('no tags further apart than the history', async (t) => {
  const { box, requests, done, fate } = await openScripted(t, { history: 16 });
  for (let code = 1; code <= 30; code++) box.pulse(code);
  await turn();
  const first = requests.length;
  assert.ok(first > 8 && first <= 14, `${first}`); // the tags of 16 - 2, and some are kept for questions
  await done(requests[1]); // out of order: what became of the oldest?
  assert.deepEqual(requests.slice(first).map(({ name, fields }) => [name, fields.asked]), [['fate', requests[0].tag]]);
  await fate(requests[first], { outcome: 2, code: 1 }); // it waits
  for (const request of requests.slice(2, first)) await done(request);
  assert.ok(requests.slice(first).every(({ name }) => name === 'fate')); // the oldest is still open
  await done(requests[0]);
  assert.equal(requests.at(-1).name, 'pulse');
});

test('one question at a time, beside the markers', async (t) => {
  const { box, requests } = await openScripted(t, {});
  box.levels().catch(() => {});
  box.clock().catch(() => {});
  box.pulse(1);
  await turn();
  assert.deepEqual(requests.map(({ name }) => name), ['levels', 'pulse']);
});

test('an answer of the wrong kind is none', async (t) => {
  const { box, requests, done } = await openScripted(t, {});
  const levels = box.levels();
  await turn();
  await done(requests[0]);
  await assert.rejects(levels, { name: 'NoAnswer' });
});
