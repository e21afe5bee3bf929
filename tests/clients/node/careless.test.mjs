// Nobody has to wait for a marker: what goes wrong is told, and the program goes on.

import assert from 'node:assert/strict';
import { spawn } from 'node:child_process';
import { once } from 'node:events';
import { test } from 'node:test';
import { fileURLToPath } from 'node:url';
import { nameOf, serve, tcpAndTerminal } from './rig.mjs';

const PROGRAM = fileURLToPath(new URL('careless.mjs', import.meta.url));

for (const way of tcpAndTerminal) {
  test(`a program that waits for nothing, on ${nameOf(way)}`, async (t) => {
    const rig = await serve(t, { ...way, settings: { lines: 63 } });
    const program = spawn(process.execPath, [PROGRAM, rig.where]);
    let told = '';
    let said = '';
    program.stderr.on('data', (bytes) => (told += bytes));
    program.stdout.on('data', (bytes) => (said += bytes));
    const closed = once(program, 'close');
    await Promise.race([once(program.stdout, 'data'), closed]);
    await rig.unplug();
    const [code] = await closed;
    assert.deepEqual([code, said], [0, 'ready\nsurvived\n'], told);
    assert.match(told, /TallymarkWarning: Marker 1 \(pulse, code 64\) was refused/);
    assert.doesNotMatch(told, /Marker 2/); // its `done` was asked for
    assert.match(told, /TallymarkWarning: .*Nothing can be sent any more/);
  });
}
