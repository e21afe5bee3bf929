// Probes: when their edges are stamped, what their levels are, and that markers don't suffer.

import assert from 'node:assert/strict';
import { RP2040 } from 'rp2040js';
import { Box, FRAMED } from './sim/box.mjs';
import { frame, readU64, u16, u32 } from './sim/frames.mjs';
import { noise } from './sim/probe_scenes.mjs';
import { accepted, ideal, load, US } from './sim/shared_assertions.mjs';
import { test } from './sim/timed_test.mjs';

const LIGHT_LEVEL = 1, SOUND_LEVEL = 2, LIGHT_EDGE = 4, SOUND_EDGE = 8, TTL = 16, TTL_LOW = 32;
const PROBE_EDGES = 0xc6;
const DARK = 400, BRIGHT = 2400; // of 4096

/** A settings record with these probes; thresholds and hystereses of light and sound in steps of the converter. */
const record = (probes, light = [0, 0], sound = [0, 0]) => [
  ...Array(16).fill(0), ...u32(5000), ...u32(0), ...u32(0), ...u32(115200), 255, 0, 0, 1, 0, probes, 0, 0, 0, 0,
  ...[...light, ...sound].flatMap((steps) => u16(steps * 16))];

const watch = (box, ...settings) => accepted(box.ask(0x29, record(...settings)));

/** All edges that the box tells: [time, source, on]. */
function told(box, us = 1000) {
  box.chip.runUs(us);
  const edges = [];
  for (const { body } of [...box.pending.splice(0), ...box.read()].filter(({ type }) => type === PROBE_EDGES)) {
    assert.equal(body[0], 0, 'edges were lost');
    for (let at = 1; at < body.length; at += 10) edges.push([readU64(body, at), body[at + 8], body[at + 9]]);
  }
  return edges;
}

test('the converter of the harness goes round its inputs as the datasheet says', () => {
  // 4.9.2.2: after each conversion AINSEL advances to the next input of RROBIN; the first one is that of AINSEL.
  for (const [mask, first, order] of [[0b00011, 0, [0, 1, 0, 1]], [0b01011, 1, [1, 3, 0, 1, 3]], [0b01000, 3, [3, 3, 3]]]) {
    const box = new Box();
    watch(box, LIGHT_LEVEL, [1000, 100]); // sets the clock up
    const { rp2040 } = box.chip;
    rp2040.adc.writeUint32(0, 1);
    for (const pin of rp2040.gpio) pin.padValue = 0x80;
    box.chip.runUs(20);
    const seen = [];
    box.chip.analog = (input) => { seen.push(input); return 0; };
    rp2040.adc.writeUint32(0, 1 | (1 << 3) | (first << 12) | (mask << 16));
    box.chip.runUs(5 * order.length);
    assert.deepEqual(seen.slice(0, order.length), order);
  }
  const plain = new RP2040().adc; // why it is put right
  plain.activeChannel = 1;
  assert.equal(plain.activeChannel, 0);
});

test('samples begin 5 us apart for as long as it runs', () => {
  const box = new Box();
  const times = [];
  box.chip.analog = (input, cycle) => { times.push(cycle); return 0; };
  watch(box, LIGHT_LEVEL, [1000, 100]);
  box.chip.runUs(30000);
  const first = times[0];
  times.forEach((cycle, n) => assert.ok(Math.abs(cycle - first - n * 1000) <= 1));
});

for (const [share, most] of [[0, 7], [0.05, 7]]) {
  test(`a light step is stamped within 20 us at noise of ${share * 100} % of it`, () => {
    const box = new Box();
    const random = noise(7);
    let steps = [];
    box.chip.analog = (input, cycle) => {
      const bright = steps.filter((at) => at <= cycle).length % 2;
      return Math.round((bright ? BRIGHT : DARK) + share * (BRIGHT - DARK) * random());
    };
    watch(box, LIGHT_LEVEL, [(DARK + BRIGHT) / 2, (BRIGHT - DARK) / 4]);
    box.chip.runUs(500);
    steps = Array.from({ length: 40 }, (_, n) => box.chip.cycle + 20000 + n * 100000 + Math.round((random() + 1) * 40000));
    const edges = told(box, 40 * 500 + 1500);
    assert.deepEqual(edges.map(([, source, on]) => [source, on]), steps.map((_, n) => [1, 1 - (n % 2)]));
    const start = boxZero(box);
    const late = edges.map(([time], n) => time - (steps[n] - start) / US);
    console.log(`light step: ${Math.min(...late).toFixed(2)} to ${Math.max(...late).toFixed(2)} us`);
    assert.ok(Math.max(...late.map(Math.abs)) <= most);
  });
}

/** The cycle at box time 0, from the edge of a marker. */
function boxZero(box) {
  box.edges();
  const time = accepted(box.ask(0x11, [1, ...u32(10)]));
  box.chip.runUs(50);
  return box.edges()[0][0] - time * US;
}

test('the onset of a tone is stamped within 0.5 ms of its envelope crossing the threshold', () => {
  const REST = 1900, PEAK = 900, ATTACK = 5000, LASTS = 30000, THRESHOLD = 100;
  for (const phase of [0, 0.13, 0.25, 0.4]) {
    const box = new Box();
    const random = noise(3);
    let from = 1e15;
    box.chip.analog = (input, cycle) => {
      const us = (cycle - from) / US;
      const envelope = us < 0 || us > LASTS ? 0 : PEAK * Math.min(1, us / ATTACK);
      return Math.round(REST + envelope * Math.sin(2 * Math.PI * (us / 1000 + phase)) + 0.05 * THRESHOLD * random());
    };
    watch(box, SOUND_LEVEL, [0, 0], [THRESHOLD, 40]);
    box.chip.runUs(20000);
    const start = boxZero(box);
    from = box.chip.cycle + 3000;
    const edges = told(box, 60000);
    assert.deepEqual(edges.map(([, source, on]) => [source, on]), [[2, 1], [2, 0]]);
    const crossed = (from - start) / US + (ATTACK * THRESHOLD) / PEAK;
    const late = edges[0][0] - crossed;
    const end = edges[1][0] - ((from - start) / US + LASTS);
    console.log(`sound, phase ${phase}: onset ${late.toFixed(0)} us, end ${end.toFixed(0)} us`);
    assert.ok(late > -20 && late < 500, `onset ${late} us`);
    assert.ok(end > -1000 && end < 20, `end ${end} us`);
  }
});

test('digital inputs are stamped within a microsecond', () => {
  for (const [probes, bit, source, onHigh] of [[LIGHT_EDGE, 1, 3, 0], [SOUND_EDGE, 2, 4, 0], [TTL, 4, 5, 1], [TTL | TTL_LOW, 4, 5, 0]]) {
    const box = new Box();
    const rest = onHigh ? 0 : 7;
    box.chip.setProbes(rest);
    watch(box, probes);
    const start = boxZero(box);
    const random = noise(probes);
    const steps = [];
    for (let n = 0; n < 20; n++) {
      box.chip.runUs(100 + 100 * (random() + 1));
      box.chip.setProbes(n % 2 ? rest : rest ^ bit);
      steps.push(box.chip.cycle);
    }
    const edges = told(box);
    assert.deepEqual(edges.map(([, from, on]) => [from, on]), steps.map((_, n) => [source, 1 - (n % 2)]));
    edges.forEach(([time], n) => {
      const late = time - (steps[n] - start) / US;
      assert.ok(late > -1.1 && late < 1.1, `stamp ${late} us from its edge`);
    });
  }
});

test('a capture has lines and probes, each with its source, and nothing that is not watched', () => {
  const box = new Box();
  box.chip.setProbes(0);
  watch(box, TTL);
  accepted(box.ask(0x20, [0]));
  box.chip.setProbes(5); // light is not watched
  box.chip.runUs(100);
  accepted(box.ask(0x11, [0x81, ...u32(50)]));
  box.chip.runUs(200);
  box.chip.setProbes(1);
  box.chip.runUs(100);
  const { body } = box.ask(0x21, u32(0));
  const entries = [];
  for (let at = 5; at < body.length; at += 10) entries.push([body[at + 8], body[at + 9]]);
  assert.deepEqual(entries, [[0, 0], [5, 1], [0, 0x81], [0, 0], [5, 0]]);
  assert.deepEqual(told(box).map(([, source, on]) => [source, on]), [[5, 1], [5, 0]]);
  accepted(box.ask(0x22));
  box.chip.setProbes(4); // the probe is watched on
  assert.deepEqual(told(box).map(([, source, on]) => [source, on]), [[5, 1]]);
});

test('levels and snippets: what is at the pins', () => {
  const box = new Box();
  let light = 1000;
  box.chip.analog = (input, cycle) => (input ? 2048 + (cycle % 200000 < 100000 ? 50 : -50) : light);
  box.chip.setProbes(4);
  const levels = () => {
    box.ask(0x30);
    box.chip.runUs(25000);
    const { body } = box.ask(0x30);
    return [body[8], ...[9, 11, 13, 15].map((at) => (body[at] | (body[at + 1] << 8)) / 16)];
  };
  const [on, low, high, , loudest] = levels();
  assert.deepEqual([on & 0x1c, low, high], [LIGHT_EDGE | SOUND_EDGE | TTL, 1000, 1000]);
  assert.ok(loudest > 60 && loudest <= 100); // the rest began at a peak, and is on its way to the middle
  light = 1300;
  assert.deepEqual(levels().slice(1, 3), [1300, 1300]);

  accepted(box.ask(0x31, [0, 2]));
  box.chip.runUs(20000);
  light = 777;
  const changed = box.chip.cycle;
  box.chip.runUs(25000);
  const samples = [];
  let time;
  for (;;) {
    const { body } = box.ask(0x32, u16(samples.length));
    if (!samples.length) time = readU64(body);
    assert.equal(body[8], 20); // us
    if (body.length === 14) break;
    for (let at = 14; at < body.length; at += 2) samples.push((body[at] | (body[at + 1] << 8)) / 16);
  }
  assert.equal(samples.length, 2048);
  const step = samples.indexOf(777);
  assert.ok(samples.slice(0, step).every((sample) => sample === 1300) && samples.slice(step).every((sample) => sample === 777));
  const late = time + step * 20 - (changed - boxZero(box)) / US;
  assert.ok(late > -1.1 && late < 21.1, `sample ${late} us`);
});

test('steps of a sequence keep their cycle while both levels are watched and the port is busy', () => {
  const box = new Box();
  const random = noise(11);
  box.chip.analog = (input, cycle) => (input ? 2048 + Math.round(400 * random()) : cycle % 400000 < 200000 ? DARK : BRIGHT);
  watch(box, LIGHT_LEVEL | SOUND_LEVEL | TTL, [1400, 500], [200, 50]);
  const steps = Array.from({ length: 200 }, (_, n) => [1 + (n % 255), 1 + ((n * 7) % 40)]);
  load(box, steps);
  box.edges();
  box.send(0x19, u32(3));
  for (let n = 0; n < 40; n++) {
    box.host.send(FRAMED.bulk, frame(0x02, box.nextTag()));
    box.chip.setProbes(n % 2 ? 4 : 0);
    box.chip.runUs(300);
  }
  const edges = box.edges();
  assert.deepEqual(edges, ideal(edges[0][0], steps, 3));
});

test('samples are not lost and time does not slip while the flash is written', () => {
  const box = new Box();
  let from = Infinity;
  box.chip.analog = (input, cycle) => (cycle >= from ? BRIGHT : DARK);
  watch(box, LIGHT_LEVEL, [1400, 500]);
  const start = boxZero(box);
  from = box.chip.cycle + 100 * 1000 * US; // within the 0.4 s of the erasure
  box.send(0x2a);
  const edges = told(box, 800000);
  assert.equal(edges.length, 1);
  const late = edges[0][0] - (from - start) / US;
  assert.ok(Math.abs(late) <= 7, `stamp ${late} us`);
});

test('markers ahead keep their microsecond while both levels are watched and the port is busy', () => {
  const box = new Box();
  const random = noise(5);
  box.chip.analog = (input, cycle) => (input ? 2048 + Math.round(400 * random()) : cycle % 200000 < 100000 ? DARK : BRIGHT);
  watch(box, LIGHT_LEVEL | SOUND_LEVEL | TTL, [1400, 500], [200, 50]);
  const first = Math.floor(box.chip.timer.us) + 150000;
  const times = Array.from({ length: 30 }, (_, n) => first + n * 1037);
  for (const at of times) assert.equal(box.ask(0x13, [0, 0x55, ...u32(20), ...u32(at), ...u32(at)]).type, 0x8a);
  box.chip.runUs(first - box.chip.timer.us - 200);
  box.edges();
  for (let n = 0; n < 320; n++) {
    box.chip.setProbes(n % 2 ? 4 : 0);
    box.host.send(FRAMED.bulk, frame(0x02, box.nextTag()));
    box.chip.runUs(97);
    if (n % 8 === 0) box.host.receive(FRAMED.bulk, 300); // or the box had no room for more
  }
  const edges = box.edges().filter(([, levels]) => levels);
  assert.equal(edges.length, times.length);
  const behind = edges.map(([cycle], n) => cycle - times[n] * US);
  console.log(`ahead: ${Math.min(...behind)} to ${Math.max(...behind)} cycles behind the tick`);
  assert.ok(behind.every((cycles) => cycles >= 0 && cycles < 40));
});
