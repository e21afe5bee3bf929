// Edges at the simulated pins, in cycles of 5 ns.

import assert from 'node:assert/strict';
import { Box, FRAMED, BYTES } from './sim/box.mjs';
import { accepted, assertSame, DONE_NOTED, ENDED, ideal, load, SEQUENCE, US } from './sim/shared_assertions.mjs';
import { frame, readU32, readU64, u32 } from './sim/frames.mjs';
import { test } from './sim/timed_test.mjs';

test('no line moves from power-up to the first request', () => {
  const box = new Box();
  box.chip.runUs(2000);
  assert.deepEqual(box.edges(), []);
});

for (const us of [1, 2, 3, 7, 10, 99, 1000, 5000, 65536]) {
  test(`a pulse of ${us} us is exact`, () => {
    const box = new Box();
    const time = accepted(box.ask(0x11, [0xff, ...u32(us)]));
    box.chip.runUs(us + 20);
    const [[rise, levels], [fall, rest], ...more] = box.edges();
    assert.deepEqual([levels, rest, more], [0xff, 0, []]);
    assert.equal(fall - rise, us * US);
    assertSame(time, rise);
  });
}

test('the loop that the simulator jumps over counts as when it is stepped through', () => {
  const run = (jumpLoops) => {
    const box = new Box({ jumpLoops });
    accepted(box.ask(0x11, [0x5a, ...u32(777)]));
    box.chip.runUs(1000);
    const [[rise], [fall]] = box.edges();
    return fall - rise;
  };
  assert.equal(run(true), 777 * US);
  assert.equal(run(false), 777 * US);
});

test('a cut takes over in one cycle, with no level in between, and is told', () => {
  const box = new Box();
  accepted(box.ask(0x11, [0x0f, ...u32(500)]));
  const answer = box.ask(0x11, [0xf0, ...u32(40)]);
  box.chip.runUs(600);
  const [[first, a], [second, b], [end, c], ...more] = box.edges();
  assert.deepEqual([a, b, c, more], [0x0f, 0xf0, 0, []]);
  assert.equal(answer.type, DONE_NOTED);
  assert.ok(Math.abs(readU32(answer.body, 8) * US - (second - first)) < US + 10); // told in microseconds
  assert.equal(end - second, 40 * US);
});

test('an edge follows its packet within 5 us, whatever the loop was doing', () => {
  const box = new Box();
  box.host.open(BYTES.control);
  for (let n = 0; n < 400; n++) {
    box.chip.runUs(100 + n / 3.7);
    box.edges();
    if (n % 2) box.host.out(FRAMED.bulk, frame(0x10, box.nextTag(), [1]));
    else box.host.out(BYTES.bulk, [1]);
    const packet = box.chip.cycle;
    box.chip.runUs(30);
    const [[edge]] = box.edges();
    assert.ok(edge - packet < 5 * US, `${(edge - packet) / US} us, marker ${n}`);
    box.chip.runUs(5200);
    box.read(30);
  }
});

test('the levels that the box tells are those on the lines', () => {
  const box = new Box();
  for (const code of [0x81, 0x12, 0xff, 0]) {
    accepted(box.ask(0x12, [code]));
    const { body } = box.ask(0x04);
    assert.deepEqual([...body.slice(8, 10)], [code, code]); // outputs and readback
  }
});

test('a set stays until the next one', () => {
  const box = new Box();
  accepted(box.ask(0x12, [0x81]));
  box.chip.runUs(3000);
  accepted(box.ask(0x12, [0x00]));
  assert.deepEqual(box.edges().map(([, levels]) => levels), [0x81, 0]);
});

test('1,024 steps, none an edge away from its ideal cycle, with the port kept busy', () => {
  const box = new Box();
  let seed = 1;
  const random = (n) => (seed = (seed * 48271) % 2147483647) % n;
  const steps = Array.from({ length: 1024 }, (_, n) => [(n * 37 + 1) & 0xff, 1 + random(n < 512 ? 3 : 40)]);
  load(box, steps);
  accepted(box.ask(0x19, u32(1)));
  for (let n = 0; n < 40; n++) box.host.send(FRAMED.bulk, frame(0x02, box.nextTag())); // clock requests meanwhile
  box.chip.runUs(14000);
  const edges = box.edges();
  assert.deepEqual(edges, ideal(edges[0][0], steps, 1));
});

for (const [name, steps, repeats] of [
  ['one step of 1 us, 1,000 times', [[1, 1], [0, 1]], 1000],
  ['a single step repeated is one level', [[0x80, 1]], 500],
  ['two repeats', [[3, 1], [1, 2], [2, 1]], 2],
  ['three steps of mixed length, 200 times', [[1, 1], [2, 2], [4, 3]], 200],
]) {
  test(`sequence repeated: ${name}`, () => {
    const box = new Box();
    load(box, steps);
    const tag = box.send(0x19, u32(repeats));
    box.chip.runUs(4000);
    const came = box.read();
    const started = accepted(came.find((message) => message.tag === tag));
    const edges = box.edges();
    assert.deepEqual(edges, ideal(edges[0][0], steps, repeats));
    const ended = came.find((message) => message.type === ENDED);
    assert.ok(ended, 'no notice of the end');
    const length = repeats * steps.reduce((sum, [, us]) => sum + us, 0);
    assert.equal(readU64(ended.body), started + length);
    assert.equal(readU32(ended.body, 8), repeats * steps.length);
  });
}

test('a sequence for ever goes on until it is stopped', () => {
  const box = new Box();
  load(box, [[1, 3], [2, 4]]);
  accepted(box.ask(0x19, u32(0)));
  box.chip.runUs(5000);
  const answer = box.ask(0x1a);
  assert.equal(answer.type, SEQUENCE);
  assert.equal(answer.body[0], 4); // stopped
  box.chip.runUs(100);
  const edges = box.edges();
  assert.ok(edges.length > 2 * 5000 / 7, `${edges.length} edges`);
  const whole = ideal(edges[0][0], [[1, 3], [2, 4]], Math.ceil(edges.length / 2)).slice(0, edges.length - 1);
  assert.deepEqual(edges.slice(0, -1), whole);
  assert.equal(edges.at(-1)[1], 0);
});

test('a sequence that was stopped leaves nothing behind for the next one', () => {
  const box = new Box();
  const steps = [[1, 3], [2, 4]];
  load(box, steps);
  for (const stopped of [0, 2, 1000]) for (const after of [20, 21, 22, 50]) for (const repeats of [1, 2, 3, 5]) {
    accepted(box.ask(0x19, u32(stopped)));
    box.chip.runUs(after);
    box.ask(0x1a);
    box.chip.runUs(50);
    box.edges();
    accepted(box.ask(0x19, u32(repeats)));
    box.chip.runUs(200);
    const edges = box.edges();
    assert.deepEqual(edges, ideal(edges[0][0], steps, repeats), `${repeats} times, after one of ${stopped} that was stopped`);
  }
});

for (const [name, options, steps, most] of [
  ['', {}, [[1, 1], [2, 1], [4, 2]], 810],
  [', on a bus that is held up', { dmaWriteCycles: 150 }, [[1, 5], [2, 5], [4, 6]], 3300],
]) test(`a sequence may be cut in any cycle: what the DMA was moving is not played later${name}`, () => {
  const box = new Box(options);
  load(box, steps);
  const seen = new Set();
  for (let after = 0; after < most; after += most / 270) { // somewhat more than a pass
    const repeats = Math.round(after) % 2 ? 1000 : 0;
    accepted(box.ask(0x19, u32(repeats)));
    const until = box.chip.cycle + 4000 + Math.round(after);
    while (box.chip.cycle < until) box.chip.run(until);
    box.host.out(FRAMED.bulk, [...frame(0x1a, box.nextTag())]);
    box.chip.runUs(150); // the box counts the steps that were played first
    seen.add(box.edges().at(-2)[1]);
    if (Math.round(after) % 3 === 0) { // the next sequence is played by the player that was cut, with or without a level between
      box.host.send(FRAMED.bulk, [...frame(0x12, box.nextTag(), [8]), ...frame(0x12, box.nextTag(), [0])]); // the other player, too
      box.chip.runUs(40);
      assert.deepEqual(box.edges().map(([, levels]) => levels), [8, 0], `cut ${after} cycles later`);
    }
    box.send(0x19, u32(2));
    box.chip.runUs(60);
    const edges = box.edges();
    assert.deepEqual(edges, ideal(edges[0][0], steps, 2), `cut ${after} cycles later`);
    box.read();
  }
  assert.ok(seen.size > 1, 'always cut in the same step');
});

test('a sequence may be stopped in each cycle of a pass, on a bus that is held up, and the box goes on', () => {
  const box = new Box({ dmaWriteCycles: 150 });
  load(box, [[1, 2], [2, 2]]);
  for (let after = 0; after < 800; after++) {
    accepted(box.ask(0x19, u32(0)));
    const until = box.chip.cycle + 2000 + after;
    while (box.chip.cycle < until) box.chip.run(until);
    box.host.out(FRAMED.bulk, frame(0x1a, box.nextTag()));
    box.chip.runUs(150); // the box counts the steps first
    box.edges();
    box.host.out(FRAMED.bulk, frame(0x12, box.nextTag(), [0])); // a stop that hangs shows when the player's turn comes
    box.chip.runUs(20);
    assert.equal(box.ask(0x02).type, 0x80, `stopped ${after} cycles later`);
  }
  assert.deepEqual(box.chip.events, []);
});

test('a marker behind many other bytes does not wait for the next look around', () => {
  const box = new Box();
  for (let n = 0; n < 60; n++) {
    box.chip.runUs(60 + n / 3.7);
    box.edges();
    box.host.out(FRAMED.bulk, Array.from({ length: 10 }, () => frame(0x02, box.nextTag())).flat()); // keeps it busy
    box.host.out(FRAMED.bulk, [...Array(57).fill(0), ...frame(0x10, box.nextTag(), [1])]);
    const came = box.chip.cycle;
    box.chip.runUs(120);
    const [[edge]] = box.edges();
    assert.ok(edge - came < 60 * US, `${(edge - came) / US} us, packet ${n}`);
    box.chip.runUs(5200);
    box.read(30);
  }
});

test('a gap delays a marker, and the answer says by how much', () => {
  const box = new Box();
  const settings = box.ask(0x28).body.slice(5);
  settings.set(u32(300), 20);
  accepted(box.ask(0x29, [...settings]));
  accepted(box.ask(0x11, [1, ...u32(100)]));
  const answer = box.ask(0x11, [2, ...u32(100)]);
  box.chip.runUs(1000);
  const [, [idle], [second], [end]] = box.edges();
  assert.ok(second - idle >= 300 * US && second - idle < 306 * US, `gap of ${(second - idle) / US} us`);
  assertSame(readU64(answer.body), second);
  assert.ok(readU32(answer.body, 12) <= 300);
  assert.equal(end - second, 100 * US);
  assert.equal(answer.type, DONE_NOTED);
});

test('bytes on the second port become pulses and are told on the first', () => {
  const box = new Box();
  box.host.open(BYTES.control);
  box.host.send(BYTES.bulk, [0x41]);
  box.host.send(FRAMED.bulk, frame(0x02, 200));
  box.chip.runUs(6000);
  const came = box.read();
  const notice = came.find((message) => message.type === 0xc3);
  assert.deepEqual([notice.body[8], notice.body[9]], [0x41, 0]);
  const [[rise, levels], [fall]] = box.edges();
  assert.equal(levels, 0x41);
  assert.equal(fall - rise, 5000 * US);
  assertSame(readU64(notice.body), rise);
  assert.ok(came.some((message) => message.tag === 200));
});

/** A settings record with the factory's values but for the byte mode. */
const record = (byteMode) => [...Array(16).fill(0), ...u32(5000), ...u32(0), ...u32(0), ...u32(115200), 255, 0, 0, byteMode, ...Array(14).fill(0)];

for (const [mode, number, ends] of [['pulse', 1, [5000, 5000]], ['set', 2, [1000, null]], ['limited', 3, [1000, 5000]]]) {
  test(`what byte 0 does: ${mode}`, () => {
    const box = new Box();
    box.host.open(BYTES.control);
    accepted(box.ask(0x29, record(number)));
    for (const [byte, pause] of [[0x41, 1000], [0, 9000], [0x42, 10000]]) {
      box.host.send(BYTES.bulk, [byte]);
      box.chip.runUs(pause);
    }
    const edges = box.edges();
    const rises = edges.filter(([, levels]) => levels !== 0);
    const falls = edges.filter(([, levels]) => levels === 0);
    assert.deepEqual(rises.map(([, levels]) => levels), [0x41, 0x42]);
    assert.equal(falls.length, ends.filter(Boolean).length);
    falls.forEach(([fall], n) => {
      const off = fall - rises[n][0] - ends[n] * US;
      assert.ok(Math.abs(off) <= (ends[n] === 1000 ? 20 * US : 0), `${off} cycles off`);
    });
    const reasons = box.read().filter(({ type }) => type === 0xc3).map(({ body }) => body[9]);
    assert.deepEqual(reasons, [0, number === 1 ? 21 : 0, 0]);
  });
}

test('bytes are refused and told while the input is off', () => {
  const box = new Box();
  box.host.open(BYTES.control);
  accepted(box.ask(0x29, record(0)));
  box.host.send(BYTES.bulk, [0x41]);
  box.chip.runUs(1000);
  assert.deepEqual(box.edges(), []);
  assert.deepEqual(box.read().filter(({ type }) => type === 0xc3).map(({ body }) => [body[8], body[9]]), [[0x41, 20]]);
});

test('the lines hold only what is in use, and never pass through another level', () => {
  const box = new Box();
  for (let code = 1; code < 256; code += 2) box.send(0x11, [code, ...u32(1)]);
  box.chip.runUs(100);
  const levels = box.edges().map(([, level]) => level);
  assert.deepEqual(levels.filter((level) => level), Array.from({ length: 128 }, (_, n) => 2 * n + 1));
});
