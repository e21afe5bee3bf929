// Ports that say what a test tells them to: what no real box does, or none that the virtual box can be.

import { createServer } from 'node:net';
import { ANSWERS, build } from '../../../host/node/src/messages.js';

/** A TCP port that says something whenever something comes in. Gives what came in, too. */
export async function port(test, say) {
  const heard = [];
  const server = createServer((socket) => socket.on('error', () => {}).on('data', (bytes) => {
    heard.push(bytes);
    say(socket, bytes);
  }));
  await new Promise((resolve) => server.listen(0, '127.0.0.1', resolve));
  test.after(() => server.close());
  return { where: `socket://127.0.0.1:${server.address().port}`, heard };
}

/** The identity of a box of version 1, as it is on the wire, for `identify` with tag 1. */
export function identityOf(fields) {
  return build(ANSWERS.identity, 1, {
    major: 1, minor: 0, firmware: [0, 1, 0], board: 1, serial: '0102030405060708', cause: 1, last_tag: 0, window: 440, history: 64,
    longest_frame: 64, steps: 1024, edges: 128, least_width: 1, longest_width: 3_600_000_000, name: '', ...fields,
  });
}

/** The answer to `settings read`, as it is on the wire. */
export function factorySettings(tag) {
  return build(ANSWERS.settings, tag, {
    origin: 0, kept: 0,
    record: { name: '', width: 5000, gap: 0, hold_limit: 0, byte_baud: 115200, lines: 255, idle: 0, overlap: 0, byte_mode: 1 },
  });
}
