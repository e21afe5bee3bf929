// Settings in flash, restarts and their causes, the watchdog.

import assert from 'node:assert/strict';
import { Box, IMAGE } from './sim/box.mjs';
import { CAUSE, readUf2 } from './sim/chip.mjs';
import { PowerCut } from './sim/flash.mjs';
import { readU32, u32 } from './sim/frames.mjs';
import { test } from './sim/timed_test.mjs';

const READ = 0x28, WRITE = 0x29, KEEP = 0x2a, IDENTIFY = 0x01, RESTART = 0x06, DONE = 0x80, REFUSED = 0x82, STARTED = 0xc0;
const STORE_FAILED = 17;
const SLOTS = 2048 * 1024 - 8192;

function record(box) {
  return box.ask(READ).body.slice(5);
}

function write(box, width) {
  const settings = record(box);
  settings.set(u32(width), 16);
  assert.equal(box.ask(WRITE, [...settings]).type, DONE);
}

const widthOf = (box) => readU32(record(box), 16);
const causeOf = (box) => box.ask(IDENTIFY, [2, 0]).body[14];

test('settings survive a power cycle, in turns in both slots', () => {
  const box = new Box();
  for (const width of [1111, 2222, 3333]) {
    write(box, width);
    assert.equal(box.ask(KEEP, [], 200000).type, DONE);
    box.power(CAUSE.power);
    box.plug();
    assert.equal(widthOf(box), width);
  }
  assert.equal(readU32(box.ask(READ).body, 1), 3); // kept three times
});

test('settings that are not kept are gone after a power cycle', () => {
  const box = new Box();
  write(box, 4321);
  box.power(CAUSE.power);
  box.plug();
  assert.equal(widthOf(box), 5000);
});

test('power cut at each step of a save: the old settings or the new ones', () => {
  const first = new Box();
  write(first, 1234);
  first.ask(KEEP, [], 200000);
  const before = first.flash.slice();
  const seen = { 1234: 0, 5678: 0 };
  // Each step of the erase, each byte of the record, and some of the rest of its page.
  const steps = [...Array(16 + 62).keys(), 100, 271, 272];
  for (const step of steps) {
    const box = new Box({ flash: before.slice(), cutAfter: step });
    write(box, 5678);
    let cut = false;
    try {
      box.ask(KEEP, [], 200000);
    } catch (error) {
      if (!(error instanceof PowerCut)) throw error;
      cut = true;
    }
    assert.equal(cut, step < 16 + 256);
    const next = new Box({ flash: box.flash });
    const width = widthOf(next);
    assert.ok(width in seen, `cut at step ${step} left a width of ${width}`);
    seen[width]++;
    if (step % 8) continue;
    write(next, 999); // and the store still works
    assert.equal(next.ask(KEEP, [], 200000).type, DONE);
  }
  assert.ok(seen[1234] > 16 && seen[5678] > 0, JSON.stringify(seen));
});

test('while the flash is written, USB is served and the readback is stamped', () => {
  const box = new Box();
  assert.equal(box.ask(0x20, [0]).type, DONE);
  const tag = box.send(KEEP);
  box.chip.runUs(3000);
  const flipped = box.chip.us;
  box.chip.setReadback(0x42);
  assert.deepEqual([...box.host.control(0x80, 8, 0, 0, 1)], [1]); // in the middle of the erase
  box.host.string(1);
  assert.ok(box.chip.us - flipped < 2000, `USB waited for the flash, ${box.chip.us - flipped} us`);
  assert.ok(box.chip.flash.job, 'the flash was not being written');
  box.chip.runUs(60000);
  assert.ok(box.read().some((message) => message.tag === tag && message.type === DONE));
  const [, [time, levels]] = box.fetch().entries;
  assert.equal(levels, 0x42);
  assert.ok(Math.abs(time - flipped) <= 1);
});

test('flash that does not take a record: the box says so and keeps the old settings', () => {
  const box = new Box();
  write(box, 1234);
  assert.equal(box.ask(KEEP, [], 200000).type, DONE); // into the first slot
  for (const at of [0, 22, 57]) {
    write(box, 5678);
    box.chip.flash.worn = { at: SLOTS + 4096 + at };
    const answer = box.ask(KEEP, [], 200000);
    assert.deepEqual([answer.type, answer.body[1]], [REFUSED, STORE_FAILED], `byte ${at}`);
    box.power(CAUSE.power);
    box.plug();
    assert.equal(widthOf(box), 1234);
  }
});

test('a flash chip that takes 400 ms to erase: the watchdog lets it', () => {
  const box = new Box();
  box.chip.flash.eraseUs = 400000;
  write(box, 1234);
  assert.equal(box.ask(KEEP, [], 900000).type, DONE);
  assert.deepEqual(box.chip.events, []);
});

test('a slot that another chip has half erased is not believed', () => {
  const flash = readUf2(IMAGE);
  for (let n = 0; n < 8192; n++) flash[SLOTS + n] = (n * 131) & 0xff;
  assert.equal(widthOf(new Box({ flash })), 5000);
});

test('causes of a start', () => {
  const box = new Box();
  assert.equal(causeOf(box), 1);
  box.power(CAUSE.pin);
  const [started] = box.plug();
  assert.deepEqual([started.type, started.body[2]], [STARTED, 2]);
  assert.equal(causeOf(box), 2);
});

test('restart on request: lines idle, answer first, then gone from the bus for a while, then back', () => {
  const box = new Box();
  box.ask(0x12, [0xff]);
  const tag = box.send(RESTART, [0]);
  const came = box.read();
  const answered = box.chip.us;
  assert.ok(came.some((message) => message.tag === tag && message.type === DONE));
  assert.equal(box.chip.levels, 0);
  while (box.chip.usb.attached && box.chip.us < answered + 400000) box.chip.runUs(100);
  const gone = box.chip.us;
  assert.ok(gone - answered > 15000, 'no time for the host to hand the answer over');
  box.chip.runUs(400000);
  const [{ what, cycle }] = box.chip.events;
  assert.equal(what, 'reset');
  assert.ok(cycle / 200 - gone > 40000, 'no time for the host to see that the box was gone');
  box.restart();
  box.plug();
  assert.equal(causeOf(box), 5);
});

test('restart into the boot loader, and out of it: no watchdog is blamed', () => {
  const box = new Box();
  assert.equal(box.ask(RESTART, [1]).type, DONE);
  box.chip.runUs(400000);
  assert.equal(box.restart(), 'boot loader');
  box.power(0, { scratch: box.chip.watchdog.scratchData, watchdog: 2 }); // how the ROM starts what was loaded
  box.plug();
  assert.equal(causeOf(box), 5);
  box.power(CAUSE.power, { watchdog: 1 }); // the same after a power-up with BOOTSEL held: nobody asked this program
  box.plug();
  assert.equal(causeOf(box), 6);
});

test('a program that hangs is ended by the watchdog, with the lines idle', () => {
  const box = new Box();
  box.ask(0x12, [0xff]);
  const { core } = box.chip.rp2040;
  const idle = core.PC; // a jump to itself, where the loop was
  box.chip.rp2040.writeUint16(idle, 0xe7fe);
  core.waiting = false;
  box.chip.runUs(1200000);
  assert.equal(box.restart(), 'reset');
  assert.equal(box.chip.levels, 0);
  box.plug();
  assert.equal(causeOf(box), 3);
});

/** A box whose idle level is high, in its flash, on a board whose resistors hold the lines at `pulls`. */
function idleHigh(pulls) {
  const box = new Box({ pulls });
  const settings = record(box);
  settings[33] = 1;
  assert.equal(box.ask(WRITE, [...settings]).type, DONE);
  box.ask(KEEP, [], 200000);
  return box;
}

test('no line is driven before its idle level is known, and then all of them are', () => {
  for (const box of [new Box(), idleHigh(0)]) {
    box.power(CAUSE.power);
    const { chip } = box;
    chip.runUs(200000);
    assert.deepEqual(chip.drives.map(([, driven]) => driven), [0, 0xff], 'all in one cycle');
    assert.ok(chip.drives[1][0] / 200 < 90000, `after ${chip.drives[1][0] / 200} us`);
  }
});

test('idle high with resistors that hold it: no edge at any start, whatever its cause', () => {
  const box = idleHigh(0xff);
  for (const start of [
    () => box.power(CAUSE.power),
    () => box.power(CAUSE.pin),
    () => {
      box.send(RESTART, [0]);
      box.chip.runUs(400000);
      assert.equal(box.chip.levels, 0xff);
      assert.equal(box.restart(), 'reset');
    },
    () => { // the watchdog ends a program that hangs
      box.chip.rp2040.writeUint16(box.chip.rp2040.core.PC, 0xe7fe);
      box.chip.rp2040.core.waiting = false;
      box.chip.runUs(1200000);
      assert.equal(box.restart(), 'reset');
    },
  ]) {
    start();
    box.plug();
    assert.deepEqual(box.chip.edges, [[0, 0xff]]);
    assert.equal(box.chip.drives.at(-1)[1], 0xff);
  }
  box.ask(0x11, [0x0f, ...u32(10)]);
  box.chip.runUs(50);
  assert.deepEqual(box.chip.edges.map(([, levels]) => levels), [0xff, 0xf0, 0xff]);
});

test('idle high without such resistors: the chip pulls the lines down until the settings are read', () => {
  const box = idleHigh(0);
  box.power(CAUSE.power);
  box.plug();
  assert.deepEqual(box.chip.edges.map(([, levels]) => levels), [0, 0xff]);
});
