// Markers on a served virtual box: what comes out of its lines is what was asked for.

import assert from 'node:assert/strict';
import { test } from 'node:test';
import { setTimeout as sleep } from 'node:timers/promises';
import { open } from '../../../host/node/src/index.js';
import { nameOf, openBox, tcpAndTerminal } from './rig.mjs';

for (const way of tcpAndTerminal) {
  test(`pulses and held codes, on ${nameOf(way)}`, async (t) => {
    const { rig, box } = await openBox(t, way);
    assert.equal(box.identity.board, 'virtual');
    assert.equal(box.identity.serial, '0102030405060708');
    const pulse = box.pulse(42);
    assert.equal(pulse.outcome, 'open');
    assert.equal(await pulse.done, pulse);
    // Tag 1 is the rig's own; then came the session and the settings.
    assert.deepEqual([pulse.number, pulse.tag, pulse.outcome, pulse.cut, pulse.heldBack], [1, 4, 'done', null, false]);
    await sleep(20);
    const wide = await box.pulse(255, 12_345).done;
    await sleep(30);
    const held = await box.set(3).done;
    const levels = await box.levels();
    const cleared = await box.set(0).done;
    assert.deepEqual([levels.outputs, levels.readback], [3, 3]);
    assert.deepEqual(await rig.edges(), [
      [pulse.time, 42], [pulse.time + 5000, 0],
      [wide.time, 255], [wide.time + 12_345, 0],
      [held.time, 3], [cleared.time, 0],
    ]);
    assert.ok(pulse.sent <= performance.now() && pulse.sent > performance.now() - 5000);
    assert.deepEqual(await box.wait(), []);
  });

  test(`2000 markers in a row, on ${nameOf(way)}`, async (t) => {
    const { rig, box } = await openBox(t, way);
    let held = 0;
    box.on('heldBack', () => held++);
    const codes = Array.from({ length: 2000 }, (_, at) => (at % 255) + 1);
    const markers = codes.map((code) => box.pulse(code));
    assert.equal(box.openMarkers.length, 2000);
    assert.ok(held > 1900, `${held} were held back`);
    assert.ok(markers[1999].heldBack && markers[1999].tag === null);
    assert.deepEqual(await box.wait(), []);
    assert.deepEqual(markers.map(({ tag }) => tag), codes.map((_, at) => ((at + 3) % 255) + 1)); // from 4, see above
    const shown = (await rig.edges()).filter(([, levels]) => levels !== 0);
    assert.deepEqual(shown, markers.map(({ time, code }) => [time, code]));
    const counters = await box.counters();
    assert.deepEqual([counters.markers, counters.inputLost, counters.framesBroken, counters.messagesLost], [2000, 0, 0, 0]);
  });
}

test('a pulse that cuts another says how long that one lasted', async (t) => {
  const { box } = await openBox(t);
  const first = box.pulse(1, 1_000_000);
  const second = await box.pulse(2).done;
  assert.equal(second.cut, second.time - first.time);
  assert.equal(second.delay, 0);
});

test('a marker that waits for its gap says for how long', async (t) => {
  const { rig, box } = await openBox(t, { settings: { gap: 700_000, width: 1000 } });
  const first = box.pulse(1);
  await first.done;
  await sleep(20);
  const begin = performance.now();
  const second = await box.pulse(2).done; // longer than an answer may take where no gap is set
  assert.ok(performance.now() - begin > 500);
  assert.ok(second.delay > 500_000 && second.delay <= 700_000, `${second.delay}`);
  assert.equal(second.answerLost, false);
  assert.equal((await box.counters()).frames, 7); // nothing was asked meanwhile
  const edges = await rig.edges(); // the second one may be over, too
  assert.deepEqual(edges.slice(0, 3), [[first.time, 1], [first.time + 1000, 0], [first.time + 701_000, 2]]);
});

test('refusals say why, and what to do', async (t) => {
  const { rig, box } = await openBox(t, { settings: { lines: 63, overlap: 1 } });
  const problems = [];
  box.on('problem', (error) => problems.push(error));
  const outside = box.pulse(64);
  await assert.rejects(outside.done, {
    name: 'MarkerRefused', reason: 'outside lines', detail: 63, marker: outside,
    message: 'Marker 1 (pulse, code 64) was refused: the code needs a line that is not in use for codes, or that is the strobe ' +
      '(lines for codes: 0, 1, 2, 3, 4, 5). ' +
      'It is not in the recording. Use a code of these lines alone, or change lines or strobe with `tallymark settings`.',
  });
  const long = box.pulse(1, 3_700_000_000);
  await assert.rejects(long.done, { reason: 'width range', detail: 3_600_000_000 });
  const good = box.pulse(1, 200_000);
  const overlap = box.pulse(2);
  assert.deepEqual(await box.wait(), [outside, long, overlap]);
  assert.equal(overlap.error.reason, 'overlap');
  assert.deepEqual(problems, [outside.error, long.error, overlap.error]);
  assert.deepEqual(await box.wait(), []);
  assert.deepEqual(await rig.edges(), [[good.time, 1]]);
});

test('a marker that was cancelled while it waited', async (t) => {
  const { box } = await openBox(t, { settings: { gap: 300_000, width: 1000 } });
  await box.pulse(1).done;
  const waiting = box.pulse(2);
  const third = box.pulse(3);
  await assert.rejects(third.done, { reason: 'waiting' });
  await box.set(0).done;
  await assert.rejects(waiting.done, { reason: 'cancelled' });
  await sleep(320);
  const cut = box.pulse(1, 1_000_000);
  await cut.done;
  const cutting = box.pulse(2); // ends that pulse, and waits for its gap
  await box.set(0).done;
  assert.equal(cutting.error.reason, 'cancelled');
  assert.ok(cutting.cut > 0 && cutting.cut < 1_000_000, `${cutting.cut}`);
});

test('a marker whose code is on the lines already has no edge', async (t) => {
  const { rig, box } = await openBox(t);
  const held = await box.set(5).done;
  const again = await box.pulse(5, 500_000).done;
  const idle = await box.set(0).done;
  assert.deepEqual([held.noEdge, again.noEdge, idle.noEdge], [false, true, false]);
  assert.deepEqual(await rig.edges(), [[held.time, 5], [idle.time, 0]]);
});

test('a marker with an expiry goes out before it, and not after it', async (t) => {
  const { rig, box } = await openBox(t);
  const { time } = await box.clock();
  const pulse = await box.pulse(1, 700, { expiry: time + 5_000_000 }).done;
  await sleep(5);
  const held = await box.set(6, { expiry: time + 5_000_000 }).done;
  const late = box.pulse(2, undefined, { expiry: Math.max(0, time - 1000) });
  await assert.rejects(late.done, { name: 'MarkerRefused', reason: 'late', message: /would have been .* late\. It is not in the recording/ });
  assert.ok(late.error.detail > 0);
  assert.equal(late.width, null);
  await assert.rejects(box.set(0, { expiry: 1 }).done, { reason: 'late' });
  assert.deepEqual(await rig.edges(), [[pulse.time, 1], [pulse.time + 700, 0], [held.time, 6]]);
});

test('what no box could do is refused before it is sent', async (t) => {
  const { box } = await openBox(t);
  for (const code of [0, 256, -1, 1.5, '1', NaN, undefined]) assert.throws(() => box.pulse(code), RangeError);
  for (const expiry of [-1, 0.5, '9', null, Infinity]) assert.throws(() => box.pulse(1, 5, { expiry }), RangeError);
  for (const width of [0, 2 ** 32, 1.5, null]) assert.throws(() => box.pulse(1, width), RangeError);
  assert.throws(() => box.set(256), { name: 'RangeError', message: 'A code is a whole number from 0 to 255, not 256. Nothing was sent.' });
  assert.equal((await box.counters()).frames, 5); // the rig's own, identify, the session, the settings, and this one
});

test('the clock of the box lies between two times of the computer', async (t) => {
  const { box } = await openBox(t);
  const one = await box.clock();
  await sleep(100);
  const other = await box.clock();
  const passed = (other.time - one.time) / 1000;
  assert.ok(passed <= other.after - one.before && passed >= other.before - one.after, `${passed} ms`);
});

test('notices: byte markers and the hold limit', async (t) => {
  const { rig, box } = await openBox(t, { settings: { hold_limit: 50_000 } });
  const heard = new Promise((resolve) => box.once('byteMarker', resolve));
  await rig.byte('41');
  const { time, ...rest } = await heard;
  assert.deepEqual(rest, { byte: 65, refused: null, cut: null, delay: 0, noEdge: false });
  assert.deepEqual((await rig.edges())[0], [time, 65]);
  const ended = new Promise((resolve) => box.once('holdEnded', resolve));
  const held = await box.set(9).done;
  assert.deepEqual(await ended, { time: held.time + 50_000, code: 9 });
});

test('a box that was used before goes on with its tags', async (t) => {
  const { rig, box } = await openBox(t);
  await box.pulse(1).done;
  await box.pulse(2).done;
  await box.close();
  assert.throws(() => box.pulse(3), { name: 'LinkLost' });
  const again = await open(rig.where);
  assert.equal((await again.pulse(3).done).tag, 8); // 1 to 5 were used, and 6 and 7 by the session and reading the settings
  await again.close();
  await again.close();
});

test('close waits for open markers', async (t) => {
  const { box } = await openBox(t, { settings: { gap: 300_000, width: 1000 } });
  await box.pulse(1).done;
  const waiting = box.pulse(2);
  await box.close();
  assert.equal(waiting.outcome, 'done');
});
