// Ports that say what a test tells them to: what no real box does, or none that the virtual box can be.

import { createServer } from 'node:net';
import { Duplex } from 'node:stream';
import { open } from '../../../host/node/src/index.js';
import { Decoder } from '../../../host/node/src/frames.js';
import { ANSWERS, build, NOTICES, parse } from '../../../host/node/src/message_codecs.js';

const NO_CUT = 0xffffffff;
const SESSION_BIT = 0x20;
const FACTORY = {
  name: '', width: 5000, gap: 0, hold_limit: 0, byte_baud: 115200, lines: 255, idle: 0, overlap: 0, byte_mode: 1, strobe: 0,
  reserved: 0, strobe_lead: 0, strobe_hold: 0, threshold_a: 0, hysteresis_a: 0, threshold_b: 0, hysteresis_b: 0,
};

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

/** The identity of a box of version 2, as it is on the wire, for `identify` with tag 1 if no other is given. */
export function identityOf(fields, tag = 1) {
  return build(ANSWERS.identity, tag, {
    major: 2, minor: 0, firmware: [0, 1, 0], board: 1, serial: '0102030405060708', cause: 1, newest_tag: 0, window: 440, history: 64,
    longest_frame: 64, steps: 1024, edges: 128, least_width: 1, longest_width: 3_600_000_000, name: '', session: 0, capabilities: 6,
    last_notice: 1, places: 0, least_lead: 0, ...fields,
  });
}

/** `done`, as it is on the wire. */
export const doneAt = (tag, time = 1) => build(ANSWERS.done, tag, { time });

/** The answer to `settings read`, as it is on the wire. */
export function factorySettings(tag, origin = 0, gap = 0) {
  return build(ANSWERS.settings, tag, { origin, kept: 0, record: { ...FACTORY, gap } });
}

/** The two ends of a link in one process, so that no test depends on how soon a socket is served. */
class Wire extends Duplex {
  heard = (_bytes) => {};
  /** Called within the very write. */
  written = (_bytes) => {};

  _write(bytes, _encoding, done) {
    this.written(bytes);
    setImmediate(() => this.heard(bytes));
    done();
  }

  _read() {}
}

/** Until both ends have handled what was sent. */
export async function turn() {
  for (let turns = 0; turns < 20; turns++) await new Promise(setImmediate);
}

/**
 * Opens a box that answers only what is asked when it is opened. `requests` are those it got since, `say` sends an answer,
 * `done` says that one of them is carried out, `notice` sends a notice; each then waits until the client has heard it.
 * With `inForce.silent` it gives no identity. `origin` is that of its settings, `gap` theirs: an answer to a marker is overdue so much later; `inForce` has what differs in its identity from now on.
 */
export async function openScripted(test, fields = {}, origin = 0, gap = 0, options = {}) {
  const decoder = new Decoder();
  const requests = [];
  const inForce = {};
  const wire = new Wire();
  wire.heard = (bytes) => {
    for (const request of decoder.feed(bytes).map(parse)) {
      if (request.name === 'identify' && inForce.silent) {
        requests.push(request);
      } else if (request.name === 'identify') {
        wire.push(identityOf({ ...fields, ...inForce }, request.tag));
      } else if (request.name === 'session') {
        inForce.session = request.fields.number;
        wire.push(doneAt(request.tag, 0));
      } else if (request.name === 'settings_read') {
        wire.push(factorySettings(request.tag, origin, gap));
      } else {
        requests.push(request);
      }
    }
  };
  const box = await open(wire, options);
  const problems = [];
  box.on('problem', (error) => problems.push(error));
  test.after(() => box.close());
  const raw = async (bytes) => {
    wire.push(bytes);
    await turn();
  };
  const say = (name, tag, answer) => raw(build(ANSWERS[name], tag, answer));
  return {
    box, wire, requests, problems, inForce, raw, say,
    done: ({ tag }, time = 1) => raw(doneAt(tag, time)),
    fate: ({ tag, fields: { asked } }, found) => say('fate', tag, {
      asked, outcome: 0, code: 0, reason: 0, time: 0, lasted: 0, delay: 0, notes: 0, number: 0, ...found }),
    notice: (name, number, what) => raw(build(NOTICES[name], number, what)),
    byteMarker: (number, inSession = false) => raw(build(
      { ...NOTICES.byte_marker, type: NOTICES.byte_marker.type + (inSession ? SESSION_BIT : 0) }, number,
      { time: 5, byte: 65, reason: 0, lasted: NO_CUT, delay: 0, notes: 0 })),
  };
}
