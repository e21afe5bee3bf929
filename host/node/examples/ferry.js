// The Ferry study: boats appear, the participant answers, the ferry lands. Each event is a marker in the recording.
//
//     node ferry.js /dev/ttyACM0 [trials]

import { setTimeout as sleep } from 'node:timers/promises';
import { open } from 'tallymark';

const CODES = { blockStarts: 3, blockEnds: 5, emptySea: 9, ferryAtLeft: 17, ferryAtRight: 18, ferryLands: 96 };
const [where, trials = '5'] = process.argv.slice(2);

const box = await open(where);
box.on('problem', (error) => console.error(error.message));

box.pulse(CODES.blockStarts, 20_000); // 20 ms wide
await sleep(200);
for (let trial = 0; trial < Number(trials); trial++) {
  box.pulse(CODES.emptySea); // draw the sea right before this line
  await sleep(100 + 50 * Math.random());
  box.pulse(Math.random() < 0.5 ? CODES.ferryAtLeft : CODES.ferryAtRight);
  await sleep(150);
  const landed = box.pulse(CODES.ferryLands);
  landed.done.then(({ time }) => console.log(`trial ${trial + 1}: landed at ${time} µs of box time`), () => {});
  await sleep(100);
}
box.pulse(CODES.blockEnds, 20_000);

const missing = await box.wait();
console.log(missing.length ? `${missing.length} markers may be missing in the recording` : 'All markers were confirmed.');
await box.close();
process.exitCode = missing.length ? 1 : 0;
