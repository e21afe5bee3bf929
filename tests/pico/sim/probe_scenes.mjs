// What probes see while markers come in, and how long those take from the end of their packet to the edge.

import { Box, BYTES, FRAMED } from './box.mjs';
import { frame, NOTICES, u16, u32 } from './frames.mjs';

const US = 200; // cycles
const LIGHT_LEVEL = 1, SOUND_LEVEL = 2, TTL = 16;
const REST = 2048, DARK = 400, BRIGHT = 2400; // of 4096

/** A random number from -1 to 1, the same in each run. */
export function noise(seed) {
  let state = seed;
  return () => {
    state = (Math.imul(state, 1103515245) + 12345) >>> 0;
    return (state >>> 8) / 0x800000 - 1;
  };
}

function record(probes) {
  return [...Array(16).fill(0), ...u32(3), ...u32(0), ...u32(0), ...u32(115200), 255, 0, 0, 1, 0, probes, 0, 0, 0, 0,
    ...[1400, 500, 200, 50].flatMap((steps) => u16(steps * 16))];
}

/**
 * `scene`: 'off': no probe is watched; 'quiet': light, sound and TTL are, and none of them makes an edge; 'edges': each of them
 * does, all the time. `port`: 'framed' or 'bytes'. Gives the waits in microseconds, sorted, and all messages of the box.
 */
export function markersAmongProbes(scene, port, count, seed = 9) {
  const box = new Box();
  const random = noise(seed);
  const makesEdges = scene === 'edges';
  box.chip.analog = (input, cycle) => {
    if (input === 0) return makesEdges && cycle % 40000 < 20000 ? BRIGHT : DARK;
    const loud = makesEdges && Math.floor(cycle / 7800000) % 2;
    return REST + Math.round(loud ? 900 * Math.sin((2 * Math.PI * cycle) / 200000) : 20 * random());
  };
  box.ask(0x29, record(scene === 'off' ? 0 : LIGHT_LEVEL | SOUND_LEVEL | TTL));
  if (port === 'bytes') box.host.open(BYTES.control);
  box.read();
  const came = [];
  const waits = Array.from({ length: count }, (_, n) => {
    const pause = 40 + 50 * (random() + 1);
    box.chip.runUs(pause / 2);
    if (makesEdges) box.chip.setProbes(n % 2 ? 4 : 0);
    box.chip.runUs(pause / 2);
    box.edges();
    const code = 1 + (n % 255);
    if (port === 'bytes') box.host.out(BYTES.bulk, [code]);
    else box.host.out(FRAMED.bulk, frame(0x10, box.nextTag(), [code]));
    const packet = box.chip.cycle;
    box.chip.runUs(20);
    const [[edge, levels]] = box.edges();
    if (levels !== code) throw new Error(`code ${code} came out as ${levels}`);
    came.push(...box.read(30));
    return (edge - packet) / US;
  });
  came.push(...box.read());
  return { waits: waits.sort((a, b) => a - b), came, notices: came.filter(({ type }) => type >= NOTICES) };
}
