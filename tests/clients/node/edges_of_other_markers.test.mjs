// What the box says of another marker with the same number or tag is never taken for the end of one.

import assert from 'node:assert/strict';
import { test } from 'node:test';
import { makeRequest } from '../../../host/node/src/pending_request.js';
import { RequestWindow } from '../../../host/node/src/request_window.js';
import { openScripted, turn } from './scripted.mjs';

const CAN = { capabilities: 0x10, places: 8, least_lead: 0 };
const AT = 60_000_000;
const edge = (more) => ({ number: 1, time: AT, lasted: 0xffffffff, delay: 0, notes: 0, reason: 0, ...more });

async function openWithOneAhead(t) {
  const scripted = await openScripted(t, CAN);
  const marker = scripted.box.pulse(5, undefined, { atBox: AT });
  await turn();
  await scripted.say('accepted', scripted.requests.pop().tag, { number: 1 });
  assert.equal(marker.outcome, 'accepted');
  return { ...scripted, marker };
}

for (const [what, fields, outcome] of [
  ['one too early', { time: AT - 1 }, 'unconfirmed'],
  ['one too late', { time: AT + 1 }, 'unconfirmed'],
  ['one that does not say why it is late', { time: AT + 30, delay: 29 }, 'unconfirmed'],
  ['one that was given late', { time: AT + 30, delay: 30 }, 'done'],
  ['one that was taken back before its time', { time: 5, reason: 19 }, 'refused'],
]) {
  test(`an edge by number: ${what}`, async (t) => {
    const { marker, notice } = await openWithOneAhead(t);
    await notice('marker_edge', 2, edge(fields));
    assert.equal(marker.outcome, outcome);
    if (outcome === 'unconfirmed') assert.match(marker.error.message, /not at its time, and so that of another marker/);
  });
}

for (const [time, outcome] of [[AT + 1, 'unconfirmed'], [AT, 'done']]) {
  test(`a fate by number, at ${time}`, async (t) => {
    const { marker, notice, requests, say } = await openWithOneAhead(t);
    await notice('hold_ended', 3, { time: 1, code: 1 }); // number 2 is missing
    const asked = requests.find(({ name }) => name === 'fate_of_number');
    await say('fate', asked.tag, { ...edge({ time }), asked: 0, outcome: 1, code: 5 });
    assert.equal(marker.outcome, outcome);
  });
}

for (const [name, isSilent] of [['identify', true], ['clock', false]]) {
  test(`a hundred tags, among them an answer to ${name}`, () => {
    const window = new RequestWindow({ write() {} }, { freed() {}, failed() {} });
    window.begin({ window: 440, history: 64, newest_tag: 7 });
    for (let k = 1; k <= 100; k++) {
      const request = makeRequest(k === 60 ? name : 'levels', name === 'identify' && k === 60 ? { major: 2, minor: 0 } : {}, {});
      window.send(request);
      if (k === 60) window.answered(request);
      window.finish(request);
    }
    assert.equal(window.isSilent, isSilent);
  });
}
