// The byte stream to a box: a serial port, a TCP connection, or any Duplex stream that the caller has.

import { writeSync } from 'node:fs';
import { connect as connectTcp } from 'node:net';
import { Duplex } from 'node:stream';
import { OpenFailed } from './errors.js';

const BAUD = 500_000;

/**
 * @typedef {object} Transport
 * @property {string} name for people
 * @property {Duplex} stream what comes in
 * @property {(bytes: Buffer) => void} write at once, where the system can do that; throws if the link is broken
 * @property {() => Promise<void>} close
 */

/**
 * @param {string | Duplex} where a serial port (`/dev/ttyACM0`, `COM3`), `socket://HOST:PORT`, or an open stream
 * @param {number} patience ms until a TCP connection has to stand
 * @returns {Promise<Transport>}
 */
export async function connect(where, patience) {
  if (where instanceof Duplex) return streamTransport('the stream', where);
  if (typeof where !== 'string') throw new TypeError('Give a port name, socket://HOST:PORT or a Duplex stream.');
  return where.startsWith('socket:') ? openTcp(where, patience) : openSerial(where);
}

/**
 * @param {string} name
 * @param {Duplex} stream
 * @returns {Transport}
 */
function streamTransport(name, stream) {
  return {
    name,
    stream,
    write: (bytes) => void stream.write(bytes),
    close: () => new Promise((resolve) => {
      if (stream.destroyed) return resolve();
      stream.once('close', () => resolve());
      stream.end(() => stream.destroy());
    }),
  };
}

/**
 * @param {string} where
 * @param {number} patience
 * @returns {Promise<Transport>}
 */
function openTcp(where, patience) {
  const { hostname, port } = new URL(where);
  if (!hostname || !port) throw new TypeError(`${where} is no address. Give socket://HOST:PORT.`);
  const socket = connectTcp({ host: hostname.replace(/^\[|\]$/g, ''), port: Number(port), noDelay: true });
  return new Promise((resolve, reject) => {
    /** @param {unknown} [cause] */
    const fail = (cause) => {
      clearTimeout(timer);
      socket.destroy();
      reject(new OpenFailed(
        `No connection to ${where}: ${cause instanceof Error ? cause.message : 'nothing answers there'}. Nothing was sent. ` +
        'Check the address and that the program that serves the box is running.', { cause }));
    };
    const timer = setTimeout(fail, patience);
    socket.once('error', fail);
    socket.once('connect', () => {
      clearTimeout(timer);
      socket.removeListener('error', fail);
      resolve(streamTransport(where, socket));
    });
  });
}

/**
 * @param {string} path
 * @returns {Promise<Transport>}
 */
async function openSerial(path) {
  const { SerialPort } = await import('serialport').catch((cause) => {
    throw new OpenFailed(
      `The npm package serialport can't be loaded: ${cause.message}. Nothing was sent. ` +
      'Install it with `npm install serialport`.', { cause });
  });
  const port = new SerialPort({ path, baudRate: BAUD, lock: true, autoOpen: false });
  await new Promise((resolve, reject) => port.open((cause) => {
    if (cause) reject(new OpenFailed(`${path} can't be opened: ${cause.message}. Nothing was sent. ${hint(cause.message)}`, { cause }));
    else resolve(null);
  }));
  return {
    name: path,
    stream: port,
    write: (bytes) => writeAtOnce(port, bytes),
    close: () => new Promise((resolve) => (port.isOpen ? port.close(() => resolve()) : resolve())),
  };
}

/**
 * Writes in the caller's turn. `port.write` alone leaves the bytes to a thread of a pool that file and crypto work may keep busy
 * for long, and a second write until the event loop comes round; so where the port has a file descriptor (not on Windows), the
 * bytes go to the system here. The descriptor does not block: what the system doesn't take goes the stream's way.
 * @param {import('serialport').SerialPort} port
 * @param {Buffer} bytes
 */
function writeAtOnce(port, bytes) {
  const fd = port.port && 'fd' in port.port ? port.port.fd : null;
  let written = 0;
  if (typeof fd === 'number' && process.platform !== 'win32' && port.writableLength === 0) {
    try {
      written = writeSync(fd, bytes);
    } catch (error) {
      if (/** @type {NodeJS.ErrnoException} */ (error).code !== 'EAGAIN') throw error;
    }
  }
  if (written < bytes.length) port.write(bytes.subarray(written));
}

/** @param {string} message of the system */
function hint(message) {
  if (/lock|busy|temporarily unavailable/i.test(message)) return 'Another program has it open: close that program.';
  if (/permission|access denied/i.test(message)) {
    return 'On Linux, add yourself to the group dialout and log in again; on Windows, close the program that has it open.';
  }
  if (/no such file|file not found|enoent/i.test(message)) return 'Check that the box is plugged in, and the name of the port.';
  return 'Check the name of the port.';
}
