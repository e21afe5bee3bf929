// A horn of three blasts, timed by the box: the computer may be busy meanwhile.
//
//     node timed_sequence.js /dev/ttyACM0

import { open } from 'tallymark';

const HORN = 36;
const box = await open(process.argv[2]);
const horn = await box.sequence([{ code: HORN, hold: 50_000 }, { code: 0, hold: 30_000 }], 3);
const { time, played } = await horn.ended;
console.log(`${played} steps, from ${horn.marker.time} to ${time} µs of box time`);
await box.close();
