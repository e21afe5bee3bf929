// Notices are numbered, so that a lost one is told.

import assert from 'node:assert/strict';
import { describe, test } from 'node:test';
import { NoticeNumbers } from '../../../host/node/src/notice_numbers.js';
import { openBox } from './rig.mjs';
import { openScripted, turn } from './scripted.mjs';

/** A box whose byte markers and lost notices are kept. */
async function openHearing(t, fields) {
  const rig = await openScripted(t, fields);
  const heard = { bytes: 0, lost: [] };
  rig.box.on('byteMarker', () => heard.bytes++);
  rig.box.on('noticesLost', ({ count }) => heard.lost.push(count));
  return { ...rig, heard };
}

describe('notices', { concurrency: true }, () => {
  test('one after the other, past 255', async (t) => {
    const { byteMarker, heard } = await openHearing(t, { last_notice: 253 });
    for (const number of [254, 255, 1, 2]) await byteMarker(number);
    assert.deepEqual(heard, { bytes: 4, lost: [] });
  });

  test('one that the link repeats counts once', async (t) => {
    const { byteMarker, heard } = await openHearing(t, { last_notice: 6 });
    for (const number of [7, 7, 8]) await byteMarker(number);
    assert.deepEqual(heard, { bytes: 2, lost: [] });
  });

  test('missing ones are told', async (t) => {
    const { byteMarker, heard, problems } = await openHearing(t, { last_notice: 254 });
    await byteMarker(3);
    await turn();
    assert.deepEqual(heard, { bytes: 1, lost: [3] });
    assert.match(problems[0].message, /^3 messages that the box sent by itself did not arrive/);
  });

  test('one of a type or length that is not known has a number, too', async (t) => {
    const { byteMarker, raw, heard, box } = await openHearing(t, { last_notice: 6 });
    const { encode } = await import('../../../host/node/src/frames.js');
    await raw(encode(0xd0, 7, Buffer.of(1)));
    await raw(encode(0xc3, 8, Buffer.of(1)));
    await byteMarker(9);
    assert.deepEqual(heard, { bytes: 1, lost: [] });
    assert.equal(box.ignored.short, 1);
  });

  test('a start that was not heard is no loss', async (t) => {
    const { byteMarker, heard, inForce, box } = await openHearing(t, { last_notice: 40 });
    inForce.session = 0;
    inForce.last_notice = 3;
    const started = new Promise((resolve) => box.once('started', resolve));
    await byteMarker(3);
    await started;
    await turn();
    await byteMarker(4);
    assert.deepEqual(heard, { bytes: 2, lost: [] });
  });

  test('what was lost before a start is told, heard or not', async (t) => {
    for (const hears of [true, false]) {
      const { byteMarker, notice, heard, inForce } = await openHearing(t, { last_notice: 40 });
      inForce.silent = true; // whether a start explains it is asked, and not answered yet
      await byteMarker(43, true);
      assert.deepEqual(heard.lost, []);
      Object.assign(inForce, { silent: false, session: 0, last_notice: 1 });
      if (hears) await notice('started', 1, { major: 2, minor: 0, cause: 1 });
      else await byteMarker(1);
      await turn();
      assert.deepEqual(heard.lost, [2]);
    }
  });

  test('a start begins the count anew', async (t) => {
    const { byteMarker, notice, heard, inForce } = await openHearing(t, { last_notice: 40 });
    Object.assign(inForce, { session: 0, last_notice: 1 });
    await notice('started', 1, { major: 2, minor: 0, cause: 1 });
    await turn();
    await byteMarker(2);
    assert.deepEqual(heard, { bytes: 1, lost: [] });
  });

  test('the box counts them, too', async (t) => {
    const { rig, box } = await openBox(t);
    const lost = [];
    box.on('noticesLost', ({ count }) => lost.push(count));
    await rig.byte('41');
    assert.equal((await box.counters()).notices, 2);
    await rig.byte('42'.repeat(3));
    assert.equal((await box.counters()).notices, 5);
    await turn();
    assert.deepEqual(lost, []);
  });

  test('a loss of 255 in a row shows in the counters alone', async (t) => {
    const { box, requests, say, heard, byteMarker } = await openHearing(t, { last_notice: 9 });
    const counters = async (notices) => {
      const asked = box.counters();
      await turn();
      await say('counters', requests.at(-1).tag, {
        time: 5, frames: 0, frames_broken: 0, refused: 0, markers: 0, bytes: 0, edges_lost: 0, messages_lost: 0, input_lost: 0, notices });
      await asked;
    };
    await counters(100);
    await byteMarker(10);
    await counters(101);
    assert.deepEqual(heard.lost, []);
    await byteMarker(11); // the 256th since
    await counters(357);
    await turn();
    assert.deepEqual(heard.lost, [255]);
  });

  test('the numbers', () => {
    const numbers = new NoticeNumbers();
    numbers.started(1);
    assert.deepEqual([2, 2, 5, 255, 1].map((number) => numbers.came(number)), [0, null, 2, 249, 0]);
    assert.equal(numbers.compare(256), 0);
    assert.equal(numbers.compare(259), 3);
    assert.equal(numbers.came(5), 0); // 2, 3 and 4 were missing
    assert.equal(numbers.compare(200), 0);
  });
});
