// Figures of the image, in simulation, as JSON: latency, markers a second, widths under load. See tests/bench/pico.py.
// The argument is the UF2 of latency_baseline/latency_baseline.c, the baseline.

import { Box, BYTES, FRAMED } from './sim/box.mjs';
import { readUf2 } from './sim/chip.mjs';
import { frame, messages, u32 } from './sim/frames.mjs';
import { markersAmongProbes } from './sim/probe_scenes.mjs';
import { random } from './sim/random_input.mjs';

const US = 200; // cycles

function withWidth(us) {
  const box = new Box();
  const settings = box.ask(0x28).body.slice(5);
  settings.set(u32(us), 16);
  box.ask(0x29, [...settings]);
  return box;
}

/** From the end of the packet's transaction on the bus to the edge, in microseconds, sorted. */
function latencies(count) {
  const box = withWidth(3);
  const next = random(7);
  const found = [];
  for (let n = 0; n < count; n++) {
    box.chip.runUs(40 + next(20000) / 200);
    box.edges();
    box.host.out(FRAMED.bulk, frame(0x10, box.nextTag(), [1 + (n % 255)]));
    const packet = box.chip.cycle;
    box.chip.runUs(20);
    found.push((box.edges()[0][0] - packet) / US);
    box.read(30);
  }
  return found.sort((a, b) => a - b);
}

/** The same for a plain byte on the second port. */
function byteLatencies(count) {
  const box = withWidth(3);
  box.host.open(BYTES.control);
  const next = random(9);
  const found = [];
  for (let n = 0; n < count; n++) {
    box.chip.runUs(40 + next(20000) / 200);
    box.edges();
    box.host.out(BYTES.bulk, [1 + (n % 255)]);
    const packet = box.chip.cycle;
    box.chip.runUs(20);
    found.push((box.edges()[0][0] - packet) / US);
    box.read(30);
  }
  return found.sort((a, b) => a - b);
}

/** Markers a second, each confirmed, with as many on their way as the window allows. */
function throughput(count, window) {
  const box = withWidth(1);
  const { host, chip } = box;
  const { usb } = chip;
  const start = chip.cycle;
  let queue = [];
  let came = [];
  let sent = 0;
  let answered = 0;
  let bytes = 0;
  while (answered < count) {
    while (sent < count && (sent - answered + 1) * 7 <= window && queue.length < 64)
      queue.push(...frame(0x10, box.nextTag(), [1 + (sent++ % 255)]));
    const canSend = queue.length > 0 && usb.isReady(FRAMED.bulk, false);
    if (canSend) {
      const packet = queue.splice(0, 64);
      bytes += 13 + packet.length; // what a packet takes of the bus
      host.out(FRAMED.bulk, packet);
    }
    if (usb.isReady(FRAMED.bulk, true)) {
      const packet = host.in(FRAMED.bulk, 10);
      bytes += 13 + packet.length;
      came.push(...packet);
      const whole = came.lastIndexOf(0) + 1;
      for (const { type } of messages(came.splice(0, whole))) {
        if (type !== 0x80 && type !== 0x81) throw new Error(`answer ${type.toString(16)}`);
        answered++;
      }
    } else if (!canSend) {
      chip.run(chip.cycle + 20);
    }
  }
  const seconds = (chip.cycle - start) / US / 1e6;
  return { rate: count / seconds, limit: 1.5e6 / (bytes / count) };
}

/** Greatest error of a pulse's width in cycles, while the port is kept as busy as the bus allows. */
function widthError(widths) {
  let worst = 0;
  const box = new Box();
  for (const us of widths) {
    box.edges();
    box.send(0x11, [0xff, ...u32(us)]);
    const end = box.chip.us + Math.min(us + 50, 3000);
    while (box.chip.us < end) {
      box.host.send(FRAMED.bulk, Array.from({ length: 5 }, () => frame(0x04, box.nextTag())).flat());
      box.host.in(FRAMED.bulk, 5);
    }
    box.chip.runUs(us);
    box.host.receive(FRAMED.bulk, 300);
    const [[rise], [fall]] = box.edges();
    worst = Math.max(worst, Math.abs(fall - rise - us * US));
  }
  return worst;
}

/** The same wait with a firmware that only sends a byte back: until its packet is ready for the host. */
function echoLatencies(count, image) {
  const box = new Box({ flash: readUf2(image), plugged: false });
  box.host.enumerate();
  const { chip, host } = box;
  const next = random(7);
  const found = [];
  for (let n = 0; n < count; n++) {
    chip.runUs(40 + next(20000) / 200);
    if (chip.cycle - chip.usb.frameStart > 700 * US) chip.runUs(320); // late in a frame, where no packet is handed over
    host.out(FRAMED.bulk, [n & 255]);
    const packet = chip.cycle;
    while (!chip.usb.isReady(FRAMED.bulk, true)) chip.run(chip.cycle + 1000);
    found.push((chip.cycle - packet) / US);
    host.in(FRAMED.bulk);
  }
  return found.sort((a, b) => a - b);
}

const echo = echoLatencies(300, process.argv[2]);
const found = latencies(600);
const bytes = byteLatencies(600);
const probes = Object.fromEntries(['off', 'quiet', 'edges'].map((scene) => [scene, markersAmongProbes(scene, 'framed', 600).waits]));
console.log(JSON.stringify({
  echoMedianUs: echo[150],
  echoMostUs: echo.at(-1),
  latencyMedianUs: found[300],
  latencyMostUs: found.at(-1),
  byteLatencyMedianUs: bytes[300],
  byteLatencyMostUs: bytes.at(-1),
  probesOffMostUs: probes.off.at(-1),
  probesQuietMostUs: probes.quiet.at(-1),
  probesEdgesMostUs: probes.edges.at(-1),
  ...throughput(3000, 440),
  widthErrorCycles: widthError([1, 2, 5, 10, 100, 1000, 5000, 100000, 1000000]),
  longErrorCycles: widthError([60000000]),
}));
