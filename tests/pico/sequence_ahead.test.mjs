// A sequence that starts at a box time: each edge at the simulated pins, with the port kept busy.

import assert from 'node:assert/strict';
import { Box, FRAMED } from './sim/box.mjs';
import { accepted, REFUSED, US } from './sim/shared_assertions.mjs';
import { frame, messages, readU32, readU64, u32 } from './sim/frames.mjs';
import { test } from './sim/timed_test.mjs';

const CLOCK = 0x02, CANCEL = 0x14, LOAD = 0x18, START_AT = 0x1c, ACCEPTED = 0x8a, EDGE = 0xc5, ENDED = 0xc1;
const STROBE = 0x80;
const u16 = (value) => [value & 0xff, value >> 8];
const now = (box) => Math.floor(box.chip.timer.us);

function load(box, holds) {
  holds.forEach((hold, n) => accepted(box.ask(LOAD, [...u16(n), (n % 127) + 1, ...u32(hold)])));
}

function startAt(box, at, repeats = 1) {
  const answer = box.ask(START_AT, [...u32(repeats), ...u32(at)]);
  assert.equal(answer.type, ACCEPTED);
  return readU32(answer.body);
}

/** What the box says until then, with requests as fast as the port takes them. */
function busy(box, until) {
  const bytes = [];
  while (box.chip.timer.us < until) {
    for (let n = 0; n < 6; n++) box.host.send(FRAMED.bulk, frame(CLOCK, box.nextTag()));
    bytes.push(...box.host.receive(FRAMED.bulk, 1));
  }
  for (let more = [0]; more.length > 0;) bytes.push(...(more = [...box.host.receive(FRAMED.bulk, 1500)]));
  return messages(bytes);
}

for (const [what, holds, repeats] of [
  ['one step', [7], 1], ['one step, three times', [7], 3], ['steps of a microsecond', [1, 1, 1, 1], 2],
  ['steps near each other', [2, 9, 1, 30], 5],
]) {
  test(`${what}: the first edge in its microsecond, the others no cycle off, under full load`, () => {
    const box = new Box();
    load(box, holds);
    for (let round = 0; round < 12; round++) {
      const at = now(box) + 2000 + 37 * round;
      const number = startAt(box, at, repeats);
      box.edges();
      const length = holds.reduce((sum, hold) => sum + hold) * repeats;
      const told = busy(box, at + length + 50).filter(({ type }) => type >= 0xc0);
      assert.deepEqual(told.map(({ type }) => type), [EDGE, ENDED]);
      assert.deepEqual([readU32(told[0].body), readU64(told[0].body, 4)], [number, at]);
      assert.equal(readU64(told[1].body), at + length);
      const edges = box.edges();
      const behind = edges[0][0] - at * US;
      assert.ok(behind >= 0 && behind < 40, `${behind} cycles`);
      let cycle = edges[0][0];
      const ideal = [];
      for (let n = 0; n < holds.length * repeats; cycle += holds[n++ % holds.length] * US) ideal.push([cycle, (n % holds.length) + 1]);
      const changes = ideal.filter(([, levels], n) => n === 0 || levels !== ideal[n - 1][1]);
      assert.deepEqual(edges, [...changes, [cycle, 0]]);
    }
  });
}

test('a sequence as long as the box takes, each step with its strobe', () => {
  const box = new Box();
  const settings = box.ask(0x28).body.slice(5);
  settings.set(u32(5000), 16);
  settings.set([STROBE, 0, ...u16(1), ...u16(2)], 36);
  accepted(box.ask(0x29, [...settings]));
  const holds = Array.from({ length: 1024 }, (_, n) => 4 + (n % 5));
  load(box, holds);
  // as soon as can be: the strobe of so many steps takes a while, and must not make it late
  let at = now(box);
  let answer;
  do {
    at = now(box) + 150;
    answer = box.ask(START_AT, [...u32(1), ...u32(at)]);
    if (answer.type === REFUSED) assert.equal(answer.body[1], 22);
    else break;
    at = now(box) + 1500;
    answer = box.ask(START_AT, [...u32(1), ...u32(at)]);
  } while (answer.type === REFUSED);
  assert.equal(answer.type, ACCEPTED);
  box.edges();
  busy(box, at + 8000);
  const edges = box.edges();
  const behind = edges[0][0] - at * US;
  assert.ok(behind >= 0 && behind < 40, `${behind} cycles`);
  const ideal = [];
  let begin = 0;
  holds.forEach((hold, n) => {
    const code = (n % 127) + 1;
    ideal.push([begin, code], [begin + US, code | STROBE], [begin + (hold - 2) * US, code]);
    begin += hold * US;
  });
  assert.deepEqual(edges.map(([cycle, levels]) => [cycle - edges[0][0], levels]), [...ideal, [begin, 0]]);
});

test('one that is taken back does not move a line, the next one does', () => {
  const box = new Box();
  load(box, [50, 60]);
  const at = now(box) + 3000;
  startAt(box, at);
  box.edges();
  accepted(box.ask(CANCEL, u32(0)));
  box.chip.runUs(4000);
  assert.deepEqual(box.edges(), []);
  startAt(box, now(box) + 2000);
  accepted(box.ask(0x11, [64, ...u32(30)]));
  box.chip.runUs(4000);
  assert.deepEqual(box.edges().map(([, levels]) => levels), [64, 0, 1, 2, 0]);
});
