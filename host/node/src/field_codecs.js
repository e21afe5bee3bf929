// How fields lie in the body of a message: little-endian numbers and a few kinds of bytes.

/**
 * How one kind of field is written and read.
 * @typedef {object} FieldKind
 * @property {number} size bytes
 * @property {(body: Buffer, at: number, value: any) => void} write
 * @property {(body: Buffer, at: number) => any} read
 */

/** @typedef {readonly (readonly [name: string, kind: FieldKind])[]} Layout */

/** @type {FieldKind} */
export const u8 = {
  size: 1,
  write: (body, at, value) => body.writeUInt8(value, at),
  read: (body, at) => body.readUInt8(at),
};

/** @type {FieldKind} */
export const u16 = {
  size: 2,
  write: (body, at, value) => body.writeUInt16LE(value, at),
  read: (body, at) => body.readUInt16LE(at),
};

/** @type {FieldKind} */
export const u32 = {
  size: 4,
  write: (body, at, value) => body.writeUInt32LE(value, at),
  read: (body, at) => body.readUInt32LE(at),
};

/**
 * A BigInt here, since the field has 64 bits; the classes above hand out Numbers (see `microseconds`).
 * @type {FieldKind}
 */
export const u64 = {
  size: 8,
  write: (body, at, value) => body.writeBigUInt64LE(BigInt(value), at),
  read: (body, at) => body.readBigUInt64LE(at),
};

/** A text of up to 16 characters, padded with zeros. @type {FieldKind} */
export const name16 = {
  size: 16,
  write: (body, at, value) => body.write(value, at, 16, 'latin1'),
  read: (body, at) => body.toString('latin1', at, at + 16).replace(/\0+$/, ''),
};

/** A serial number of eight bytes, as a hexadecimal text. @type {FieldKind} */
export const serial8 = {
  size: 8,
  write: (body, at, value) => body.write(value, at, 8, 'hex'),
  read: (body, at) => body.toString('hex', at, at + 8),
};

/** A version of three numbers. @type {FieldKind} */
export const version3 = {
  size: 3,
  write: (body, at, value) => body.set(value, at),
  read: (body, at) => [...body.subarray(at, at + 3)],
};

/**
 * A field that is a record of fields.
 * @param {Layout} layout
 * @returns {FieldKind}
 */
export function record(layout) {
  return {
    size: sizeOf(layout),
    write: (body, at, value) => write(layout, body, at, value),
    read: (body, at) => read(layout, body, at),
  };
}

/** @param {Layout} layout */
export function sizeOf(layout) {
  return layout.reduce((sum, [, kind]) => sum + kind.size, 0);
}

/**
 * @param {Layout} layout
 * @param {Buffer} body
 * @param {number} at
 * @param {Record<string, any>} fields
 */
export function write(layout, body, at, fields) {
  for (const [name, kind] of layout) {
    kind.write(body, at, fields[name]);
    at += kind.size;
  }
}

/**
 * @param {Layout} layout
 * @param {Buffer} body
 * @param {number} [at]
 * @returns {Record<string, any>}
 */
export function read(layout, body, at = 0) {
  /** @type {Record<string, any>} */
  const fields = {};
  for (const [name, kind] of layout) {
    fields[name] = kind.read(body, at);
    at += kind.size;
  }
  return fields;
}

/**
 * A box time as a Number of microseconds, exact up to 2^53 µs (285 years). A Number, because people subtract times, average
 * them and write them as JSON, all of which a BigInt makes hard or forbids.
 * @param {bigint} time
 */
export function microseconds(time) {
  return Number(time);
}
