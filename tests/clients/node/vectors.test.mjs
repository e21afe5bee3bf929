// Every row of the protocol's vectors, both ways.

import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { test } from 'node:test';
import { Decoder } from '../../../host/node/src/frames.js';
import { ANSWERS, baseType, build, NOTICES, parse, REQUESTS } from '../../../host/node/src/message_codecs.js';

const TIMES = new Set(['time', 'started', 'ended']);
const PULSE = '06 10 07 2A 1C BC 00';

/** Rows of a file; whole numbers beyond 2^53 are kept as they stand in it. */
function rows(name) {
  const text = readFileSync(new URL(`../../../protocol/vectors/${name}.json`, import.meta.url), 'utf8');
  return JSON.parse(text.replace(/(?<=": )\d{16,}/g, '"$&"'), (key, value) =>
    (TIMES.has(key) && typeof value !== 'object' ? BigInt(value) : value));
}

const bytes = (text) => Buffer.from(text.replaceAll(' ', ''), 'hex');

function kindOf(row) {
  const kind = REQUESTS[row.request] ?? ANSWERS[row.answer] ?? NOTICES[row.notice];
  return { kind, name: row.request ?? row.answer ?? row.notice };
}

/** Builds and reads one message. */
function bothWays(row) {
  const { kind, name } = kindOf(row);
  const marked = row.in_session ? 0x20 : 0;
  assert.deepEqual(build({ ...kind, type: kind.type + marked }, row.tag, row.fields), bytes(row.wire));
  const [raw, ...more] = new Decoder().feed(bytes(row.wire));
  assert.deepEqual(more, []);
  assert.equal(raw.type, kind.type + marked);
  assert.deepEqual(parse({ ...raw, type: baseType(raw.type) }), { name, type: kind.type, tag: row.tag, fields: row.fields });
}

test('frames', () => {
  const frames = rows('frames');
  for (const row of frames) bothWays(row);
  assert.ok(frames.length >= 48);
  const named = new Set(frames.map((row) => kindOf(row).kind));
  for (const kind of [...Object.values(REQUESTS), ...Object.values(ANSWERS), ...Object.values(NOTICES)]) assert.ok(named.has(kind));
});

test('the document says where a frame is broken, and the next one is good', () => {
  const broken = rows('broken');
  for (const { wire, frames, frames_broken: framesBroken, name } of broken) {
    for (const split of [1, bytes(wire).length]) { // byte by byte, and at once
      const decoder = new Decoder();
      let found = 0;
      for (let at = 0; at < bytes(wire).length; at += split) found += decoder.feed(bytes(wire).subarray(at, at + split)).length;
      assert.deepEqual([found, decoder.framesBroken], [frames, framesBroken], name);
      assert.equal(decoder.feed(bytes(PULSE)).length, 1, name);
    }
  }
  assert.ok(broken.length >= 22);
});

test('dialogues', () => {
  const counts = { request: 0, answer: 0, notice: 0, wait: 0, byte_input: 0, probe: 0, unknown: 0 };
  for (const { steps } of rows('dialogues')) {
    for (const step of steps) {
      const what = Object.keys(counts).find((key) => key in step);
      counts[what]++;
      if (['wait', 'byte_input', 'probe'].includes(what)) continue;
      if (what !== 'request' || step.request in REQUESTS) bothWays(step);
      else counts.unknown++; // no host sends these; they are there for boxes
    }
  }
  assert.equal(counts.unknown, 2);
  assert.ok(counts.request > 80 && counts.answer > 80 && counts.notice > 25, JSON.stringify(counts));
});
