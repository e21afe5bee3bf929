// From power to the first request: crystal, clocks, watchdog. Setting up is checked by sim/clocks.mjs.

import assert from 'node:assert/strict';
import { Box } from './sim/box.mjs';
import { accepted, US } from './sim/shared_assertions.mjs';
import { u32 } from './sim/frames.mjs';
import { test } from './sim/timed_test.mjs';

for (const crystalUs of [0, 6000, 64000]) {
  test(`a crystal that needs ${crystalUs / 1000} ms to settle`, () => {
    const box = new Box({ crystalUs });
    accepted(box.ask(0x11, [0xff, ...u32(10)]));
    box.chip.runUs(20);
    const [[rise], [fall]] = box.edges();
    assert.equal(fall - rise, 10 * US);
  });
}

test('a crystal that does not start: the watchdog tries again, and the lines stay low', () => {
  const box = new Box({ crystalUs: Infinity, plugged: false });
  box.chip.runUs(1100000);
  assert.equal(box.chip.events.at(-1)?.what, 'reset');
  assert.deepEqual(box.edges(), []);
  assert.ok(!box.chip.usb.attached);
  box.options.crystalUs = 6000;
  box.restart();
  box.plug();
  accepted(box.ask(0x11, [0xff, ...u32(10)]));
});

test('the light is on once the box runs, and the box knows what it is', () => {
  const box = new Box();
  assert.equal(box.chip.rp2040.gpio[25].value, 1);
  const { body } = box.ask(0x01, [2, 0]);
  assert.equal(body[5], 3); // a Pico
});
