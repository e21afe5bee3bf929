// Plays sounds to the simulated Pico and prints, as JSON, what it sampled of each and which edges it told.

import { accepted, US } from './shared_assertions.mjs';
import { Box } from './box.mjs';
import { readU64, u16, u32 } from './frames.mjs';
import { noise } from './probe_scenes.mjs';

const SOUND_LEVEL = 2, PROBE_EDGES = 0xc6, SOUND = 1;
const REST = 1900, THRESHOLD = 100, HYSTERESIS = 40; // of 4096
const BEFORE_US = 20000, LASTS_US = 60000, AFTER_US = 60000;

/** A tone whose loudness rises and falls, in a room that is not quite silent. */
const SOUNDS = [
  { hz: 440, attackUs: 5000, peak: 900, noise: 5 },
  { hz: 1000, attackUs: 20000, peak: 700, noise: 10 },
  { hz: 3000, attackUs: 1000, peak: 1500, noise: 5 },
  { hz: 250, attackUs: 40000, peak: 1200, noise: 10 },
  { hz: 1000, attackUs: 5000, peak: 900, noise: 5, beat: 35 },
];

function play({ hz, attackUs, peak, noise: loud, beat = 0 }, seed) {
  const box = new Box();
  const random = noise(seed);
  const samples = [];
  let from = Infinity;
  box.chip.analog = (input, cycle) => {
    if (input !== SOUND) return 0;
    if (from === Infinity) return REST;
    const us = Math.max(0, Math.min(LASTS_US, (cycle - from) / US));
    const rises = Math.min(1, us / attackUs, (LASTS_US - us) / attackUs);
    const envelope = peak * rises * (1 - 0.2 * Math.sin((2 * Math.PI * beat * us) / 1e6) ** 2);
    const level = Math.round(REST + envelope * Math.sin((2 * Math.PI * hz * us) / 1e6) + loud * random());
    samples.push([cycle / US, level]);
    return level;
  };
  const settings = [...Array(16).fill(0), ...u32(5000), ...u32(0), ...u32(0), ...u32(115200), 255, 0, 0, 1, 0, SOUND_LEVEL,
    ...u16(0), ...u16(0), ...u16(0), ...u16(0), ...u16(THRESHOLD * 16), ...u16(HYSTERESIS * 16)];
  accepted(box.ask(0x29, settings));
  box.edges();
  const time = accepted(box.ask(0x11, [1, ...u32(10)]));
  const zeroUs = box.edges()[0][0] / US - time; // of box time
  box.chip.runUs(BEFORE_US);
  from = box.chip.cycle + BEFORE_US * US;
  box.chip.runUs(BEFORE_US + LASTS_US + AFTER_US);
  const edges = [];
  for (const { body } of [...box.pending, ...box.read()].filter(({ type }) => type === PROBE_EDGES))
    for (let at = 1; at < body.length; at += 10) edges.push([readU64(body, at) + zeroUs, body[at + 9]]);
  return { hz, rest: REST, threshold: THRESHOLD, release: THRESHOLD - HYSTERESIS, silenceUs: 20000, samples, edges,
    noiseUs: (loud * attackUs) / peak };
}

console.log(JSON.stringify(SOUNDS.map(play)));
