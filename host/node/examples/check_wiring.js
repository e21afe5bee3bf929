// Is the wiring right? With the loopback plugged in, and before a participant is connected to anything.
//
//     node check_wiring.js /dev/ttyACM0

import { open } from 'tallymark';

const box = await open(process.argv[2]);
const { isGood, lines, sentence } = await box.selftest();
for (const { text } of lines) console.log(text);
console.log(sentence);
await box.close();
process.exitCode = isGood ? 0 : 1;
