// A program that waits for nothing and listens to nothing. Its markers are refused and its box goes away.

import { open } from '../../../host/node/src/index.js';

const box = await open(process.argv[2]);
box.pulse(64);
void box.pulse(65).done; // asked for, never looked at
void box.sequence([{ code: 1, hold: 100_000_000 }]).then((sequence) => void sequence.ended, () => {});
setTimeout(() => {
  console.log('ready');
  setTimeout(() => console.log('survived'), 700);
}, 300);
