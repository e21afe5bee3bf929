// Hands the simulated Pico to another program: one JSON request a line on stdin, one JSON answer a line on stdout.
//
//   run {until, framed, bytes}   lets time pass to that cycle; bytes (hex) for the two ports go out on the way.
//                                Answers {cycle, sent}: the cycle reached, and what the box sent on the framed port.
//   edges {}                     changes of the lines since the last call, [cycle, levels]
//   wire {table, rise, fall}     the loopback: what is seen for each level; cycles that each input takes to follow
//   probes {levels}              levels of GP16, GP17 and GP18 from outside: bits 0 to 2
//   power {}                     takes the power away and gives it back
//   load {uf2}                   what the boot loader does with a UF2 file: writes it, and starts it. Only in the boot loader
//
// Cycles count from the first start and go on through restarts. A box that restarts is plugged in again at once.

import { createInterface } from 'node:readline';
import { Box, BYTES, FRAMED } from './box.mjs';
import { CAUSE, readUf2 } from './chip.mjs';

const serial = process.argv[2] ? [...Buffer.from(process.argv[2], 'hex')] : undefined;
const queues = { [FRAMED.bulk]: [], [BYTES.bulk]: [] };
let sent = [];
let passed = 0; // cycles of the starts before this one
let edges = [];
let lines = 0; // after the last of them
let wires = null;
let alarms = [];

const box = new Box({ serial, plugged: false, wiring: (levels) => (wires ? wires.table[levels] : levels) });
const life = () => passed + box.chip.cycle;

function takeEdges() {
  edges.push(...box.edges().map(([cycle, levels]) => [passed + cycle, levels]));
  lines = edges.at(-1)?.[1] ?? lines;
}

/** Each input follows its line after its own time; a level that doesn't last that long does not get through. */
function layWires() {
  const { chip } = box;
  const follow = chip.setReadback.bind(chip);
  alarms = Array.from({ length: 8 }, (_, input) => chip.rp2040.clock.createAlarm(() => {
    const bit = 1 << input;
    follow((chip.readback & ~bit) | (alarms[input].target & bit));
  }));
  chip.setReadback = (levels) => {
    let now = chip.readback;
    alarms.forEach((alarm, input) => {
      const bit = 1 << input;
      alarm.cancel();
      if (!((levels ^ chip.readback) & bit)) return;
      const cycles = wires ? (levels & bit ? wires.rise : wires.fall)[input] : 0;
      if (!cycles) now = (now & ~bit) | (levels & bit);
      else {
        alarm.target = levels;
        alarm.schedule(cycles * 5);
      }
    });
    follow(now);
  };
}

function plugIn() {
  layWires();
  box.chip.setReadback(box.chip.wiring(box.chip.levels));
  box.host.enumerate();
  box.host.open(FRAMED.control);
  box.host.open(BYTES.control);
}

function restart(reset) {
  takeEdges();
  passed += box.chip.cycle;
  if (reset === undefined) box.restart();
  else box.power(reset);
  box.seen = 1;
  if (lines !== 0) edges.push([passed, 0]); // without power the lines are low
  lines = 0;
  for (const queue of Object.values(queues)) queue.length = 0;
  plugIn();
}

const inBootLoader = () => box.chip.events.at(-1)?.what === 'boot loader';

function pump(until) {
  const { chip, host } = box;
  const { usb } = chip;
  while (life() < until) {
    if (inBootLoader()) {
      chip.cycle = until - passed;
      return undefined;
    }
    if (chip.halted) {
      restart();
      return pump(until);
    }
    let busy = false;
    for (const [number, queue] of Object.entries(queues).map(([key, value]) => [Number(key), value])) {
      if (!queue.length || !usb.isReady(number, false)) continue;
      host.out(number, queue.splice(0, 64));
      busy = true;
    }
    if (usb.attached && usb.isReady(FRAMED.bulk, true)) {
      sent.push(...(host.in(FRAMED.bulk, 10) ?? []));
      busy = true;
    }
    if (!busy) chip.run(Math.min(until - passed, chip.cycle + 100000));
  }
  return undefined;
}

const requests = {
  run({ until, framed, bytes }) {
    queues[FRAMED.bulk].push(...Buffer.from(framed ?? '', 'hex'));
    queues[BYTES.bulk].push(...Buffer.from(bytes ?? '', 'hex'));
    pump(until);
    const answer = { cycle: life(), sent: Buffer.from(sent).toString('hex'), bootLoader: inBootLoader() };
    sent = [];
    return answer;
  },
  edges() {
    takeEdges();
    const answer = { edges };
    edges = [];
    return answer;
  },
  wire(given) {
    wires = given;
    box.chip.setReadback(box.chip.wiring(box.chip.levels));
    return {};
  },
  probes({ levels }) {
    box.chip.setProbes(levels);
    return {};
  },
  load({ uf2 }) {
    if (!inBootLoader()) throw new Error('the board is not in its boot loader');
    readUf2(uf2).forEach((byte, at) => { if (byte !== 0xff) box.flash[at] = byte; });
    restart(CAUSE.power);
    return { cycle: life() };
  },
  power() {
    restart(CAUSE.power);
    return { cycle: life() };
  },
};

plugIn();
console.log(JSON.stringify({ cycle: life() }));
for await (const line of createInterface({ input: process.stdin })) {
  const { request, ...rest } = JSON.parse(line);
  console.log(JSON.stringify(requests[request](rest)));
}
