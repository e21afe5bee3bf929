// Markers ahead of their time: given in host time, put out by the box, told by number though notices are lost.

import assert from 'node:assert/strict';
import { test } from 'node:test';
import { setTimeout as sleep } from 'node:timers/promises';
import { openScripted, turn } from './scripted.mjs';
import { nameOf, openBox, tcpAndTerminal } from './rig.mjs';

const shown = async (rig) => (await rig.edges()).filter(([, levels]) => levels !== 0);
const CAN = { capabilities: 0x10, places: 8, least_lead: 0 };
const edge = (number, time, more) => ({ number, time, lasted: 0xffffffff, delay: 0, notes: 0, reason: 0, ...more });

for (const way of tcpAndTerminal) {
  test(`the edge comes at its time, on ${nameOf(way)}`, async (t) => {
    const { rig, box } = await openBox(t, way);
    await box.syncClock();
    assert.ok(box.identity.capabilities.includes('ahead'));
    assert.equal(box.identity.places, 32);
    const at = performance.now() + 400;
    const byHost = box.pulse(5, undefined, { at });
    const soon = box.pulse(6, 1000, { after: 200_000 });
    const atBox = (await box.clock()).time + 600_000;
    const byBox = box.set(7, { atBox });
    await byHost.answered;
    assert.equal(byHost.outcome, 'accepted');
    assert.deepEqual(await box.wait(), []);
    assert.deepEqual(await shown(rig), [[soon.time, 6], [byHost.time, 5], [atBox, 7]]);
    for (const marker of [byHost, soon, byBox]) {
      assert.deepEqual([marker.outcome, marker.time, marker.delay], ['done', marker.at, 0]);
      assert.ok(marker.host.bound < 100);
    }
    assert.ok(Math.abs(byHost.host.time - at) <= byHost.host.bound + 0.001);
    assert.equal((await box.set(0).done).host, null);
  });
}

test('it holds neither window nor tag', async (t) => {
  const { box } = await openBox(t);
  const far = box.pulse(9, 10, { after: 60_000_000 });
  for (let k = 0; k < 600; k++) box.pulse(1, 10);
  while (box.openMarkers.length > 1) await sleep(5);
  assert.equal(far.outcome, 'accepted');
  assert.deepEqual(await box.cancel(far), [far]);
  assert.equal(far.error.reason, 'cancelled');
});

test('what can not be is refused in words', async (t) => {
  const { box } = await openBox(t);
  const { frames } = await box.counters();
  const far = 31 * 60e6;
  for (const [options, message] of [
    [{ at: 5, after: 5 }, /one time/], [{ after: 5, expiry: 5 }, /one time/], [{ after: far }, /30 minutes/], [{ after: NaN }, /30 min/],
    [{ at: performance.now() - far / 1000 }, /30 minutes/], [{ after: 1e6, late: -1 }, /30 minutes/],
    [{ after: 1_000_000, bound: 1 }, /agree within \d+ µs at that time, not within 1 µs as asked/],
  ]) {
    assert.throws(() => box.pulse(5, undefined, options), { name: 'RangeError', message });
    assert.throws(() => box.set(5, options), { name: 'RangeError', message });
  }
  assert.equal((await box.counters()).frames, frames + 1);
  const { bound } = box.toBox(performance.now() + 100);
  await box.pulse(5, undefined, { after: 100_000, bound: 2 * bound + 10_000 }).done;
});

test('more than the box holds', async (t) => {
  const { box } = await openBox(t);
  const { time } = await box.clock();
  for (let k = 0; k < 32; k++) box.pulse(1, 10, { atBox: time + 60_000_000 + 1000 * k });
  assert.throws(() => box.pulse(1, 10, { after: 9e6 }), /holds 32 markers ahead/);
  assert.equal((await box.cancel()).length, 32);
  assert.equal(box.openMarkers.length, 0);
});

test('one that is late or in the way', async (t) => {
  const { box } = await openBox(t);
  const { time } = await box.clock();
  await assert.rejects(box.pulse(5, undefined, { atBox: time }).done, { reason: 'late' });
  const late = await box.pulse(5, undefined, { atBox: time, late: 60e6 }).done;
  assert.ok(late.time > time);
  assert.equal(late.delay, late.time - late.at); // the box told of none
  assert.ok(Math.abs(late.host.time - box.toHost(late.time).time) <= late.host.bound + box.toHost(late.time).bound);
  box.pulse(5, undefined, { atBox: time + 5e6 });
  await assert.rejects(box.pulse(6, undefined, { atBox: time + 5e6 }).done, { reason: 'taken' });
});

test('cancelling one, and closing', async (t) => {
  const { rig, box } = await openBox(t);
  const one = box.pulse(1, undefined, { after: 300_000 });
  const two = box.pulse(2, undefined, { after: 600_000 });
  assert.deepEqual(await box.cancel(two), [two]);
  assert.deepEqual(await box.cancel(two), []);
  await one.done;
  assert.deepEqual(await box.cancel(one), []);
  const three = box.pulse(3, undefined, { after: 400_000 });
  await box.close();
  assert.equal(three.error.reason, 'cancelled');
  await sleep(500);
  assert.deepEqual((await shown(rig)).map(([, levels]) => levels), [1]);
});

test('a restart makes them unconfirmed', async (t) => {
  const { rig, box } = await openBox(t);
  box.on('problem', () => {});
  const marker = box.pulse(5, undefined, { after: 60e6 });
  await marker.answered;
  await rig.restart();
  await assert.rejects(marker.done, { name: 'MarkerUnconfirmed', message: /started again/ });
});

test('notices and acceptances that are lost are asked for', async (t) => {
  const { rig, box } = await openBox(t, { lossy: true });
  await rig.lose({ answers: [0xc5] });
  const edgeLost = await box.pulse(5, undefined, { after: 100_000 }).done;
  assert.ok(edgeLost.answerLost && edgeLost.time === edgeLost.at);
  await rig.lose({ answers: [0x8a] });
  const early = await box.pulse(6, undefined, { after: 100_000 }).done;
  const later = await box.pulse(7, undefined, { after: 2_000_000 }).done;
  assert.deepEqual([early.time, later.time], [early.at, later.at]);
  await rig.lose({ answers: [0xc5, 0x86] });
  await assert.rejects(box.pulse(8, undefined, { after: 100_000 }).done, /the box does not answer/);
});

test('times on the wire; a missing notice makes it ask at once; numbers that begin anew', async (t) => {
  const { box, requests, say, notice } = await openScripted(t, CAN);
  const marker = box.set(0, { atBox: 60_000_000, late: 7 });
  await turn();
  const { fields, tag } = requests.pop();
  assert.deepEqual(fields, { kind: 1, code: 0, width: 0, at: 60_000_000, expiry: 60_000_007 });
  await say('accepted', tag, { number: 1 });
  await notice('hold_ended', 3, { time: 1, code: 1 }); // number 2 is missing
  const asked = requests.find(({ name }) => name === 'fate_of_number');
  assert.equal(asked.fields.number, 1);
  const found = { asked: 0, code: 0, reason: 0, time: 60_000_000, lasted: 0xffffffff, delay: 0, notes: 0, number: 1 };
  await say('fate', asked.tag, { ...found, outcome: 4 });
  assert.equal(marker.outcome, 'accepted');
  const twin = box.set(1, { atBox: 60_000_000 });
  await turn();
  await say('accepted', requests.at(-1).tag, { number: 1 });
  assert.deepEqual([marker.outcome, twin.outcome], ['unconfirmed', 'accepted']);
  await notice('marker_edge', 4, edge(1, 60_000_000));
  assert.deepEqual([twin.outcome, twin.time], ['done', 60_000_000]);
});

test('a box that can not', async (t) => {
  const { box, requests } = await openScripted(t);
  assert.throws(() => box.pulse(5, undefined, { after: 1000 }), /can't put out markers ahead/);
  assert.equal(requests.length, 0);
});
