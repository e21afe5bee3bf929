// Box time where the low word of the timer starts over: after 2^32 us, 71.6 minutes.

import assert from 'node:assert/strict';
import { Box, FRAMED } from './sim/box.mjs';
import { accepted, assertSame, DONE_NOTED, ENDED, load, US } from './sim/shared_assertions.mjs';
import { frame, readU32, readU64, u32 } from './sim/frames.mjs';
import { test } from './sim/timed_test.mjs';

/** A cycle of the simulation as one of the box's time. */
const boxCycle = (box, cycle) => cycle + box.chip.timer.ahead * US;

test('a marker has the time of its edge, whichever cycle the timer starts over in', () => {
  const box = new Box();
  for (let wrap = 0; wrap < 1800; wrap += wrap < 1000 ? 7 : 1) { // from the packet to behind the edge, each cycle around that
    box.edges();
    box.host.out(FRAMED.bulk, frame(0x11, box.nextTag(), [1, ...u32(2)]));
    box.chip.wrapIn(wrap / US);
    box.chip.runUs(20);
    const [answer] = box.read(1300); // none is handed over until the box knows its place in the frame again
    const [[edge]] = box.edges();
    assertSame(accepted(answer), boxCycle(box, edge));
  }
});

test('time goes on through the wrap and never back', () => {
  const box = new Box();
  box.chip.wrapIn(1000);
  let last = 0;
  for (let n = 0; n < 100; n++) {
    const now = readU64(box.ask(0x02).body);
    assert.ok(now > last);
    assert.ok(Math.abs(now - boxCycle(box, box.chip.cycle) / US) < 1500);
    last = now;
  }
  assert.ok(last > 2 ** 32);
});

test('a sequence that plays through the wrap ends on time', () => {
  const box = new Box();
  load(box, [[1, 30], [2, 40]]);
  box.chip.wrapIn(1000);
  const tag = box.send(0x19, u32(50));
  box.chip.runUs(4000);
  const came = box.read();
  const started = accepted(came.find((message) => message.tag === tag));
  const ended = came.find(({ type }) => type === ENDED);
  assert.equal(readU64(ended.body), started + 3500);
  assert.ok(started < 2 ** 32 && readU64(ended.body) > 2 ** 32);
});

test('a cut on the other side of the wrap is told with its time', () => {
  const box = new Box();
  box.chip.wrapIn(200);
  accepted(box.ask(0x11, [0x0f, ...u32(5000)]));
  box.chip.runUs(300);
  const answer = box.ask(0x11, [0xf0, ...u32(40)]);
  assert.equal(answer.type, DONE_NOTED);
  const [[first], [second]] = box.edges();
  assert.ok(Math.abs(readU32(answer.body, 8) * US - (second - first)) < US + 10);
});

test('a pulse that ended before the wrap was not cut', () => {
  const box = new Box();
  box.chip.wrapIn(300);
  accepted(box.ask(0x11, [0x0f, ...u32(100)]));
  box.chip.runUs(500);
  assert.equal(box.ask(0x11, [0xf0, ...u32(40)]).type, 0x80);
});

test('captured edges keep their times through the wrap, even where they are read behind it', () => {
  const box = new Box();
  for (const wrap of [100, 150, 200]) {
    accepted(box.ask(0x20, [0]));
    box.chip.wrapIn(wrap);
    box.edges();
    accepted(box.ask(0x11, [0x3c, ...u32(60)]));
    box.chip.runUs(300);
    const { entries } = box.fetch();
    assert.equal(entries.length, 3);
    box.edges().forEach(([cycle], n) => {
      const late = entries[n + 1][0] - boxCycle(box, cycle) / US;
      assert.ok(Math.abs(late) <= 1, `${late} us`);
    });
  }
});

test('a restart that is asked for just before the wrap comes, and no later', () => {
  const box = new Box();
  box.chip.wrapIn(10000);
  box.send(0x06, [0]);
  box.read();
  box.chip.runUs(400000);
  assert.equal(box.restart(), 'reset');
});

test('the box looks after itself all along: no watchdog comes after the wrap', () => {
  const box = new Box();
  box.chip.wrapIn(500);
  box.chip.runUs(1500000);
  assert.deepEqual(box.chip.events, []);
  assert.equal(box.ask(0x02).type, 0x80);
});
