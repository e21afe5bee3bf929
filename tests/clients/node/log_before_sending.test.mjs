// A marker is in the log before it is on its way: a program that is killed in between has no marker that its log lacks.

import assert from 'node:assert/strict';
import { mkdtempSync, readFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { test } from 'node:test';
import { Decoder } from '../../../host/node/src/frames.js';
import { parse } from '../../../host/node/src/message_codecs.js';
import { openScripted } from './scripted.mjs';

const MARKERS = new Set(['pulse', 'pulse_for', 'set', 'timed']);

test('the record of a marker is in the file when its bytes leave', async (t) => {
  const log = join(mkdtempSync(join(tmpdir(), 'log')), 'session.jsonl');
  const { box, wire, requests, done } = await openScripted(t, {}, 0, 0, { log });
  const decoder = new Decoder();
  const left = [];
  wire.written = (bytes) => {
    const sent = decoder.feed(bytes).map(parse).filter(({ name }) => MARKERS.has(name));
    if (!sent.length) return;
    const records = readFileSync(log, 'utf8').trim().split('\n').map((line) => JSON.parse(line));
    left.push([sent.map(({ fields }) => fields.code), records.filter((record) => 'sent' in record).map(({ code }) => code)]);
  };
  for (const code of [5, 6, 7]) {
    box.pulse(code, 2000);
    await new Promise((resolve) => setTimeout(resolve, 20));
    await done(requests.at(-1), code);
  }
  assert.deepEqual(left, [[[5], [5]], [[6], [5, 6]], [[7], [5, 6, 7]]]);
});
