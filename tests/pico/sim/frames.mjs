// Frames of the protocol, for tests that talk to the image without the host library.

export function crc16(bytes) {
  let crc = 0xffff;
  for (const byte of bytes) {
    crc ^= byte << 8;
    for (let bit = 0; bit < 8; bit++) crc = crc & 0x8000 ? ((crc << 1) ^ 0x1dcf) & 0xffff : (crc << 1) & 0xffff;
  }
  return crc ^ 0xffff;
}

export function frame(type, tag, body = []) {
  const message = [type, tag, ...body];
  const crc = crc16(message);
  const wire = [];
  let block = [];
  for (const byte of [...message, crc >> 8, crc & 255, 0]) {
    if (byte) block.push(byte);
    else {
      wire.push(block.length + 1, ...block);
      block = [];
    }
  }
  return [...wire, 0];
}

/** Splits what came into messages {type, tag, body}; throws on a frame that is not whole. */
export function messages(bytes) {
  const found = [];
  let wire = [];
  for (const byte of bytes) {
    if (byte) {
      wire.push(byte);
      continue;
    }
    if (!wire.length) continue;
    const plain = [];
    for (let at = 0; at < wire.length; at += wire[at]) {
      plain.push(...wire.slice(at + 1, at + wire[at]), 0);
      if (at + wire[at] > wire.length) throw new Error('broken block');
    }
    plain.pop();
    const crc = (plain.at(-2) << 8) | plain.at(-1);
    if (crc16(plain.slice(0, -2)) !== crc) throw new Error(`broken frame ${plain}`);
    found.push({ type: plain[0], tag: plain[1], body: Uint8Array.from(plain.slice(2, -2)) });
    wire = [];
  }
  if (wire.length) throw new Error('the last frame is not closed');
  return found;
}

export const u16 = (n) => [n & 255, (n >> 8) & 255];
export const u32 = (n) => [n & 255, (n >>> 8) & 255, (n >>> 16) & 255, (n >>> 24) & 255];
export const readU64 = (body, at = 0) => Number(new DataView(body.buffer, body.byteOffset).getBigUint64(at, true));
export const readU32 = (body, at = 0) => new DataView(body.buffer, body.byteOffset).getUint32(at, true);

/** Types from here on are notices, whose tag is their number. */
export const NOTICES = 0xc0;

/** The body of `edges`: the number of its first entry, how many were lost before, and [time, levels] of each. */
export function readEdges(body) {
  const entries = [];
  for (let at = 5; at < body.length; at += 10) entries.push([readU64(body, at), body[at + 9]]);
  return { first: readU32(body, 0), lost: body[4], entries };
}
