// A marker waits for nothing that is done for the probes.

import assert from 'node:assert/strict';
import { Box, BYTES, FRAMED } from './sim/box.mjs';
import { frame, u32 } from './sim/frames.mjs';
import { markersAmongProbes } from './sim/probe_scenes.mjs';
import { test } from './sim/timed_test.mjs';

const PROBE_EDGES = 0xc6, DONE = 0x80, BYTE_MARKER = 0xc3;
const TTL = 16;

// A marker that comes in just behind a look at USB waits for one turn of the loop, with probes and without: 5 us in all.
for (const [scene, most] of [['off', 5], ['quiet', 5], ['edges', 5.3]]) {
  test(`a marker's way from its packet to its edge: probes ${scene}`, () => {
    const { waits, notices, came } = markersAmongProbes(scene, 'framed', 300);
    console.log(`${scene}: median ${waits[150].toFixed(2)} us, most ${waits.at(-1).toFixed(2)} us`);
    assert.ok(waits.at(-1) <= most, `${waits.at(-1)} us`);
    assert.equal(came.filter(({ type }) => type === DONE).length, 300);
    if (scene === 'edges') assert.ok(notices.length > 300);
  });
}

test('a byte that is a marker does not wait either, and what is told of both is whole and in order', () => {
  const { waits, notices } = markersAmongProbes('edges', 'bytes', 300);
  console.log(`bytes: median ${waits[150].toFixed(2)} us, most ${waits.at(-1).toFixed(2)} us`);
  assert.ok(waits.at(-1) <= 3.9, `${waits.at(-1)} us`);
  assert.equal(notices.filter(({ type }) => type === BYTE_MARKER).length, 300);
  assert.ok(notices.filter(({ type }) => type === PROBE_EDGES).length > 300);
  notices.slice(1).forEach(({ tag }, n) => assert.equal(tag, (notices[n].tag % 255) + 1, 'a notice is missing or out of order'));
});

test('a marker that comes while the box is about to restart is not put out', () => {
  for (let after = 0; after < 20; after += 0.2) {
    const box = new Box();
    box.host.open(BYTES.control);
    box.ask(0x29, [...Array(16).fill(0), ...u32(5000), ...u32(0), ...u32(0), ...u32(115200), 255, 0, 0, 1, 0, TTL, ...Array(12).fill(0)]);
    box.host.out(FRAMED.bulk, frame(0x06, box.nextTag(), [0]));
    box.edges();
    box.chip.runUs(after);
    box.host.out(BYTES.bulk, [5]);
    box.chip.runUs(100);
    assert.deepEqual(box.edges(), [], `a byte sent ${after.toFixed(1)} us behind the request`);
  }
});
