// Markers ahead of their time: the microsecond of each edge at the simulated pins, with the port kept busy.
// TALLYMARK_AHEAD sets how many.

import assert from 'node:assert/strict';
import { Box, BYTES, FRAMED } from './sim/box.mjs';
import { accepted, REFUSED, US } from './sim/shared_assertions.mjs';
import { frame, messages, readU32, readU64, u32 } from './sim/frames.mjs';
import { test } from './sim/timed_test.mjs';

const TIMED = 0x13, CANCEL = 0x14, CLOCK = 0x02, ACCEPTED = 0x8a, EDGE = 0xc5;
const COUNT = Number(process.env.TALLYMARK_AHEAD ?? 400);
const AT_ONCE = 20; // what the receive window takes

const ahead = (code, width, at) => [width ? 0 : 1, code, ...u32(width), ...u32(at), ...u32(at)];
const now = (box) => Math.floor(box.chip.timer.us);

/** Puts out markers [code, width, time] under full load, and returns what was told of each and the edges. */
function play(box, markers, load) {
  box.host.send(FRAMED.bulk, markers.flatMap((marker) => frame(TIMED, box.nextTag(), ahead(...marker))));
  const bytes = [];
  const end = Math.max(...markers.map(([, width, at]) => at + width));
  while (box.chip.timer.us < end + 20) {
    load(box);
    bytes.push(...box.host.receive(FRAMED.bulk, 1));
  }
  bytes.push(...box.host.receive(FRAMED.bulk, 1500));
  return messages(bytes);
}

const flood = (box) => {
  for (let n = 0; n < 6; n++) box.host.send(FRAMED.bulk, frame(CLOCK, box.nextTag()));
};

for (const [what, least, spread] of [['near each other', 2, 12], ['apart', 30, 300]]) {
  test(`${COUNT} edges ${what}, each in the microsecond that was asked for, under full load`, () => {
    const box = new Box();
    let seed = 7;
    const random = (n) => (seed = (seed * 48271) % 2147483647) % n;
    let [low, high] = [Infinity, -Infinity];
    box.edges();
    for (let done = 0; done < COUNT; done += AT_ONCE) {
      let at = now(box) + 900 + random(500);
      const markers = Array.from({ length: AT_ONCE }, (_, n) => {
        at += least + random(spread);
        return [n % 2 ? 0xaa : 0x55, 1 + random(least - 1), at];
      });
      const came = play(box, markers, flood);
      assert.equal(came.filter(({ type }) => type === ACCEPTED).length, AT_ONCE);
      const told = came.filter(({ type }) => type === EDGE);
      assert.deepEqual(told.map(({ body }) => readU64(body, 4)), markers.map((marker) => marker[2]));
      const edges = box.edges().filter(([, levels]) => levels);
      assert.deepEqual(edges.map(([, levels]) => levels), markers.map(([code]) => code));
      edges.forEach(([cycle], n) => {
        const behind = cycle - markers[n][2] * US;
        [low, high] = [Math.min(low, behind), Math.max(high, behind)];
      });
    }
    console.log(`${what}: ${low} to ${high} cycles of 5 ns behind the tick of their microsecond`);
    assert.ok(low >= 0 && high < 40, `${low} to ${high} cycles`);
  });
}

test('widths are exact, and one ends where the next begins', () => {
  const box = new Box();
  const at = now(box) + 1000;
  box.edges();
  play(box, [[1, 50, at], [2, 50, at + 50], [4, 1, at + 100], [8, 300, at + 200], [16, 0, at + 300]], flood);
  const edges = box.edges();
  const lasting = edges.slice(1).map(([cycle, levels], n) => [edges[n][1], cycle - edges[n][0]]).filter(([, length]) => length > 8);
  assert.deepEqual(lasting.map(([levels, length]) => [levels, Math.round(length / US)]),
    [[1, 50], [2, 50], [4, 1], [0, 99], [8, 100]]);
  assert.equal(lasting[2][1], US);
  assert.deepEqual(edges.at(-1)[1], 16);
});

test('immediate markers and bytes go on beside them', () => {
  const box = new Box();
  box.host.open(BYTES.control);
  const start = now(box) + 1500;
  const markers = Array.from({ length: 10 }, (_, n) => [0x80 + n, 30, start + 700 * n]);
  const came = play(box, markers, (each) => {
    each.host.send(FRAMED.bulk, frame(0x11, each.nextTag(), [1, ...u32(20)]));
    each.host.out(BYTES.bulk, [2]);
  });
  const told = came.filter(({ type }) => type === EDGE).map(({ body }) => readU64(body, 4));
  assert.deepEqual(told, markers.map((marker) => marker[2]));
  const edges = box.edges().filter(([, levels]) => levels >= 0x80);
  edges.forEach(([cycle], n) => assert.ok(cycle - markers[n][2] * US < 40));
  assert.equal(edges.length, 10);
  const refused = came.filter(({ type, body }) => type === REFUSED && body[1] !== 23);
  assert.deepEqual(refused, []);
});

test('one that is cancelled does not move a line, the next one does', () => {
  const box = new Box();
  const at = now(box) + 3000;
  box.edges();
  assert.equal(box.ask(TIMED, ahead(1, 50, at)).type, ACCEPTED);
  assert.equal(readU32(box.ask(TIMED, ahead(2, 50, at + 2000)).body), 2);
  accepted(box.ask(CANCEL, u32(1)));
  box.chip.runUs(6000);
  assert.deepEqual(box.edges().map(([, levels]) => levels), [2, 0]);
});

test('across the wrap of the timer at 2^32 us', () => {
  const box = new Box();
  box.chip.timer.wrapIn(3000);
  const at = (Math.floor(box.chip.timer.us) + 5000) % 2 ** 32;
  const before = box.chip.timer.us;
  const cycle = box.chip.cycle;
  assert.equal(box.ask(TIMED, ahead(3, 50, at)).type, ACCEPTED);
  box.chip.runUs(6000);
  const [[edge, levels]] = box.edges();
  assert.equal(levels, 3);
  const passed = (edge - cycle) / US + before;
  assert.ok(Math.floor(passed) % 2 ** 32 === at, `${passed} for ${at}`);
});

test('settings are kept and the box goes on', () => {
  const box = new Box();
  accepted(box.ask(0x2a, [], 600_000));
  const at = now(box) + 3000;
  assert.equal(box.ask(TIMED, ahead(5, 50, at)).type, ACCEPTED);
  box.chip.runUs(4000);
  const [[edge]] = box.edges();
  assert.ok(edge - at * US < 40);
});
