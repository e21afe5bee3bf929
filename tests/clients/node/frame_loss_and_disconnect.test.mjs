// Frames that get lost, boxes that restart and cables that are pulled. Nothing is ever sent again.

import assert from 'node:assert/strict';
import { describe, test } from 'node:test';
import { setTimeout as sleep } from 'node:timers/promises';
import { nameOf, openBox, tcpAndTerminal } from './rig.mjs';

const FATE = 0x05, LEVELS = 0x04, PULSE = 0x10, DONE = 0x80, NOTED = 0x81, REFUSED = 0x82, FATE_ANSWER = 0x86;

/** A box whose problems are kept. */
async function openLossy(t, wanted = {}) {
  const { rig, box } = await openBox(t, { lossy: true, ...wanted });
  const problems = [];
  box.on('problem', (error) => problems.push(error));
  return { rig, box, problems };
}

describe('losses', { concurrency: 3 }, () => {
  test('a lost request is unconfirmed and not sent again', async (t) => {
    const { rig, box, problems } = await openLossy(t);
    await rig.lose({ requests: [PULSE], most: 1 });
    const lost = box.pulse(5);
    const next = box.pulse(6);
    await assert.rejects(lost.done, {
      name: 'MarkerUnconfirmed', marker: lost,
      message: 'Marker 1 (pulse, code 5) is unconfirmed: its answer did not come, and the box has no record of it: most likely it ' +
        'was lost in transmission. It may or may not be in the recording, and was not sent again. Check the cable and its length.',
    });
    assert.deepEqual(await box.wait(), [lost]);
    assert.deepEqual(problems, [lost.error]);
    assert.deepEqual((await rig.edges()).map(([, code]) => code).slice(0, 1), [6]); // which may still be out
    assert.equal(next.outcome, 'done');
  });

  test('a lost answer is found by asking for the fate', async (t) => {
    const { rig, box } = await openLossy(t);
    await rig.lose({ answers: [DONE], most: 1 });
    const marker = await box.pulse(5).done;
    assert.equal(marker.answerLost, true);
    assert.deepEqual(await rig.edges(), [[marker.time, 5], [marker.time + 5000, 0]]);
  });

  test('a lost refusal is found by asking for the fate', async (t) => {
    const { rig, box } = await openLossy(t, { settings: { lines: 1 } });
    await rig.lose({ answers: [REFUSED], most: 1 });
    await assert.rejects(box.pulse(2).done, /was refused: outside lines\. It is not in the recording/);
  });

  test('the question for the fate may get lost too, once', async (t) => {
    const { rig, box } = await openLossy(t);
    await rig.lose({ answers: [DONE, FATE_ANSWER], most: 2 });
    assert.equal((await box.pulse(5).done).answerLost, true);
    assert.equal(await rig.lost(), 2);
  });

  test('many lost requests and many lost answers', async (t) => {
    const { rig, box } = await openLossy(t);
    await rig.lose({ requests: [PULSE], most: 20 });
    const lost = Array.from({ length: 20 }, () => box.pulse(1));
    const sent = Array.from({ length: 200 }, (_, at) => box.pulse(at + 2));
    assert.deepEqual(await box.wait(), lost);
    await rig.lose({ answers: [DONE, NOTED], most: 40 });
    const unheard = Array.from({ length: 200 }, (_, at) => box.pulse(at + 2));
    assert.deepEqual(await box.wait(), []);
    assert.equal(unheard.filter(({ answerLost }) => answerLost).length, 40);
    const shown = (await rig.edges()).filter(([, code]) => code !== 0);
    assert.deepEqual(shown, [...sent, ...unheard].map(({ time, code }) => [time, code]));
  });

  test('a link that has fallen silent is told within seconds', async (t) => {
    const { rig, box } = await openLossy(t);
    await rig.lose({ requests: [PULSE, FATE] });
    const markers = Array.from({ length: 50 }, () => box.pulse(1));
    const begin = performance.now();
    const told = await box.wait();
    assert.ok(performance.now() - begin < 5000);
    assert.deepEqual(told.sort((one, other) => one.number - other.number), markers);
  });

  test('a marker that waits in the box is asked for again', async (t) => {
    const { rig, box } = await openLossy(t, { settings: { gap: 1_000_000, width: 1000 } });
    await box.pulse(1).done;
    box.pulse(2); // its answer comes after a second, and gets lost
    await rig.lose({ answers: [NOTED], most: 1 });
    assert.deepEqual(await box.wait(), []);
    assert.equal(await rig.lost(), 1);
  });

  test('a question without an answer says so, and the next one is answered', async (t) => {
    const { rig, box } = await openLossy(t);
    await rig.lose({ requests: [LEVELS], most: 1 });
    await assert.rejects(box.levels(), { name: 'NoAnswer' });
    assert.equal((await box.levels()).outputs, 0);
  });

  for (const way of tcpAndTerminal) {
    test(`a restart leaves open markers unconfirmed, on ${nameOf(way)}`, async (t) => {
      const { rig, box } = await openBox(t, { ...way, settings: { gap: 1_000_000, width: 1000 } });
      const problems = [];
      box.on('problem', (error) => problems.push(error));
      await box.pulse(1).done;
      const open = box.pulse(2); // waits for its gap
      await sleep(50);
      const started = new Promise((resolve) => box.once('started', resolve));
      await rig.restart();
      assert.deepEqual(await started, { cause: 'power' });
      assert.deepEqual(await box.wait(), [open]);
      assert.match(open.error.message, /^Marker 2 \(pulse, code 2\) is unconfirmed: the box started again/);
      assert.match(problems[1].message, /^The box has started again \(cause: power\)/);
      await rig.edges();
      const next = await box.pulse(3).done; // in the new run of the box, and with its tags
      assert.ok(next.tag <= 3, `tag ${next.tag}`); // the session, perhaps the settings, and this one
      assert.equal((await rig.edges())[0][1], 3);
    });

    test(`a connection that breaks leaves open markers unconfirmed, on ${nameOf(way)}`, async (t) => {
      const { rig, box } = await openBox(t, { ...way, settings: { gap: 1_000_000, width: 1000 } });
      const problems = [];
      box.on('problem', (error) => problems.push(error));
      await box.pulse(1).done;
      const open = box.pulse(2);
      const question = box.levels();
      await question;
      const stopped = rig.unplug();
      assert.deepEqual(await box.wait(), [open]);
      await stopped;
      assert.match(open.error.message, /^Marker 2 \(pulse, code 2\) is unconfirmed: (the connection to .* was lost|.* was closed)/);
      assert.equal(problems.at(-1).name, 'LinkLost');
      assert.throws(() => box.pulse(3), { name: 'LinkLost', message: /later markers will be missing in the recording/ });
      await assert.rejects(box.levels(), { name: 'LinkLost' });
      await assert.rejects(box.sequence([{ code: 1, hold: 100 }]), { name: 'LinkLost' });
    });
  }

  test('a program that keeps the event loop busy does not lose answers', async (t) => {
    const { box } = await openBox(t);
    await box.pulse(1, 1_000_000).done;
    const marker = box.pulse(2);
    const end = performance.now() + 800;
    while (performance.now() < end);
    await marker.done;
    assert.equal(marker.answerLost, false);
    assert.ok(marker.cut > 0);
  });
});
