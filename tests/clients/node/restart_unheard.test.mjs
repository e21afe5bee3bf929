// A box that starts again while the client is silent, whose notice of that is lost, and whose new time has passed every time of before.

import assert from 'node:assert/strict';
import { test } from 'node:test';
import { setTimeout as sleep } from 'node:timers/promises';
import { openBox } from './rig.mjs';

const STARTED = 0xc0, ACCEPTED = 0x8a, TIMED = 0x13, SESSION = 0x07;

async function opened(t) {
  const begin = performance.now();
  const { rig, box } = await openBox(t, { lossy: true });
  const starts = [];
  box.on('problem', () => {});
  box.on('started', (start) => starts.push(start));
  /** The box starts again, and is left alone for longer than it has been up. */
  const startUnheard = async () => {
    await rig.lose({ answers: [STARTED] });
    await rig.restart();
    await sleep(2 * (performance.now() - begin) + 500);
    assert.ok((await rig.lost()) > 0);
    await rig.lose({});
  };
  return { rig, box, starts, startUnheard };
}

test('the next answer tells it', async (t) => {
  const { box, starts, startUnheard } = await opened(t);
  await box.pulse(1).done;
  await startUnheard();
  await assert.rejects(box.pulse(2).done, { name: 'MarkerUnconfirmed', message: /started again/ });
  assert.deepEqual(starts, [{ cause: 'unknown' }]);
  const next = box.pulse(3);
  await next.done;
  await box.syncClock();
  assert.equal(next.outcome, 'done');
});

test('no marker ahead is told by the end of another', async (t) => {
  const { rig, box, starts, startUnheard } = await opened(t);
  await box.syncClock();
  const old = box.pulse(2, undefined, { after: 60e6 });
  await old.answered;
  old.done.catch(() => {});
  await startUnheard();
  await rig.lose({ answers: [ACCEPTED] });
  const later = box.pulse(3, undefined, { after: 100_000 });
  await assert.rejects(later.done);
  await assert.rejects(old.done, { name: 'MarkerUnconfirmed', message: /started again/ });
  assert.equal(starts.length, 1);
});

test('a notice tells it, and is not lost', async (t) => {
  const { rig, box, starts, startUnheard } = await opened(t);
  await box.syncClock();
  const bytes = [];
  box.on('byteMarker', (marker) => bytes.push(marker.byte));
  const old = box.pulse(2, undefined, { after: 60e6 });
  await old.answered;
  await startUnheard();
  await rig.byte('07');
  await assert.rejects(old.done, { name: 'MarkerUnconfirmed', message: /started again/ });
  assert.deepEqual([bytes, starts.length], [[7], 1]);
});

test('nothing that was sent before the session has an end behind it', async (t) => {
  const { rig, box } = await opened(t);
  await box.syncClock();
  await rig.restartBefore(TIMED, SESSION); // the answer to which can't show the second start
  const old = box.pulse(2, undefined, { after: 60e6 });
  await assert.rejects(old.done, { name: 'MarkerUnconfirmed', message: /started again/ });
  await box.syncClock(1);
  const later = await box.pulse(3, undefined, { after: 100_000, late: 5e6 }).done;
  assert.deepEqual([later.outcome, later.aheadNumber, old.outcome], ['done', 1, 'unconfirmed']);
  assert.equal(await rig.lost(), 2);
});
