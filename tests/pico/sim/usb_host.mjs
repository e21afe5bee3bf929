// A USB host that believes nothing: it enumerates the device as USB 2.0 chapter 9 says, checks every answer, keeps the data
// toggles itself, and lets each transaction take the time that it takes on a full-speed bus.

const FRAME_END_BYTES = 6; // no transaction reaches into the end of a frame, or begins before its start is sent
const BYTE_CYCLES = (8 / 12) * 200; // a byte on the bus, in cycles of the chip
const OVERHEAD = { setup: 21, data: 13, token: 3 }; // bytes of token, handshake and pauses of a transaction
const FRAME_CYCLES = 200000;
const CONTROL_LIMIT_US = 500000; // longest a device may take for a stage (9.2.6.4)

const RESET_US = 10000;

export class Stall extends Error {}
export class UsbError extends Error {}

export class UsbHost {
  constructor(chip) {
    this.plug(chip);
  }

  plug(chip) {
    this.chip = chip;
    this.forget();
  }

  forget() {
    this.address = 0;
    this.toggles = { in: {}, out: {} };
    this.busy = 0;
  }

  spend(bytes) {
    const until = this.chip.cycle + Math.round(bytes * BYTE_CYCLES);
    while (this.chip.cycle < until) this.chip.run(until);
  }

  /** Waits for the next frame where this one has no room for a transaction of so many bytes. */
  fit(bytes) {
    const { usb } = this.chip;
    const left = usb.frameStart + FRAME_CYCLES - this.chip.cycle;
    if (left >= (bytes + FRAME_END_BYTES) * BYTE_CYCLES || left < 0) return;
    const until = this.chip.cycle + left + Math.round(FRAME_END_BYTES * BYTE_CYCLES);
    while (this.chip.cycle < until) this.chip.run(until);
  }

  need(condition, text) {
    if (!condition) throw new UsbError(text);
  }

  /** Waits for the device's pull-up, then resets the bus. */
  attach(limitUs = 100000) {
    const end = this.chip.us + limitUs;
    while (!this.chip.usb.attached) {
      this.need(this.chip.us < end, 'the device never attached itself');
      this.chip.runUs(100);
    }
    this.busReset();
  }

  busReset() {
    this.chip.usb.busReset(RESET_US * 200);
    this.forget();
    this.chip.runUs(RESET_US);
  }

  /** Runs until the endpoint has something to say, or the limit has passed. */
  waitReady(number, isIn, limitUs) {
    const until = this.chip.cycle + Math.round(limitUs * 200);
    while (!this.chip.usb.isReady(number, isIn) && this.chip.cycle < until) this.chip.run(until);
    return this.chip.usb.isReady(number, isIn);
  }

  /** One packet, or null where the device had none before the limit. */
  in(number, limitUs = CONTROL_LIMIT_US, ack = true) {
    const end = this.chip.us + limitUs;
    const { usb } = this.chip;
    let answer;
    do {
      const ready = this.waitReady(number, true, end - this.chip.us);
      this.fit(OVERHEAD.data + 64);
      this.spend(OVERHEAD.token);
      answer = usb.beginIn(this.address, number);
      this.need(!answer.silent, `endpoint ${number} IN is silent`);
      if (answer.stall) throw new Stall(`endpoint ${number} IN stalls`);
      if (answer.nak) this.spend(OVERHEAD.token);
      if (!ready && answer.nak) return null;
    } while (answer.nak);
    this.spend(OVERHEAD.data - OVERHEAD.token + answer.data.length);
    usb.endIn(answer, ack);
    const expected = this.toggles.in[number] ?? 0;
    if (answer.toggle !== expected) throw new UsbError(`endpoint ${number} IN: DATA${answer.toggle} for DATA${expected}`);
    if (ack) this.toggles.in[number] = 1 - expected;
    return answer.data;
  }

  /** One packet; false if the device was busy for all that time. The packet counts when the transaction is over. */
  out(number, data, limitUs = CONTROL_LIMIT_US) {
    const toggle = this.toggles.out[number] ?? 0;
    const end = this.chip.us + limitUs;
    const { usb } = this.chip;
    for (;;) {
      const ready = this.waitReady(number, false, end - this.chip.us);
      this.fit(OVERHEAD.data + data.length);
      this.spend(OVERHEAD.token);
      const begun = usb.begin(this.address, number, false);
      this.spend(OVERHEAD.data - OVERHEAD.token + data.length);
      this.need(!begun.silent, `endpoint ${number} OUT is silent`);
      if (begun.stall) throw new Stall(`endpoint ${number} OUT stalls`);
      if (begun.nak && ready) continue;
      if (begun.nak) return false;
      this.need(!usb.endOut(begun, data, toggle).repeated, `endpoint ${number} OUT expected the other data toggle`);
      this.toggles.out[number] = 1 - toggle;
      return true;
    }
  }

  /** A control transfer. Returns the data of the device; throws Stall where it refuses. */
  control(type, request, value, index, lengthOrData = 0) {
    const isIn = Boolean(type & 0x80);
    const data = isIn ? null : Uint8Array.from(lengthOrData || []);
    const length = isIn ? lengthOrData : data.length;
    this.fit(OVERHEAD.setup);
    this.spend(OVERHEAD.setup);
    const setup = [type, request, value & 255, value >> 8, index & 255, index >> 8, length & 255, length >> 8];
    this.need(this.chip.usb.setup(this.address, setup), 'no answer to SETUP');
    this.toggles.in[0] = this.toggles.out[0] = 1;
    let received = [];
    if (isIn && length) {
      for (;;) {
        const packet = this.in(0);
        this.need(packet !== null, 'control data did not come within 500 ms');
        received.push(...packet);
        this.need(received.length <= length, 'more control data than asked for');
        if (packet.length < 64 || received.length === length) break;
      }
      this.toggles.out[0] = 1;
      this.need(this.out(0, []), 'status stage was not taken');
    } else {
      for (let at = 0; at < length; at += 64) this.need(this.out(0, data.subarray(at, at + 64)), 'control data not taken');
      this.toggles.in[0] = 1;
      const status = this.in(0);
      this.need(status !== null && status.length === 0, 'status stage is not an empty packet');
    }
    return Uint8Array.from(received);
  }

  stalls(...request) {
    try {
      this.control(...request);
    } catch (error) {
      if (error instanceof Stall) return true;
      throw error;
    }
    return false;
  }

  string(index) {
    if (index === 0) return '';
    const bytes = this.control(0x80, 6, 0x0300 | index, 0x0409, 255);
    this.need(bytes[0] === bytes.length && bytes[1] === 3 && bytes.length % 2 === 0, `string ${index} is malformed`);
    return new TextDecoder('utf-16le').decode(bytes.subarray(2));
  }

  /** As the common systems do: eight bytes of the descriptor, reset, address, all of it, configuration. */
  enumerate() {
    this.attach();
    const start = this.control(0x80, 6, 0x0100, 0, 8);
    this.need(start.length === 8 && start[7] === 64, 'first eight bytes of the device descriptor');
    this.busReset();
    this.control(0x00, 5, 7, 0);
    this.chip.runUs(2000); // SetAddress recovery
    this.address = 7;
    const device = this.control(0x80, 6, 0x0100, 0, 18);
    const head = this.control(0x80, 6, 0x0200, 0, 9);
    const total = head[2] | (head[3] << 8);
    const configuration = this.control(0x80, 6, 0x0200, 0, total);
    this.need(configuration.length === total, 'configuration is shorter than it says');
    this.configure(configuration[5]);
    return { device, configuration };
  }

  configure(value) {
    this.control(0x00, 9, value, 0);
    this.toggles = { in: {}, out: {} };
  }

  /** Opens (or closes) a port, as an operating system does for a program. */
  open(controlInterface, on = true) {
    this.control(0x21, 0x22, on ? 3 : 0, controlInterface);
    this.chip.runUs(50);
  }

  /** Sends bytes in packets, for as long as it takes. `empty` ends a full last packet. */
  send(number, bytes, limitUs = CONTROL_LIMIT_US) {
    for (let at = 0; at < bytes.length; at += 64)
      this.need(this.out(number, bytes.slice(at, at + 64), limitUs), `endpoint ${number} took nothing for ${limitUs} us`);
  }

  /** Everything that comes until the device is silent for `quietUs`. */
  receive(number, quietUs = 200) {
    const bytes = [];
    for (let packet = this.in(number, quietUs); packet; packet = this.in(number, quietUs)) bytes.push(...packet);
    return Uint8Array.from(bytes);
  }
}
