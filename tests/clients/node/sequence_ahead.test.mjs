// A sequence that starts at a time to come.

import assert from 'node:assert/strict';
import { test } from 'node:test';
import { setTimeout as sleep } from 'node:timers/promises';
import { nameOf, openBox, tcpAndTerminal } from './rig.mjs';
import { openScripted, turn } from './scripted.mjs';

const STEPS = [{ code: 1, hold: 1000 }, { code: 2, hold: 2000 }, { code: 0, hold: 3000 }, { code: 4, hold: 4000 }];
const CAN = { capabilities: 0x110, places: 8, least_lead: 0 };

/** What is on the lines if it plays so often from a box time on. */
function ideal(begin, repeats = 1) {
  const found = [];
  for (let round = 0; round < repeats; round++)
    for (const { code, hold } of STEPS) {
      found.push([begin, code]);
      begin += hold;
    }
  return [...found, [begin, 0]];
}

for (const way of tcpAndTerminal) {
  test(`it starts at its time and plays as it was loaded, on ${nameOf(way)}`, async (t) => {
    const { rig, box } = await openBox(t, way);
    await box.syncClock();
    assert.ok(box.identity.capabilities.includes('start at'));
    const at = performance.now() + 400;
    const sequence = await box.sequence(STEPS, 3, { at });
    const { marker } = sequence;
    assert.equal(marker.outcome, 'accepted');
    const state = await sequence.state();
    assert.deepEqual([state.state, state.started, state.played], ['waiting', marker.at, 0]);
    await assert.rejects(box.selftest(), /while a sequence plays/);
    assert.deepEqual(await rig.edges(), []);
    const end = await sequence.ended;
    assert.deepEqual(end, { time: marker.at + 30_000, played: 12, isStopped: false });
    assert.deepEqual([marker.outcome, marker.time, marker.delay], ['done', marker.at, 0]);
    assert.ok(Math.abs(marker.host.time - at) <= marker.host.bound + 0.001);
    assert.deepEqual(await rig.edges(), ideal(marker.at, 3));
    assert.deepEqual(await box.wait(), []);
  });
}

test('times from now and of the box', async (t) => {
  const { rig, box } = await openBox(t);
  for (const kind of ['after', 'atBox']) {
    const { time } = await box.clock();
    const sequence = await box.sequence(STEPS, 1, { [kind]: 300_000 + (kind === 'atBox' ? time : 0) });
    await sequence.ended;
    if (kind === 'atBox') assert.equal(sequence.marker.time, time + 300_000);
    else assert.ok(sequence.marker.time > time + 299_000); // it counts from when the steps are loaded
    assert.deepEqual(await rig.edges(), ideal(sequence.marker.at));
  }
});

test('too late is refused, and nothing plays', async (t) => {
  const { rig, box } = await openBox(t);
  const problems = [];
  box.on('problem', (error) => problems.push(error));
  for (const when of [{ at: performance.now() - 1000 }, { after: -1e6 }, { atBox: (await box.clock()).time }])
    await assert.rejects(box.sequence(STEPS, 1, when), { name: 'MarkerRefused', reason: 'late' });
  assert.equal((await box.sequenceState()).state, 'loaded');
  assert.equal((await box.wait()).length, 3);
  assert.equal(problems.length, 3);
  assert.deepEqual(await rig.edges(), []);
});

test('what can not be is refused in words', async (t) => {
  const { box } = await openBox(t);
  const { frames } = await box.counters();
  for (const [when, message] of [
    [{ at: 5, after: 5 }, /one time/], [{ bound: 5 }, /one time/], [{ after: 31 * 60e6 }, /30 minutes/],
    [{ after: 1e6, late: 0 }, /at its time or not at all/], [{ expiry: 5 }, /at its time or not at all/],
    [{ after: 1e6, bound: 1 }, /agree within \d+ µs at that time, not within 1 µs as asked/],
  ]) await assert.rejects(box.sequence(STEPS, 1, when), { name: 'RangeError', message });
  assert.equal((await box.counters()).frames, frames + 1);
});

for (const way of ['cancel', 'cancel all', 'stop', 'close']) {
  test(`it is taken back: ${way}`, async (t) => {
    const { rig, box } = await openBox(t);
    const warnings = [];
    const warned = (warning) => warnings.push(warning);
    process.on('warning', warned);
    t.after(() => process.off('warning', warned));
    const sequence = await box.sequence(STEPS, 1, { after: 400_000 });
    if (way === 'stop') assert.equal((await sequence.stop()).state, 'loaded');
    else if (way === 'close') await box.close();
    else assert.deepEqual(await box.cancel(way === 'cancel' ? sequence.marker : undefined), [sequence.marker]);
    await assert.rejects(sequence.ended, { name: 'MarkerRefused', reason: 'cancelled' });
    await sleep(500);
    assert.deepEqual(await rig.edges(), []);
    assert.deepEqual(warnings, []); // it was asked for
    if (way === 'close') return;
    await box.pulse(8).done;
    await sleep(10);
    assert.equal((await (await box.sequence(STEPS)).ended).played, 4);
  });
}

test('what is in its way is refused, and the rest goes out', async (t) => {
  const { box } = await openBox(t);
  box.on('problem', () => {});
  const { time } = await box.clock();
  const sequence = await box.sequence(STEPS, 1, { atBox: time + 1_500_000 });
  await box.pulse(8, 1000).done;
  for (const atBox of [time + 1_000_000, time + 3_000_000])
    await assert.rejects(box.pulse(8, 1000, { atBox }).done, { reason: 'taken' });
  await assert.rejects(box.sequence(STEPS, 1, { after: 2e6 }), { name: 'Refused', reason: 'lines busy' });
  assert.equal((await sequence.ended).played, 4);
});

test('notices and acceptances that are lost are asked for', async (t) => {
  const { rig, box } = await openBox(t, { lossy: true });
  await rig.lose({ answers: [0xc5, 0xc1] });
  const first = await box.sequence(STEPS, 1, { after: 100_000 });
  assert.equal((await first.ended).played, 4);
  assert.ok(first.marker.answerLost && first.marker.time === first.marker.at);
  await rig.lose({ answers: [0x8a] });
  const second = await box.sequence(STEPS, 1, { after: 1_500_000 });
  await second.ended;
  assert.deepEqual([second.marker.outcome, second.marker.time], ['done', second.marker.at]);
});

test('a restart while it waits', async (t) => {
  const { rig, box } = await openBox(t);
  box.on('problem', () => {});
  const sequence = await box.sequence(STEPS, 1, { after: 60e6 });
  await rig.restart();
  await assert.rejects(sequence.ended, { name: 'MarkerUnconfirmed', message: /started again/ });
});

test('its start goes over the wire as asked', async (t) => {
  const { box, requests, say, done, notice } = await openScripted(t, CAN);
  const started = box.sequence(STEPS.slice(0, 1), 70_000, { atBox: 60_000_000 });
  await turn();
  await done(requests.pop());
  const { name, fields, tag } = requests.pop();
  assert.deepEqual([name, fields], ['sequence_start_at', { repeats: 70_000, at: 60_000_000 }]);
  await say('accepted', tag, { number: 7 });
  const { marker } = await started;
  await notice('marker_edge', 2, { number: 7, time: 60_000_000, lasted: 0xffffffff, delay: 0, notes: 0, reason: 0 });
  assert.deepEqual([marker.outcome, marker.time], ['done', 60_000_000]);
});

test('a box that can not', async (t) => {
  const { box, requests } = await openScripted(t, { ...CAN, capabilities: 0x10 });
  await assert.rejects(box.sequence(STEPS, 1, { after: 1000 }), /can't start a sequence at a time/);
  assert.equal(requests.length, 0);
});
