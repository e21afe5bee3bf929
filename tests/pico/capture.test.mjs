// The readback: what is captured, and its times.

import assert from 'node:assert/strict';
import { Box, FRAMED } from './sim/box.mjs';
import { accepted, load, US } from './sim/shared_assertions.mjs';
import { frame, readEdges, readU32, u32 } from './sim/frames.mjs';
import { test } from './sim/timed_test.mjs';

test('captured edges carry the time at which the lines changed', () => {
  const box = new Box();
  accepted(box.ask(0x20, [0]));
  accepted(box.ask(0x11, [0x3c, ...u32(2)]));
  box.chip.runUs(100);
  const { entries } = box.fetch();
  const edges = box.edges();
  assert.deepEqual(entries.map(([, levels]) => levels), [0, 0x3c, 0]);
  edges.forEach(([cycle], n) => assert.ok(Math.abs(entries[n + 1][0] - cycle / US) <= 1));
  assert.equal(entries[2][0] - entries[1][0], 2);
});

test('a fetch right behind a marker brings its edges, and so does one right behind the stop', () => {
  for (const between of [[], [0x22]]) {
    const box = new Box();
    accepted(box.ask(0x20, [0]));
    box.send(0x11, [0x3c, ...u32(20)]);
    box.chip.runUs(32); // the loop is asleep when the pulse ends
    const fetch = () => frame(0x21, box.nextTag(), u32(0));
    box.host.send(FRAMED.bulk, [...between.flatMap((type) => frame(type, box.nextTag())), ...fetch()]);
    const answer = box.read().find(({ type }) => type === 0x88);
    assert.equal(readEdges(answer.body).entries.length, 3);
  }
});

test('a change while the capture is being started is not lost', () => {
  const box = new Box();
  let levels = 0;
  for (let wait = 0; wait < 1600; wait += 7) { // somewhere in there, between the first look and the watching
    box.send(0x20, [0]);
    const until = box.chip.cycle + wait;
    while (box.chip.cycle < until) box.chip.run(until);
    levels ^= 0x80;
    box.chip.setReadback(levels);
    box.chip.runUs(20);
    assert.equal(box.fetch().entries.at(-1)[1], levels, `change ${wait} cycles behind the request`);
  }
});

test('captured edges are stamped within a microsecond whatever the processor does', () => {
  const box = new Box();
  const steps = Array.from({ length: 100 }, (_, n) => [n % 2 ? 0xaa : 0x55, 5 + (n % 7)]);
  load(box, steps);
  accepted(box.ask(0x20, [1]));
  box.send(0x19, u32(1));
  for (let n = 0; n < 30; n++) box.host.send(FRAMED.bulk, frame(0x02, 100 + n));
  box.chip.runUs(1500);
  const entries = [];
  for (const message of [...box.pending, ...box.read()].filter(({ type }) => type === 0xc2))
    entries.push(...readEdges(message.body).entries);
  const edges = box.edges();
  assert.deepEqual(entries.slice(1).map(([, levels]) => levels), edges.map(([, levels]) => levels));
  edges.forEach(([cycle], n) => {
    const late = entries[n + 1][0] - cycle / US;
    assert.ok(late > -1 && late < 1, `stamp ${late} us from its edge`);
  });
});

test('the rings of the readback start over: 5,000 changes, each with its level and time', () => {
  const box = new Box();
  load(box, Array.from({ length: 100 }, (_, n) => [1 + (n % 200), 20]));
  accepted(box.ask(0x20, [1]));
  const entries = [];
  const edges = [];
  for (let burst = 0; burst < 50; burst++) {
    box.send(0x19, u32(1));
    box.chip.runUs(500);
    for (const message of [...box.pending.splice(0), ...box.read(1700)].filter(({ type }) => type === 0xc2))
      entries.push(...readEdges(message.body).entries);
    edges.push(...box.edges());
  }
  assert.equal(edges.length, 50 * 101);
  assert.deepEqual(entries.slice(1).map(([, levels]) => levels), edges.map(([, levels]) => levels));
  edges.forEach(([cycle], n) => assert.ok(Math.abs(entries[n + 1][0] - cycle / US) < 1, `change ${n}`));
});

/** All edges that the box has captured, as [time, levels]. */
function fetched(box) {
  const entries = [];
  for (;;) {
    const next = box.fetch(entries.length);
    if (next.entries.length === 0) return entries;
    entries.push(...next.entries);
  }
}

for (const dmaWriteCycles of [undefined, 150]) {
  const bus = dmaWriteCycles ? ', on a bus that is held up' : '';

  test(`a change around the stop is in this capture or in none, and one before it is not lost${bus}`, () => {
    const box = new Box({ dmaWriteCycles });
    let levels = 0;
    let before = 0;
    for (let wait = 0; wait < 1600; wait += 9) {
      accepted(box.ask(0x20, [0]));
      const first = levels;
      const tag = box.send(0x22);
      const until = box.chip.cycle + wait;
      while (box.chip.cycle < until) box.chip.run(until);
      levels ^= 0x20;
      box.chip.setReadback(levels);
      const changed = box.chip.us;
      box.chip.runUs(20);
      const stopped = accepted(box.read().find((message) => message.tag === tag));
      const entries = fetched(box);
      assert.deepEqual(entries.slice(0, 2).map(([, level]) => level), [first, levels].slice(0, entries.length));
      if (changed + (dmaWriteCycles ? 3 : 1.5) < stopped) {
        assert.equal(entries.length, 2, `a change ${stopped - changed} us before the stop was lost`);
        before++;
      }
      accepted(box.ask(0x20, [0]));
      box.chip.runUs(20);
      assert.deepEqual(fetched(box).map(([, level]) => level), [levels], `${wait} cycles behind the request`);
      accepted(box.ask(0x22));
    }
    assert.ok(before > 5, 'the stop was always first');
  });

  test(`a change that is read at once has its time${bus}`, () => {
    const box = new Box({ dmaWriteCycles });
    let levels = 0;
    accepted(box.ask(0x20, [0]));
    for (let wait = 0; wait < 2000; wait += 11) {
      const tag = box.send(0x02); // the loop is awake, and looks at the rings
      const until = box.chip.cycle + wait;
      while (box.chip.cycle < until) box.chip.run(until);
      levels ^= 0x04;
      box.chip.setReadback(levels);
      const changed = box.chip.us;
      box.chip.runUs(20);
      assert.ok(box.read().some((message) => message.tag === tag));
      const [time, level] = fetched(box).at(-1);
      assert.equal(level, levels);
      const late = time - changed;
      assert.ok(late > -1 && late < (dmaWriteCycles ? 3 : 1), `stamp ${late} us from its change, ${wait} cycles behind the request`);
    }
  });
}

test('while the flash is written, the rings are emptied between the frames of the bus, too', () => {
  const box = new Box();
  const { chip } = box;
  accepted(box.ask(0x20, [0]));
  const tag = box.send(0x2a);
  chip.runUs(3000);
  let changes = 1;
  for (let frames = 0; frames < 3; frames++) { // in each, more than the rings hold
    const start = chip.usb.frame;
    while (chip.usb.frame === start) chip.runUs(1);
    for (const [at, count] of [[50, 900], [800, 500]]) {
      while (chip.cycle - chip.usb.frameStart < at * US) chip.runUs(1);
      for (let n = 0; n < count; n++, changes++) {
        chip.setReadback(1 + (n & 1));
        chip.runUs(0.3);
      }
    }
  }
  assert.ok(chip.flash.job, 'the flash was not being written');
  chip.runUs(60000);
  assert.ok(box.read().some((message) => message.tag === tag && message.type === 0x80));
  accepted(box.ask(0x22));
  assert.equal(fetched(box).length, 128);
  assert.equal(readU32(box.ask(0x03).body, 28), changes - 128); // all the others are counted as lost
});

test('the rings of the readback hold what comes in while the flash is written', () => {
  const box = new Box();
  accepted(box.ask(0x20, [0]));
  const tag = box.send(0x2a);
  box.chip.runUs(3000);
  let levels = 0;
  const times = [];
  for (let n = 0; n < 3000; n++) { // more than the rings hold: they have to be emptied meanwhile
    levels ^= 1 << (n % 8);
    times.push(box.chip.us);
    box.chip.setReadback(levels);
    box.chip.runUs(10);
  }
  box.chip.runUs(60000);
  assert.ok(box.read().some((message) => message.tag === tag && message.type === 0x80));
  accepted(box.ask(0x22));
  const found = [];
  let lost = 0;
  for (;;) {
    const next = box.fetch(found.length);
    lost += next.lost;
    if (next.entries.length === 0) break;
    found.push(...next.entries);
  }
  assert.equal(found.length, 128);
  found.slice(1).forEach(([time], n) => assert.ok(Math.abs(time - times[n]) <= 1, `change ${n}`));
  const counters = box.ask(0x03).body;
  assert.equal(readU32(counters, 28), 3001 - 128);
});
