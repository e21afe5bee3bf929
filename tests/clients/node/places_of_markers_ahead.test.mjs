// No marker ahead is given whose number would take the place of one whose end is not known (section 6.1 of the protocol).

import assert from 'node:assert/strict';
import { test } from 'node:test';
import { setTimeout as sleep } from 'node:timers/promises';
import { openBox } from './rig.mjs';
import { openScripted, turn } from './scripted.mjs';

const PLACES = 8, FAR = 600e6; // a box time that is surely still to come
const CAN = { capabilities: 0x10, places: PLACES, least_lead: 0 };

for (const unheard of [1, 2]) {
  test(`the end of number ${unheard} is asked for first`, async (t) => {
    const { box, requests, say, done, notice } = await openScripted(t, CAN);
    /** What is asked next, but for the clock. */
    const asked = async (name) => {
      for (let tries = 0; tries < 2000; tries++) {
        const found = requests.shift();
        if (found?.name === name) return found;
        if (found?.name === 'clock') await done(found);
        else assert.equal(found, undefined);
        await (found ? turn() : sleep(5));
      }
      assert.fail(`no ${name}`);
    };
    const give = (number) => box.pulse(number, 10, { atBox: number < unheard ? FAR : number });
    const tell = async (tag, outcome) => say('fate', tag, {
      asked: 0, outcome, code: unheard, reason: 0, time: unheard, lasted: 0xffffffff, delay: 0, notes: 0, number: unheard });
    const given = [];
    let number = 0, heard = 1;
    while (number < PLACES) {
      given.push(give(++number));
      await say('accepted', (await asked('timed')).tag, { number });
      if (number > unheard) {
        await notice('marker_edge', ++heard, { number, time: number, lasted: 0xffffffff, delay: 0, notes: 0, reason: 0 });
      }
    }
    const last = give(++number);
    await turn();
    assert.deepEqual([last.heldBack, last.tag], [true, null]);
    const other = box.pulse(5); // is not held up
    await done(await asked('pulse'));
    assert.equal(other.outcome, 'done');
    for (const outcome of [4, 4, 1]) { // it waits still, and then it is out
      assert.equal(last.tag, null);
      await tell((await asked('fate_of_number')).tag, outcome);
    }
    assert.equal(given[unheard - 1].outcome, 'done');
    assert.ok((await asked('timed')).tag === last.tag);
    await say('accepted', last.tag, { number });
    assert.equal(last.outcome, 'accepted');
  });
}

test('one that waits holds nothing up', async (t) => {
  const { box } = await openBox(t);
  await box.syncClock();
  const far = box.pulse(9, undefined, { after: 60e6 });
  for (let k = 0; k < 40; k++) {
    const marker = await box.pulse(1, 100, { after: 5000, late: 5e6 }).done;
    assert.equal(marker.heldBack, false);
  }
  assert.equal(far.outcome, 'accepted');
});
