// The self-test on straight wires and on faulty ones.

import assert from 'node:assert/strict';
import { describe, test } from 'node:test';
import { openBox } from './rig.mjs';

const verdicts = ({ lines }) => lines.filter(({ verdict }) => verdict !== 'good').map(({ text }) => text);

async function run(t, wanted) {
  const { rig, box } = await openBox(t, wanted);
  const found = await box.selftest();
  const edges = await rig.edges();
  return { rig, box, found, edges };
}

describe('self-test', { concurrency: 3 }, () => {
  test('straight', async (t) => {
    const { found, edges } = await run(t, {});
    assert.deepEqual([found.isGood, found.tried, found.right], [true, 256, 256]);
    assert.equal(found.sentence, 'All 256 codes of lines 0, 1, 2, 3, 4, 5, 6, 7 came back right.');
    assert.deepEqual(edges.map(([, code]) => code), [...Array(256).keys()].slice(1).concat(0));
  });

  test('some lines, idle high, on TCP', async (t) => {
    const { found, edges } = await run(t, { tcp: true, settings: { lines: 0b101, idle: 1 } });
    assert.deepEqual([found.isGood, found.tried, found.lines.map(({ line }) => line)], [true, 4, [0, 2]]);
    assert.deepEqual(edges.slice(-4).map(([, levels]) => levels), [0xfe, 0xfb, 0xfa, 0xff]);
  });

  const FAULTS = [
    [['open:3'], 128, ['line 3: always low (open, or short to ground)']],
    [['stuck-low:0'], 128, ['line 0: always low (open, or short to ground)']],
    [['stuck-high:7'], 128, ['line 7: always high (short to the supply)']],
    [['swapped:0,1'], 128, ['line 0: follows line 1 instead', 'line 1: follows line 0 instead']],
    [['inverted:2'], 0, ['line 2: inverted']],
    [['bridged-and:1,4'], 128, [
      'line 1: follows line 4 too (high when all of them are high)', 'line 4: follows line 1 too (high when all of them are high)']],
    [['bridged-or:1,4'], 128, [
      'line 1: follows line 4 too (high when one of them is high)', 'line 4: follows line 1 too (high when one of them is high)']],
    [['reversed'], 16, [0, 1, 2, 3, 4, 5, 6, 7].map((line) => `line ${line}: follows line ${7 - line} instead`)],
  ];

  for (const [faults, right, texts] of FAULTS) {
    test(faults.join(' '), async (t) => {
      const { found } = await run(t, { faults });
      assert.deepEqual([found.isGood, found.right], [false, right]);
      assert.deepEqual(verdicts(found), texts);
      for (const text of texts) assert.ok(found.sentence.includes(text));
      assert.match(found.sentence, /`tallymark selftest`/);
    });
  }

  test('unplugged', async (t) => {
    const { found } = await run(t, { faults: ['unplugged'] });
    assert.deepEqual([found.isGood, found.right], [false, 1]);
    assert.match(found.sentence, /^Only 1 of 256 codes came back right: nothing came back on any line: is the loopback plugged in\?/);
  });

  test('not while a sequence plays', async (t) => {
    const { rig, box } = await openBox(t);
    const sequence = await box.sequence([{ code: 5, hold: 3_000_000 }]);
    await assert.rejects(box.selftest(), /No self-test while a sequence plays/);
    assert.equal((await rig.edges()).length, 1);
    await sequence.stop();
  });

  test('not with a strobe, whose line no code can drive', async (t) => {
    const { rig, box } = await openBox(t, { settings: { strobe: 128, strobe_lead: 300, strobe_hold: 400 } });
    const { strobe, strobeLead, strobeHold } = await box.settings();
    assert.deepEqual([strobe, strobeLead, strobeHold], [7, 300, 400]);
    await assert.rejects(box.selftest(), /No self-test with a strobe: no code can drive its line \(7\)/);
    assert.deepEqual(await rig.edges(), []);
    await assert.rejects(box.pulse(129).done, { reason: 'outside lines', detail: 127 });
  });

  test('lines end at idle when it is disturbed', async (t) => {
    const { rig, box } = await openBox(t);
    box.on('settled', ({ number }) => number === 50 && box.set(200)); // between a code and the question for the levels
    await assert.rejects(box.selftest(), /was disturbed/);
    assert.equal((await rig.edges()).at(-1)[1], 0);
  });
});
