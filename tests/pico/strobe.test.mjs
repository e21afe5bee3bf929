// The strobe at the simulated pins, in cycles of 5 ns, with the port kept busy.

import assert from 'node:assert/strict';
import { Box, FRAMED } from './sim/box.mjs';
import { accepted, REFUSED, SEQUENCE, US } from './sim/shared_assertions.mjs';
import { frame, u32 } from './sim/frames.mjs';
import { test } from './sim/timed_test.mjs';

const STROBE = 0x80, TIMED = 0x13, CLOCK = 0x02, LOAD = 0x18, START = 0x19, STATE = 0x1b;
const u16 = (value) => [value & 0xff, value >> 8];

/** A box with line 7 as its strobe. */
function strobed(lead, hold, { width = 70_000, idle = 0 } = {}) {
  const box = new Box();
  const settings = box.ask(0x28).body.slice(5);
  settings.set(u32(width), 16);
  settings[33] = idle;
  settings.set([STROBE, 0, ...u16(lead), ...u16(hold)], 36);
  accepted(box.ask(0x29, [...settings]));
  box.edges();
  return box;
}

/** What the lines do for one code: cycles from its edge, and levels. */
const parts = (code, width, lead, hold, flip = 0) => [
  [0, code ^ flip], [lead * US, (code | STROBE) ^ flip], [(width - hold) * US, code ^ flip],
];

const fromFirst = (edges) => edges.map(([cycle, levels]) => [cycle - edges[0][0], levels]);

function busy(box, us) {
  for (const end = box.chip.timer.us + us; box.chip.timer.us < end;) {
    for (let n = 0; n < 6; n++) box.host.send(FRAMED.bulk, frame(CLOCK, box.nextTag()));
    box.host.receive(FRAMED.bulk, 1);
  }
  while (box.host.receive(FRAMED.bulk, 1500).length > 0); // the answers that are left
}

for (const idle of [0, 1]) {
  for (const [lead, hold] of [[1, 1], [2, 7], [100, 50], [3000, 1]]) {
    test(`lead ${lead} and hold ${hold} us, idle ${idle}: no cycle off`, () => {
      const box = strobed(lead, hold, { idle });
      const flip = idle ? 0xff : 0;
      for (const more of [1, 2, 333]) {
        const width = lead + hold + more;
        accepted(box.ask(0x11, [0x55, ...u32(width)]));
        busy(box, width);
        assert.deepEqual(fromFirst(box.edges()),
          [...parts(0x55, width, lead, hold, flip), [width * US, flip]]);
      }
    });
  }
}

test('a sequence as long as the box takes, each step with its strobe, no cycle off', () => {
  const box = strobed(1, 2);
  const holds = Array.from({ length: 1024 }, (_, n) => 4 + (n % 5));
  holds.forEach((hold, n) => accepted(box.ask(LOAD, [...u16(n), (n % 127) + 1, ...u32(hold)])));
  box.edges();
  accepted(box.ask(START, u32(3)));
  busy(box, 3 * holds.reduce((sum, hold) => sum + hold) + 100);
  const wanted = [];
  let at = 0;
  for (let round = 0; round < 3; round++)
    holds.forEach((hold, n) => {
      wanted.push(...parts((n % 127) + 1, hold, 1, 2).map(([cycle, levels]) => [at + cycle, levels]));
      at += hold * US;
    });
  assert.deepEqual(fromFirst(box.edges()), [...wanted, [at, 0]]);
  assert.equal(box.ask(STATE).type, SEQUENCE);
});

test('markers ahead, one behind the other: each in its microsecond, no strobe a cycle off', () => {
  const box = strobed(2, 3);
  let at = Math.floor(box.chip.timer.us) + 900;
  const markers = Array.from({ length: 20 }, (_, n) => {
    const width = 6 + (n % 4);
    const marker = [n + 1, width, at];
    at += width + (n % 3);
    return marker;
  });
  box.host.send(FRAMED.bulk, markers.flatMap(([code, width, when]) =>
    frame(TIMED, box.nextTag(), [0, code, ...u32(width), ...u32(when), ...u32(when)])));
  busy(box, 2000);
  const edges = box.edges();
  for (const [code, width, when] of markers) {
    const first = edges.findIndex(([, levels]) => levels === code);
    const [, on, off] = edges.slice(first).map(([cycle]) => cycle - edges[first][0]);
    const behind = edges[first][0] - when * US;
    assert.ok(behind >= 0 && behind < 40, `${behind} cycles behind its microsecond`);
    assert.deepEqual([on, off], [2 * US, (width - 3) * US]);
  }
});

test('a code that is held has one strobe, and ends without it', () => {
  const box = strobed(30, 20, { width: 200 });
  accepted(box.ask(0x12, [5]));
  box.chip.runUs(1000);
  accepted(box.ask(0x12, [0]));
  const edges = fromFirst(box.edges());
  assert.deepEqual(edges.slice(0, 3), parts(5, 200, 30, 20));
  assert.deepEqual(edges.slice(3).map(([, levels]) => levels), [0]);
});

test('what has no room, and the strobe as a code, are refused', () => {
  const box = strobed(30, 20);
  assert.equal(box.ask(0x11, [1, ...u32(50)]).type, REFUSED);
  assert.equal(box.ask(0x10, [STROBE]).type, REFUSED);
  assert.deepEqual(box.edges(), []);
});
