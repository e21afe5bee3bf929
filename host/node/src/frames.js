// Frames: a message with its CRC, stuffed by COBS and closed by a zero byte (sections 2.1 to 2.3 of the protocol).

const LONGEST = 64; // bytes before stuffing, CRC included
const SHORTEST = 4;
const LONGEST_STUFFED = LONGEST + 1;
/** How much longer a frame is on the wire than its body: type, tag, CRC, one byte of COBS, closing zero. */
export const FRAME_OVERHEAD = 6;

const CRC_TABLE = Uint16Array.from({ length: 256 }, (_, byte) => {
  let crc = byte << 8;
  for (let bit = 0; bit < 8; bit++) crc = crc & 0x8000 ? (crc << 1) ^ 0x1dcf : crc << 1;
  return crc;
});

/**
 * CRC-16/PROFIBUS (IEC 61158-2) of some bytes.
 * @param {Uint8Array} bytes
 */
function crc16(bytes) {
  let crc = 0xffff;
  for (const byte of bytes) crc = ((crc << 8) & 0xffff) ^ CRC_TABLE[(crc >> 8) ^ byte];
  return crc ^ 0xffff;
}

/**
 * A message as it goes over the wire.
 * @param {number} type
 * @param {number} tag
 * @param {Uint8Array} body 60 bytes at most
 */
export function encode(type, tag, body) {
  const message = Buffer.alloc(body.length + 4);
  message[0] = type;
  message[1] = tag;
  message.set(body, 2);
  message.writeUInt16BE(crc16(message.subarray(0, -2)), body.length + 2);
  return stuff(message);
}

/**
 * Consistent Overhead Byte Stuffing, with the closing zero.
 * @param {Uint8Array} message 253 bytes at most
 */
function stuff(message) {
  const wire = Buffer.alloc(message.length + 2);
  let code = 0; // where the code byte of the current block stands
  for (let at = 0; at < message.length; at++) {
    if (message[at] === 0) {
      wire[code] = at + 1 - code;
      code = at + 1;
    } else {
      wire[at + 1] = message[at];
    }
  }
  wire[code] = message.length + 1 - code;
  return wire;
}

/**
 * Takes the stuffing out; null if a block is cut short.
 * @param {Uint8Array} stuffed without the closing zero
 */
function unstuff(stuffed) {
  const message = Buffer.alloc(stuffed.length - 1);
  let next = stuffed[0]; // where the next code byte stands
  for (let at = 1; at < stuffed.length; at++) {
    if (at === next) next += stuffed[at];
    else message[at - 1] = stuffed[at];
  }
  return next === stuffed.length ? message : null;
}

/** @typedef {{ type: number, tag: number, body: Buffer }} RawMessage */

/** Finds the good frames in a stream of bytes and counts the broken ones. */
export class Decoder {
  /** Broken frames so far. */
  framesBroken = 0;
  #collected = Buffer.alloc(LONGEST_STUFFED);
  #length = 0;

  /**
   * @param {Uint8Array} bytes as they came in
   * @returns {RawMessage[]} the messages that they complete
   */
  feed(bytes) {
    const found = [];
    for (const byte of bytes) {
      if (byte !== 0) {
        if (this.#length < LONGEST_STUFFED) this.#collected[this.#length] = byte;
        this.#length++;
      } else if (this.#length > 0) {
        const message = this.#close();
        if (message) found.push(message);
        else this.framesBroken++;
        this.#length = 0;
      }
    }
    return found;
  }

  #close() {
    if (this.#length > LONGEST_STUFFED) return null;
    const message = unstuff(this.#collected.subarray(0, this.#length));
    if (!message || message.length < SHORTEST) return null;
    const end = message.length - 2;
    if (crc16(message.subarray(0, end)) !== message.readUInt16BE(end)) return null;
    return { type: message[0], tag: message[1], body: message.subarray(2, end) };
  }
}
