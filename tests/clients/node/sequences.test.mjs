// Sequences, which the box times.

import assert from 'node:assert/strict';
import { test } from 'node:test';
import { nameOf, openBox, tcpAndTerminal } from './rig.mjs';

const NOTICE_SEQUENCE_ENDED = 0xc1;
const SEQUENCE_LOAD = 0x18;
const STEPS = [{ code: 1, hold: 10_000 }, { code: 2, hold: 20_000 }, { code: 0, hold: 5000 }];
const ROUND = 35_000;

for (const way of tcpAndTerminal) {
  test(`plays, on ${nameOf(way)}`, async (t) => {
    const { rig, box } = await openBox(t, way);
    const sequence = await box.sequence(STEPS, 3);
    const playing = await sequence.state();
    assert.equal(playing.state, 'playing');
    const first = sequence.marker.time;
    assert.equal(playing.started, first);
    await assert.rejects(box.pulse(1).done, { reason: 'playing' });
    const end = await sequence.ended;
    assert.deepEqual(end, { time: first + 3 * ROUND, played: 9, isStopped: false });
    const wanted = [0, 1, 2].flatMap((round) => [[0, 1], [10_000, 2], [30_000, 0]].map(([at, code]) => [first + round * ROUND + at, code]));
    assert.deepEqual(await rig.edges(), wanted);
    assert.equal((await sequence.state()).state, 'ended');
  });
}

test('all the steps that fit', async (t) => {
  const { rig, box } = await openBox(t);
  const steps = Array.from({ length: box.identity.steps }, (_, at) => ({ code: (at % 2) + 1, hold: 100 }));
  const sequence = await box.sequence(steps);
  assert.equal((await sequence.ended).played, steps.length);
  assert.equal((await rig.edges()).length, steps.length + 1);
  await assert.rejects(box.sequence([...steps, steps[0]]), RangeError);
  await assert.rejects(box.sequence([]), RangeError);
});

test('stops', async (t) => {
  const { rig, box } = await openBox(t);
  const sequence = await box.sequence([{ code: 5, hold: 3_000_000 }], 0);
  const state = await sequence.stop();
  assert.deepEqual([state.state, state.played, state.repeats], ['stopped', 1, 0]);
  assert.deepEqual(await sequence.ended, { time: state.ended, played: 1, isStopped: true });
  assert.deepEqual(await rig.edges(), [[state.started, 5], [state.ended, 0]]);
  assert.equal((await box.sequenceState()).state, 'stopped');
});

test('a step that is refused starts nothing', async (t) => {
  const { rig, box } = await openBox(t, { settings: { lines: 1 } });
  await assert.rejects(box.sequence(STEPS), { name: 'Refused', reason: 'outside lines' });
  assert.deepEqual(await rig.edges(), []);
});

test('a step that gets lost starts nothing', async (t) => {
  const { rig, box } = await openBox(t, { lossy: true });
  await rig.lose({ requests: [SEQUENCE_LOAD], most: 1 });
  await assert.rejects(box.sequence(STEPS), /The box (refused|did not answer) 'sequence load'/);
  assert.deepEqual(await rig.edges(), []);
  const sequence = await box.sequence(STEPS); // the next try is a whole one
  assert.equal((await sequence.ended).played, 3);
});

test('an end whose notice gets lost is found', async (t) => {
  const { rig, box } = await openBox(t, { lossy: true });
  await rig.lose({ answers: [NOTICE_SEQUENCE_ENDED] });
  const sequence = await box.sequence(STEPS);
  assert.deepEqual(await sequence.ended, { time: sequence.marker.time + ROUND, played: 3, isStopped: false });
  assert.equal(await rig.lost(), 1);
});

test('a restart ends it', async (t) => {
  const { rig, box } = await openBox(t);
  box.on('problem', () => {});
  const sequence = await box.sequence([{ code: 5, hold: 3_000_000 }], 0);
  await rig.restart();
  await assert.rejects(sequence.ended, /box started again/);
});
