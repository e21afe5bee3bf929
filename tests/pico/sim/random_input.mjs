// Anything at all, on both ports and on endpoint 0, and what must be true all the while.

import assert from 'node:assert/strict';
import { Box, BYTES, FRAMED } from './box.mjs';
import { frame, readU32, u32 } from './frames.mjs';
import { Stall } from './usb_host.mjs';

/** The minimal standard generator: the same storm for the same seed. */
export function random(seed) {
  let state = seed;
  return (below) => (state = (state * 48271) % 2147483647) % below;
}

/** Lines outside `allowed` must never have moved. */
function lawful(box, allowed) {
  for (const [, levels] of box.edges()) assert.equal(levels & ~allowed, 0, `lines ${levels.toString(2)}`);
  box.chip.edges.splice(0, box.chip.edges.length - 1);
  box.seen = 1;
  assert.equal(box.chip.events.length, 0, 'the box restarted');
}

/** `count` random bytes, half of them made to look like frames. Returns the counters at the end. */
export function bytesStorm({ seed, count, progress = () => {} }) {
  const next = random(seed);
  const box = new Box();
  const settings = box.ask(0x28).body.slice(5);
  settings[32] = 0x0f; // lines 0 to 3 are in use
  assert.equal(box.ask(0x29, [...settings]).type, 0x80);
  box.host.open(BYTES.control);
  // Types that change settings or restart the box are left out: they are lawful, and would end the storm.
  const types = [1, 2, 3, 4, 5, 0x10, 0x11, 0x12, 0x18, 0x19, 0x1a, 0x1b, 0x20, 0x21, 0x22, 0x28, 0x33, 0x77, 0xff];
  const piece = []; // what comes next
  for (let sent = 0; sent < count; ) {
    while (piece.length < 64) {
      const kind = next(4);
      if (kind === 0 && next(8) === 0) piece.push(next(256));
      else if (kind === 1) piece.push(0);
      else {
        const body = Array.from({ length: next(4) ? [0, 1, 2, 4, 5, 7][next(6)] : next(60) }, () => next(256));
        const wire = frame(types[next(types.length)], next(256), body);
        if (kind === 2 && next(2)) wire[next(wire.length)] ^= 1 << next(8);
        if (wire.length > 3 && (wire[1] === 6 || (wire[1] >= 0x29 && wire[1] <= 0x2b))) continue;
        piece.push(...wire);
      }
    }
    const packet = piece.splice(0, 1 + next(64));
    if (next(8)) box.host.send(FRAMED.bulk, packet);
    else box.host.send(BYTES.bulk, packet);
    sent += packet.length;
    if (next(3) === 0) box.host.in(FRAMED.bulk, 5);
    lawful(box, 0x0f);
    progress(sent);
  }
  box.host.send(FRAMED.bulk, [0]);
  box.host.receive(FRAMED.bulk, 3000);
  box.ask(0x1a);
  const { body } = box.ask(0x03, [], 20000);
  return { us: box.chip.us, frames: readU32(body, 8), broken: readU32(body, 12), refused: readU32(body, 16),
    markers: readU32(body, 20), lost: readU32(body, 32) };
}

const valid = [
  [0x80, 0, 0, 0, 2], [0x81, 0, 0, 1, 2], [0x82, 0, 0, 0x82, 2], [0x80, 6, 0x0100, 0, 18], [0x80, 6, 0x0200, 0, 255],
  [0x80, 6, 0x0302, 0x0409, 255], [0x80, 6, 0x0303, 0x0409, 64], [0x80, 6, 0x0f00, 0, 64], [0xc0, 2, 0, 7, 64],
  [0x80, 8, 0, 0, 1], [0x00, 9, 1, 0, 0], [0x00, 9, 0, 0, 0], [0x00, 9, 1, 0, 0], [0x00, 5, 7, 0, 0], [0x81, 10, 0, 3, 1],
  [0x01, 11, 0, 1, 0], [0x02, 3, 0, 0x82, 0], [0x02, 1, 0, 0x82, 0], [0x02, 1, 0, 4, 0], [0x21, 0x20, 0, 0, 7],
  [0xa1, 0x21, 0, 2, 7], [0x21, 0x22, 3, 0, 0], [0x21, 0x22, 0, 0, 0], [0x21, 0x22, 1, 2, 0],
];

/** `count` random control requests, among them broken off and badly ended ones. */
export function controlStorm({ seed, count, progress = () => {} }) {
  const next = random(seed);
  const box = new Box();
  const { host, chip } = box;
  const outcome = { taken: 0, stalled: 0, brokenOff: 0 };
  for (let n = 0; n < count; n++) {
    let [type, request, value, index, length] = valid[next(valid.length)];
    if (next(2)) { // and now with something wrong
      if (next(3) === 0) type = next(2) ? next(256) : type ^ 0x80;
      if (next(3) === 0) request = next(2) ? next(256) : next(13);
      if (next(3) === 0) value = next(2) ? next(65536) : next(16) * 256 + next(8);
      if (next(3) === 0) index = next(2) ? next(65536) : 0x80 | next(6);
      if (next(3) === 0) length = next(2) ? next(65536) : next(300);
    }
    if (type === 0x41 && request === 1 && value === 0x544d) continue; // what restarts it on purpose
    const setAddress = type === 0 && request === 5;
    try {
      if (next(20) === 0) { // broken off
        chip.usb.setup(host.address, [type, request, value & 255, value >> 8, index & 255, index >> 8, length & 255, length >> 8]);
        chip.runUs(next(40));
        if (setAddress) chip.runUs(100); // not confirmed: the address must not have changed
        outcome.brokenOff++;
        chip.runUs(20);
        continue;
      }
      const data = type & 0x80 ? length : Array.from({ length: Math.min(length, 200) }, () => next(256));
      host.control(type, request, value, index, data);
      outcome.taken++;
      if (setAddress) host.address = value;
      if (type === 0 && request === 9) host.toggles = { in: { 0: 0 }, out: { 0: 0 } };
    } catch (error) {
      if (!(error instanceof Stall)) throw error;
      outcome.stalled++;
    }
    assert.equal(chip.levels, 0);
    assert.equal(chip.events.length, 0, 'the box restarted');
    progress(n);
  }
  box.plug();
  assert.equal(box.ask(0x11, [0x80, ...u32(10)]).type, 0x80);
  return outcome;
}
