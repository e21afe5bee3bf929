// What the tests of lines, times and capture share.

import assert from 'node:assert/strict';
import { FRAMED } from './box.mjs';
import { frame, readU64, u16, u32 } from './frames.mjs';

export const US = 200; // cycles
export const DONE = 0x80, DONE_NOTED = 0x81, REFUSED = 0x82, SEQUENCE = 0x87, ENDED = 0xc1;

export function accepted(answer) {
  assert.ok([DONE, DONE_NOTED].includes(answer.type), `refused, reason ${answer.body[1]}`);
  return readU64(answer.body);
}

/** A box time and the cycle of its edge lie in the same microsecond, but for a few cycles around a tick. */
export function assertSame(time, cycle) {
  const behind = cycle - time * US;
  assert.ok(behind > -10 && behind < US + 10, `edge ${behind} cycles behind its box time`);
}

export function load(box, steps) {
  const frames = steps.map(([code, us], n) => frame(0x18, box.nextTag(), [...u16(n), code, ...u32(us)]));
  for (let n = 0; n < frames.length; n += 40) { // well inside the receive window
    box.host.send(FRAMED.bulk, frames.slice(n, n + 40).flat());
    for (const answer of box.read(100)) if (answer.type === REFUSED) assert.fail(`step refused, reason ${answer.body[1]}`);
  }
}

/** Edges that the steps should give, from the first one on, with equal neighbours run together. */
export function ideal(first, steps, repeats) {
  const edges = [];
  let at = first;
  let level = 0;
  const put = (code) => {
    if (code !== level) edges.push([at, code]);
    level = code;
  };
  for (let pass = 0; pass < repeats; pass++) for (const [code, us] of steps) {
    put(code);
    at += us * US;
  }
  put(0);
  return edges;
}
