// What `open` says of ports that lead to no box, to a box of another version, or to one that is in use.

import assert from 'node:assert/strict';
import { connect, createServer } from 'node:net';
import { describe, test } from 'node:test';
import { setTimeout as sleep } from 'node:timers/promises';
import { open } from '../../../host/node/src/index.js';
import { ANSWERS, build, parse, REQUESTS } from '../../../host/node/src/message_codecs.js';
import { Decoder, encode } from '../../../host/node/src/frames.js';
import { serve } from './rig.mjs';
import { doneAt, factorySettings, identityOf, openScripted, port } from './scripted.mjs';

describe('opening', { concurrency: true }, () => {
  test('a port that never answers', async (t) => {
    const { where, heard } = await port(t, () => {});
    const begin = performance.now();
    await assert.rejects(open(where), {
      name: 'OpenFailed',
      message: /^No Tallymark box at socket:.*: no answer came that a Tallymark box would give in [56][.\d]* s\. No marker was sent\. Check the name/,
    });
    assert.ok(performance.now() - begin < 7000);
    const bytes = Buffer.concat(heard);
    assert.equal(bytes[0], 0); // one zero, then nothing but identify
    const identify = build(REQUESTS.identify, 1, { major: 2, minor: 0 });
    assert.deepEqual(bytes.subarray(1), Buffer.concat(Array(Math.floor(bytes.length / identify.length)).fill(identify)));
    assert.ok(bytes.length <= 1 + 4 * identify.length); // with silence in between, in which a boot loader can give up
  });

  test('a port that talks nonsense', async (t) => {
    const { where } = await port(t, (socket) => socket.write('\0\0hello\0login:\0'));
    await assert.rejects(open(where), { name: 'OpenFailed', message: /No Tallymark box at/ });
  });

  test('a box that is slow to start, and noisy', async (t) => {
    const identity = identityOf({
      minor: 7, firmware: [1, 2, 3], board: 77, serial: 'ff00000000000001', cause: 2, newest_tag: 254, steps: 8, least_width: 2,
      longest_width: 1000, name: 'Booth 2', capabilities: 0x8a,
    });
    let asked = 0;
    const { where } = await port(t, (socket) => {
      if (++asked < 3) socket.write('noise');
      else if (asked === 3) socket.write(Buffer.concat([Buffer.from([0]), encode(0xc9, 7, Buffer.alloc(5)), identity]));
      else socket.write(Buffer.concat([identity, doneAt(255, 0), factorySettings(1)])); // an answer that comes twice does no harm
    });
    const box = await open(where);
    assert.deepEqual(box.identity, {
      board: 'board 77', firmware: '1.2.3', protocol: '2.7', serial: 'ff00000000000001', name: 'Booth 2', cause: 'reset pin', steps: 8,
      leastWidth: 2, places: 0, leastLead: 0, longestWidth: 1000, capabilities: ['readback', 'byte serial', 'analog'],
    });
    await box.close();
  });

  for (const [major, what] of [[1, 'the firmware of the box'], [3, 'this package']]) {
    test(`a box of version ${major} that refuses version 2`, async (t) => {
      const refused = build(ANSWERS.refused, 1, { request: 1, reason: 3, detail: major });
      const { where, heard } = await port(t, (socket) => socket.write(refused));
      await assert.rejects(open(where), {
        name: 'OpenFailed',
        message: `The box at ${where} speaks version ${major} of the protocol, this package version 2. No marker was sent. Update ${what}.`,
      });
      assert.equal(Buffer.concat(heard).length, 1 + build(REQUESTS.identify, 1, { major: 2, minor: 0 }).length);
    });
  }

  test('a session that is not answered is asked for again, with the same number', async (t) => {
    const sessions = [];
    const decoder = new Decoder();
    const { where } = await port(t, (socket, bytes) => {
      for (const { name, tag, fields } of decoder.feed(bytes).map(parse)) {
        if (name === 'identify') socket.write(identityOf({}));
        else if (name === 'settings_read') socket.write(factorySettings(tag));
        else if (sessions.push({ tag, ...fields }) > 1) socket.write(doneAt(tag, 0));
      }
    });
    const box = await open(where);
    await box.close();
    assert.deepEqual(sessions, [{ tag: 1, number: sessions[0].number }, { tag: 2, number: sessions[0].number }]);
    assert.ok(sessions[0].number > 0);
    assert.match(box.identity.protocol, /2\.0/);
  });

  test('a box that begins no session', async (t) => {
    const { where } = await port(t, (socket) => socket.write(identityOf({})));
    await assert.rejects(open(where), { name: 'OpenFailed', message: /said who it is, and then did not answer\. No marker was sent\./ });
  });

  test('what an earlier program left in the port is dropped', async (t) => {
    const server = createServer((socket) => {
      socket.on('error', () => {}).write(identityOf({ name: 'Earlier', serial: '00000000000000ff' }));
      const decoder = new Decoder();
      socket.on('data', (bytes) => {
        for (const { name, tag } of decoder.feed(bytes).map(parse)) {
          if (name === 'identify') socket.write(identityOf({ name: 'Now' }));
          else socket.write(name === 'session' ? doneAt(tag, 0) : factorySettings(tag));
        }
      });
    });
    await new Promise((resolve) => server.listen(0, '127.0.0.1', resolve));
    t.after(() => server.close());
    const box = await open(`socket://127.0.0.1:${server.address().port}`);
    assert.equal(box.identity.name, 'Now');
    await box.close();
  });

  test('settings that another firmware kept are told', async (t) => {
    const warned = new Promise((resolve) => process.once('warning', resolve));
    await openScripted(t, {}, 3);
    assert.match((await warned).message, /those of another version of its firmware, so it started with the factory values/);
  });

  test('a box whose identity has another major version, and another layout', async (t) => {
    const { where } = await port(t, (socket) => socket.write(encode(0x83, 1, Buffer.of(0, 9, 1, 2, 3))));
    await assert.rejects(open(where), { message: /speaks version 0 .* Update the firmware of the box\./ });
  });

  test('nobody listens', async () => {
    await assert.rejects(open('socket://127.0.0.1:1'), { name: 'OpenFailed', message: /No connection to .*ECONNREFUSED.*Nothing was sent/ });
    await assert.rejects(open('/dev/no-such-port'), { name: 'OpenFailed', message: /can't be opened: .*No such file.*Check that the box is plugged in/ });
    await assert.rejects(open('socket://nowhere'), TypeError);
    await assert.rejects(open(5), TypeError);
  });

  test('a port that is in use', async (t) => {
    const { where } = await serve(t);
    const box = await open(where);
    await assert.rejects(open(where), { name: 'OpenFailed', message: /Another program has it open/ });
    await box.pulse(1).done;
    await box.close();
    await (await open(where)).close();
  });

  test('a TCP port that is in use', async (t) => {
    const { where } = await serve(t, { tcp: true });
    const box = await open(where);
    await assert.rejects(open(where), { name: 'OpenFailed', message: /was closed from the other end .* no other program uses the box/ });
    await box.pulse(1).done;
    await box.close();
  });

  test('any Duplex stream', async (t) => {
    const rig = await serve(t, { tcp: true });
    const { hostname, port: number } = new URL(rig.where);
    const stream = connect(Number(number), hostname);
    const box = await open(stream);
    const marker = await box.pulse(7, 100).done;
    await sleep(5);
    assert.deepEqual(await rig.edges(), [[marker.time, 7], [marker.time + 100, 0]]);
    await box.close();
    assert.ok(stream.destroyed);
  });
});

test('a program that is busy while it opens the box still asks it', async (t) => {
  const rig = await serve(t, { tcp: true });
  const [hostname, number] = rig.where.slice('socket://'.length).split(':');
  const stream = connect(Number(number), hostname);
  const opening = open(stream);
  Atomics.wait(new Int32Array(new SharedArrayBuffer(4)), 0, 0, 6500); // longer than a box may take to answer
  const box = await opening;
  assert.equal((await box.pulse(5).done).outcome, 'done');
  await box.close();
});
