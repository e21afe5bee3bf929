// The RP2040's USB controller in device mode, as its datasheet has it, one bus transaction at a time.
//
// It takes the place of rp2040js's model, which hands packets over without a host asking for them and checks little. What a
// chip might get away with on a good day is an error here: a buffer handed over too soon after its control word changed, or
// before its endpoint is enabled, or registers that this port has no reason to touch.

const ADDRESS = 0x00, MAIN = 0x40, SIE_CTRL = 0x4c, SIE_STATUS = 0x50, BUFF_STATUS = 0x58, ABORT = 0x60, ABORT_DONE = 0x64,
  STALL_ARM = 0x68, MUXING = 0x74, POWER = 0x78, INTR = 0x8c, INTE = 0x90, INTS = 0x98;
const FULL = 1 << 15, DATA1 = 1 << 13, STALL = 1 << 11, READY = 1 << 10, LENGTH = 0x3ff;
const PULL_UP = 1 << 16;
const SIE_RESET = 1 << 19, SIE_SETUP = 1 << 17, SIE_SEQUENCE = 1 << 31;
const INT_BUFFERS = 1 << 4, INT_RESET = 1 << 12, INT_SETUP = 1 << 16;
const IRQ_USB = 5;
const HAND_OVER_CYCLES = 18 /* three of the controller's 48 MHz cycles, and then some */;

export class UsbController {
  constructor(chip) {
    this.chip = chip;
    this.memory = chip.rp2040.usbDPRAMView;
    chip.rp2040.usbDPRAM.fill(0xa5); // whatever was there before
    this.registers = new Map();
    this.sieStatus = 0;
    this.buffStatus = 0;
    this.stallArm = 0;
    this.abort = 0;
    this.settled = new Map(); // control word without READY -> the cycle at which it was written
  }

  get(offset) {
    return this.registers.get(offset) ?? 0;
  }

  get attached() {
    return Boolean(this.get(SIE_CTRL) & PULL_UP && this.get(MAIN) & 1 && (this.get(MUXING) & 9) === 9 && (this.get(POWER) & 12) === 12);
  }

  get ints() {
    const raw = (this.buffStatus ? INT_BUFFERS : 0) | (this.sieStatus & SIE_RESET ? INT_RESET : 0) |
      (this.sieStatus & SIE_SETUP ? INT_SETUP : 0);
    return raw & this.get(INTE);
  }

  update() {
    this.chip.rp2040.setInterrupt(IRQ_USB, this.ints !== 0);
  }

  readUint32(offset) {
    switch (offset) {
      case SIE_STATUS: return this.sieStatus >>> 0;
      case BUFF_STATUS: return this.buffStatus >>> 0;
      case ABORT: case ABORT_DONE: return this.abort; // over at once
      case STALL_ARM: return this.stallArm;
      case INTR: case INTS: return this.ints;
      case ADDRESS: case MAIN: case SIE_CTRL: case MUXING: case POWER: case INTE: return this.get(offset);
      default: throw new Error(`USB register ${offset.toString(16)} is not modelled`);
    }
  }

  writeUint32Atomic(offset, value, kind) {
    const old = kind === 0 ? 0 : this.readUint32(offset);
    const whole = [value, old ^ value, old | value, old & ~value][kind];
    if (offset === SIE_CTRL && whole & PULL_UP) this.chip.clocks.needUsb();
    switch (offset) {
      case SIE_STATUS: this.sieStatus &= ~value; break; // write ones to clear
      case BUFF_STATUS: this.buffStatus &= ~value; break;
      case ABORT: this.abort = whole; break;
      case ABORT_DONE: break;
      case STALL_ARM: this.stallArm = whole; break;
      case ADDRESS: case MAIN: case SIE_CTRL: case MUXING: case POWER: case INTE: this.registers.set(offset, whole); break;
      default: throw new Error(`USB register ${offset.toString(16)} is not modelled`);
    }
    this.update();
  }

  writeUint32(offset, value) {
    this.writeUint32Atomic(offset, value, 0);
  }

  /** A word of the controller's memory was written by the processor. */
  DPRAMUpdated(offset, value) {
    if (offset < 0x80 || offset >= 0x100) return;
    const plain = value & ~READY;
    const before = this.settled.get(offset);
    if (before?.plain !== plain) this.settled.set(offset, { plain, cycle: this.chip.cycle });
    if (value & STALL) this.chip.stopAt = this.chip.cycle; // somebody may be waiting for this
    if (!(value & READY)) return;
    if (before?.plain !== plain || this.chip.cycle - before.cycle < HAND_OVER_CYCLES)
      throw new Error(`buffer ${offset.toString(16)} handed over before its control word was stable`);
    if (value >>> 16) throw new Error('double buffers are not used by this port');
    const endpoint = (offset - 0x80) >> 3;
    if (endpoint && !this.endpoint(endpoint, !(offset & 4)).enabled) throw new Error(`endpoint ${endpoint} armed, not enabled`);
    this.chip.stopAt = this.chip.cycle;
  }

  endpoint(number, isIn) {
    const at = 0x80 + 8 * number + (isIn ? 0 : 4);
    if (number === 0) return { at, enabled: true, buffer: 0x100, bit: isIn ? 1 : 2, interrupt: this.get(SIE_CTRL) & (1 << 29) };
    const control = this.memory.getUint32(8 * number + (isIn ? 0 : 4), true);
    return { at, enabled: Boolean(control & (1 << 31)), buffer: control & 0xffc0, bit: 1 << (2 * number + (isIn ? 0 : 1)),
      interrupt: control & (1 << 29), kind: (control >> 26) & 3 };
  }

  done(endpoint, control) {
    this.memory.setUint32(endpoint.at, control & ~READY, true);
    this.settled.set(endpoint.at, { plain: control & ~READY, cycle: this.chip.cycle });
    if (endpoint.interrupt) this.buffStatus |= endpoint.bit;
    this.update();
  }

  listens(address) {
    return this.attached && this.get(ADDRESS) === address;
  }

  // What the host does -------------------------------------------------------------------------------------------------

  busReset() {
    this.sieStatus |= SIE_RESET;
    this.update();
  }

  /** Returns whether the device answered; a SETUP is never refused. */
  setup(address, bytes) {
    if (!this.listens(address)) return false;
    bytes.forEach((byte, n) => this.memory.setUint8(n, byte));
    this.stallArm = 0;
    this.sieStatus |= SIE_SETUP;
    this.update();
    return true;
  }

  isReady(number, isIn) {
    const endpoint = this.endpoint(number, isIn);
    const control = this.memory.getUint32(endpoint.at, true);
    const stalls = control & STALL && (number || this.stallArm & (isIn ? 1 : 2));
    return Boolean(endpoint.enabled && (control & READY || stalls));
  }

  /** One IN token: {nak}, {stall}, {silent} or {data, toggle}. With `ack` false the host's handshake is lost. */
  in(address, number, ack = true) {
    const endpoint = this.endpoint(number, true);
    if (!this.listens(address) || !endpoint.enabled) return { silent: true };
    const control = this.memory.getUint32(endpoint.at, true);
    if (control & STALL && (number || this.stallArm & 1)) return { stall: true };
    if (!(control & READY)) return { nak: true };
    if (!(control & FULL)) throw new Error(`endpoint ${number} hands over a packet that is not full`);
    const length = control & LENGTH;
    const data = Uint8Array.from({ length }, (_, n) => this.memory.getUint8(endpoint.buffer + n));
    if (ack) this.done(endpoint, control & ~FULL);
    return { data, toggle: control & DATA1 ? 1 : 0 };
  }

  /** One OUT token with its packet: {ack}, {nak}, {stall} or {silent}. A packet with the wrong toggle is confirmed, unread. */
  out(address, number, data, toggle) {
    const endpoint = this.endpoint(number, false);
    if (!this.listens(address) || !endpoint.enabled) return { silent: true };
    const control = this.memory.getUint32(endpoint.at, true);
    if (control & STALL && (number || this.stallArm & 2)) return { stall: true };
    if (!(control & READY)) return { nak: true };
    if (control & FULL) throw new Error(`endpoint ${number} expects a packet in a full buffer`);
    if (toggle !== (control & DATA1 ? 1 : 0)) {
      this.sieStatus |= SIE_SEQUENCE;
      return { ack: true, repeated: true };
    }
    if (data.length > (control & LENGTH)) throw new Error(`endpoint ${number}: packet longer than its buffer`);
    data.forEach((byte, n) => this.memory.setUint8(endpoint.buffer + n, byte));
    this.done(endpoint, (control & ~LENGTH) | FULL | data.length);
    return { ack: true };
  }
}
