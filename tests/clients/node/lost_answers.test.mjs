// What the client does about a marker whose answer is missing: the table of section 3.4 of the protocol, row by row.

import assert from 'node:assert/strict';
import { describe, test } from 'node:test';
import { setTimeout as sleep } from 'node:timers/promises';
import { openScripted, turn } from './scripted.mjs';

const PULSE = 0x10, LEVELS = 0x04, TAG_REPEATED = 5, OVERLAP = 8, UNKNOWN = 0, DONE = 1, WAITING = 2, REFUSED = 3, NO_CUT = 0xffffffff;

/** A box to which one marker has been sent. It has a gap, so that a busy computer takes no answer for overdue while a test goes on. */
async function openWithMarker(t, fields, gap = 1_000_000) {
  const rig = await openScripted(t, fields, 0, gap);
  const marker = rig.box.pulse(5);
  await turn();
  const [sent] = rig.requests;
  return { ...rig, marker, sent, asked: (at) => rig.requests.filter(({ name }) => name === 'fate').at(at) };
}

describe('lost answers', { concurrency: true }, () => {
  test('a tag that is not ahead: it is asked for', async (t) => {
    const { marker, sent, asked, say, fate, requests } = await openWithMarker(t);
    await say('refused', sent.tag, { request: PULSE, reason: TAG_REPEATED, detail: 77 });
    assert.equal(marker.outcome, 'open');
    assert.equal(asked(0).fields.asked, sent.tag);
    await say('refused', sent.tag, { request: PULSE, reason: TAG_REPEATED, detail: 77 });
    assert.equal(requests.length, 2); // one question
    await fate(asked(0), { outcome: DONE, code: 5, time: 40, lasted: 300, delay: 20, notes: 1 });
    const { outcome, time, cut, delay, noEdge, answerLost } = marker;
    assert.deepEqual([outcome, time, cut, delay, noEdge, answerLost], ['done', 40, 300, 20, true, true]);
  });

  test('an answer to a later request: the earlier one is asked for', async (t) => {
    const { box, marker, sent, asked, say, fate, requests } = await openWithMarker(t);
    box.levels().catch(() => {});
    await turn();
    await say('levels', requests.at(-1).tag, { time: 10, outputs: 0, readback: 0 });
    assert.equal(asked(0).fields.asked, sent.tag);
    await fate(asked(0), { outcome: REFUSED, code: 5, reason: OVERLAP, time: 40, lasted: NO_CUT });
    assert.deepEqual([marker.outcome, marker.error.reason, marker.cut], ['refused', 'overlap', null]);
  });

  test('its own answer comes while it is asked for', async (t) => {
    const { box, marker, sent, asked, done, fate, requests } = await openWithMarker(t);
    box.pulse(6);
    await turn();
    await done(requests[1]);
    await done(sent, 33);
    assert.deepEqual([marker.outcome, marker.time, marker.answerLost], ['done', 33, false]);
    await fate(asked(0), { outcome: UNKNOWN });
    assert.equal(marker.outcome, 'done');
    await done(sent, 33); // once more
    assert.deepEqual(box.ignored, { broken: 0, short: 0, late: 1 });
  });

  test('one that waits is not suspected again, and asked for again when it is overdue', async (t) => {
    const { box, marker, sent, asked, done, fate, requests } = await openWithMarker(t);
    box.pulse(6);
    box.pulse(7);
    await turn();
    await done(requests[1]);
    await fate(asked(0), { outcome: WAITING, code: 5, delay: 200, lasted: NO_CUT });
    await done(requests[2]);
    const about = () => requests.filter(({ name, fields }) => name === 'fate' && fields.asked === sent.tag);
    assert.equal(about().length, 1);
    while (about().length === 1) await sleep(50); // a second and a half
    await fate(about()[1], { outcome: DONE, code: 5, time: 90, lasted: NO_CUT, delay: 200 });
    assert.deepEqual([marker.outcome, marker.time, marker.delay], ['done', 90, 200]);
  });

  test('the question is asked twice, with another tag, and no more', async (t) => {
    const { marker, requests, asked, sent } = await openWithMarker(t);
    await assert.rejects(marker.done, { name: 'MarkerUnconfirmed', message: /neither its answer nor the answer to the question/ });
    assert.deepEqual(requests.map(({ name }) => name), ['pulse', 'fate', 'fate']);
    assert.deepEqual([asked(0), asked(1)].map(({ tag, fields }) => [tag - sent.tag, fields.asked]), [[1, sent.tag], [2, sent.tag]]);
  });

  test('unknown, in another session: another program has the box', async (t) => {
    const { box, marker, sent, asked, say, fate, inForce, problems } = await openWithMarker(t);
    inForce.session = 1234;
    await say('refused', sent.tag, { request: PULSE, reason: TAG_REPEATED, detail: 77 });
    await fate(asked(0), { outcome: UNKNOWN });
    assert.equal(marker.outcome, 'unconfirmed');
    assert.match(problems.at(-1).message, /^Another program has taken the box at /);
    assert.throws(() => box.pulse(1), { name: 'LinkLost' });
  });

  test('unknown, in no session: the box has started again, unheard', async (t) => {
    const { box, marker, sent, asked, say, fate, inForce, problems, done, requests } = await openWithMarker(t);
    const other = box.pulse(6);
    inForce.session = 0;
    const started = new Promise((resolve) => box.once('started', resolve));
    await say('refused', sent.tag, { request: PULSE, reason: TAG_REPEATED, detail: 77 });
    await fate(asked(0), { outcome: UNKNOWN });
    assert.deepEqual(await started, { cause: 'power' });
    assert.deepEqual([marker.outcome, other.outcome], ['unconfirmed', 'unconfirmed']);
    assert.match(problems.at(-1).message, /^The box has started again/);
    await turn();
    assert.ok(inForce.session > 0); // a new session
    const next = box.pulse(7);
    await turn();
    await done(requests.at(-1));
    assert.equal(next.outcome, 'done');
  });

  test('unknown, in the same session: it never arrived', async (t) => {
    const { box, marker, sent, asked, say, fate, requests } = await openWithMarker(t);
    await say('refused', sent.tag, { request: PULSE, reason: TAG_REPEATED, detail: 77 });
    await fate(asked(0), { outcome: UNKNOWN });
    assert.match(marker.error.message, /the box has no record of it: most likely it was lost in transmission/);
    box.pulse(7);
    await turn();
    assert.equal(requests.at(-1).fields.code, 7);
  });

  for (const [what, name, answer] of [
    ['a marker', 'pulse', { time: 4 }], ['a question', 'levels', { time: 4, outputs: 0, readback: 0 }]]) {
    test(`a box time that went back, in the answer to ${what}: the box has started again`, async (t) => {
      const { box, marker, sent, done, say, requests } = await openWithMarker(t);
      await done(sent, 1_000_000);
      assert.equal(marker.outcome, 'done');
      const open = box.pulse(6);
      if (name === 'levels') box.levels().catch(() => {});
      await turn();
      await say(name === 'levels' ? 'levels' : 'done', requests.at(-1).tag, answer);
      assert.match(open.error.message, /unconfirmed: the box started again/);
    });
  }

  test('after a hundred tags without an answer a new session begins, and what was not sent is not sent late', async (t) => {
    const { box, requests, inForce, problems } = await openScripted(t);
    const session = inForce.session;
    const markers = Array.from({ length: 150 }, () => box.pulse(1));
    assert.deepEqual(await box.wait(), markers);
    const tags = requests.map(({ tag }) => tag);
    assert.ok(tags.length <= 100, `${tags.length}`);
    await turn();
    assert.ok(markers.some(({ sent }) => sent === null));
    assert.notEqual(inForce.session, session);
    assert.ok(problems.some(({ message }) => /has not answered for a long time/.test(message)));
    const sent = requests.length;
    box.pulse(9);
    await turn();
    assert.equal(requests.length, sent + 1);
  });

  test('an answer that is longer counts, one that is too short is counted', async (t) => {
    const { box, marker, sent, raw } = await openWithMarker(t);
    const { encode } = await import('../../../host/node/src/frames.js');
    await raw(encode(0x80, sent.tag, Buffer.alloc(7)));
    assert.equal(marker.outcome, 'open');
    await raw(encode(0x8f, sent.tag, Buffer.alloc(7))); // not known
    await raw(Buffer.from('0102030400', 'hex')); // broken
    await raw(encode(0x80, sent.tag, Buffer.concat([Buffer.of(9), Buffer.alloc(12)])));
    assert.deepEqual([marker.outcome, marker.time], ['done', 9]);
    assert.deepEqual(box.ignored, { broken: 1, short: 1, late: 0 });
  });

  test('a refusal of another request is no answer', async (t) => {
    const { marker, sent, say } = await openWithMarker(t);
    await say('refused', sent.tag, { request: LEVELS, reason: OVERLAP, detail: 0 });
    assert.equal(marker.outcome, 'open');
  });
});
