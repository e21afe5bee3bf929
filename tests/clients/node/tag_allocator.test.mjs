// Tags, the receive window and the history: a box with little room, that answers only when it is told to.

import assert from 'node:assert/strict';
import { test } from 'node:test';
import { setTimeout as sleep } from 'node:timers/promises';
import { open } from '../../../host/node/src/index.js';
import { Decoder } from '../../../host/node/src/frames.js';
import { ANSWERS, build, parse } from '../../../host/node/src/messages.js';
import { factorySettings, identityOf, port } from './scripted.mjs';

/** Opens such a box. `requests` are those it got after it was opened; `done` answers one of them. */
async function small(test, fields) {
  const decoder = new Decoder();
  const requests = [];
  let socket;
  const { where } = await port(test, (from, bytes) => {
    socket = from;
    for (const request of decoder.feed(bytes).map(parse)) {
      if (request.name === 'identify') socket.write(identityOf(fields));
      else if (request.name === 'settings_read') socket.write(factorySettings(request.tag));
      else requests.push(request);
    }
  });
  const box = await open(where);
  box.on('problem', () => {});
  test.after(() => box.close());
  const done = async ({ tag }) => {
    socket.write(build(ANSWERS.done, tag, { time: 1 }));
    await sleep(20);
  };
  return { box, requests, done };
}

test('no more bytes than the window', async (t) => {
  const { box, requests, done } = await small(t, { window: 40 });
  const markers = [1, 2, 3, 4, 5, 6].map((code) => box.pulse(code, 1000)); // 11 bytes each
  await sleep(20);
  assert.deepEqual(requests.map(({ fields }) => fields.code), [1, 2, 3]);
  assert.deepEqual(markers.map(({ heldBack }) => heldBack), [false, false, false, true, true, true]);
  await done(requests[1]);
  assert.deepEqual(requests.map(({ fields }) => fields.code), [1, 2, 3, 4]);
  assert.equal(markers[1].outcome, 'done');
  box.pulse(7); // 7 bytes would fit, but markers keep their order
  await sleep(20);
  assert.equal(requests.length, 4);
});

test('no tags further apart than the history', async (t) => {
  const { box, requests, done } = await small(t, { history: 16 });
  for (let code = 1; code <= 30; code++) box.pulse(code);
  await sleep(20);
  const first = requests.length;
  assert.ok(first > 8 && first <= 14, `${first}`); // the tags of 16 - 2, and some are kept for questions
  for (const request of requests.slice(1, first)) await done(request);
  assert.equal(requests.length, first); // the oldest is still open
  await done(requests[0]);
  assert.ok(requests.length > first);
});

test('one question at a time, beside the markers', async (t) => {
  const { box, requests } = await small(t, {});
  box.levels().catch(() => {});
  box.clock().catch(() => {});
  box.pulse(1);
  await sleep(20);
  assert.deepEqual(requests.map(({ name }) => name), ['levels', 'pulse']);
});

test('an answer of the wrong kind is none', async (t) => {
  const { box, requests, done } = await small(t, {});
  const levels = box.levels();
  await sleep(20);
  await done(requests[0]);
  await assert.rejects(levels, { name: 'NoAnswer' });
});
