// The session of test_client_logs.py with the client for Node: WHERE LOG KIND.

import { setTimeout as sleep } from 'node:timers/promises';
import { open } from '../../../host/node/src/index.js';

const [where, log, kind] = process.argv.slice(2);

async function wholeSession(box) {
  // From the edge on, so that no marker is cut, however late this computer is.
  const rest = async (ms) => {
    await box.wait();
    await sleep(ms);
  };
  box.pulse(17);
  await rest(30);
  box.pulse(96, 12_000);
  await rest(30);
  box.set(3);
  await rest(30);
  box.set(3);
  await rest(30);
  box.set(0);
  await rest(30);
  box.pulse(9, undefined, { after: 200_000 });
  box.pulse(5, undefined, { expiry: 1 });
  await rest(30);
  for (let code = 1; code <= 40; code++) {
    box.pulse(code, 2000);
    await rest(10 + code * 7 % 13);
  }
}

/** A marker that comes after its time, a sequence that starts at one, and a marker. */
async function lateAndSequence(box) {
  const { time } = await box.clock();
  await box.pulse(5, undefined, { atBox: time, late: 60e6 }).done;
  await sleep(30);
  await (await box.sequence([{ code: 1, hold: 2000 }, { code: 2, hold: 2000 }], 3, { after: 100_000 })).ended;
  await box.pulse(9).done;
}

let box;
try {
  box = await open(where, { log, events: { 17: 'ferry "left"', 96: 'fährt ab' } });
} catch (error) {
  console.error(error.message);
  process.exit(4);
}
box.on('problem', (error) => console.error(error.message));
console.log('open');
if (kind === 'endless') {
  for (let code = 0; ; code++) {
    box.pulse(1 + code % 255, 500);
    await sleep(2);
  }
}
if (kind === 'bytes') {
  const settled = new Promise((resolve) => box.on('byteMarker', () => resolve(box.wait())));
  await settled;
  await box.settings();
  box.pulse(2);
  await box.wait();
} else {
  await (kind === 'ahead' ? lateAndSequence : wholeSession)(box);
}
try {
  await box.close();
} catch (error) {
  console.error(error.message);
  process.exit(5);
}
