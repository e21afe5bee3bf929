// Many strobed markers with the port kept busy, in simulation: greatest errors of lead, hold and width in cycles, as JSON.
// The argument is how many. See tests/bench/strobe.py.

import { Box, FRAMED } from './sim/box.mjs';
import { accepted, US } from './sim/shared_assertions.mjs';
import { frame, u32 } from './sim/frames.mjs';
import { random } from './sim/random_input.mjs';

const STROBE = 0x80, PULSE_FOR = 0x11, CLOCK = 0x02, LEAD = 2, HOLD = 3;
const u16 = (value) => [value & 0xff, value >> 8];
const count = Number(process.argv[2]);
const next = random(11);

const box = new Box();
const settings = box.ask(0x28).body.slice(5);
settings.set([STROBE, 0, ...u16(LEAD), ...u16(HOLD)], 36);
accepted(box.ask(0x29, [...settings]));
box.edges();

const worst = { lead: 0, hold: 0, width: 0 };
for (let n = 0; n < count; n++) {
  const code = 1 + next(127);
  const width = LEAD + HOLD + 1 + next(60);
  box.host.send(FRAMED.bulk, frame(PULSE_FOR, box.nextTag(), [code, ...u32(width)]));
  for (const end = box.chip.timer.us + width + 30; box.chip.timer.us < end;) {
    for (let i = 0; i < 6; i++) box.host.send(FRAMED.bulk, frame(CLOCK, box.nextTag()));
    box.host.receive(FRAMED.bulk, 1);
  }
  while (box.host.receive(FRAMED.bulk, 200).length > 0); // the answers that are left
  const edges = box.edges();
  const levels = edges.map(([, each]) => each);
  if (`${levels}` !== `${[code, code | STROBE, code, 0]}`) throw new Error(`marker ${n}, code ${code}: ${levels}`);
  const [begin, on, off, end] = edges.map(([cycle]) => cycle);
  const errors = { lead: on - begin - LEAD * US, hold: end - off - HOLD * US, width: end - begin - width * US };
  for (const name in worst) worst[name] = Math.max(worst[name], Math.abs(errors[name]));
}
console.log(JSON.stringify(worst));
