// The RP2040's USB controller in device mode, as its datasheet has it, one bus transaction at a time.
//
// It takes the place of rp2040js's model, which hands packets over without a host asking for them and checks little. What a
// chip might get away with on a good day is an error here: a buffer handed over too soon after its control word changed, or
// before its endpoint is enabled; one that is changed while the controller owns it; a bulk IN armed where erratum RP2040-E15
// can strike; registers that this port has no reason to touch.

const ADDRESS = 0x00, MAIN = 0x40, SOF_READ = 0x48, SIE_CTRL = 0x4c, SIE_STATUS = 0x50, BUFF_STATUS = 0x58, ABORT = 0x60, ABORT_DONE = 0x64,
  STALL_ARM = 0x68, MUXING = 0x74, POWER = 0x78, INTR = 0x8c, INTE = 0x90, INTS = 0x98;
const FULL = 1 << 15, DATA1 = 1 << 13, STALL = 1 << 11, READY = 1 << 10, LENGTH = 0x3ff;
const PULL_UP = 1 << 16;
const SIE_RESET = 1 << 19, SIE_SETUP = 1 << 17, SIE_SUSPENDED = 1 << 4,
  SIE_SEQUENCE = 1 << 31;
const INT_BUFFERS = 1 << 4, INT_RESET = 1 << 12, INT_SETUP = 1 << 16,
  INT_SOF = 1 << 17;
const KIND_BULK = 2;
const FRAME_CYCLES = 200000; // 1 ms
const CRITICAL_US = [800, 998]; // after a start of frame, as the open USB stacks for this chip have it (erratum RP2040-E15)
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
    this.abortDone = 0;
    this.active = 0; // endpoints in the middle of a transaction, as bits of BUFF_STATUS
    this.sof = false;
    this.frame = 0;
    this.frameStart = -Infinity; // cycle of the last start of frame
    this.frames = chip.rp2040.clock.createAlarm(() => this.startOfFrame());
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
      (this.sieStatus & SIE_SETUP ? INT_SETUP : 0) | (this.sof ? INT_SOF : 0);
    return raw & this.get(INTE);
  }

  update() {
    this.chip.rp2040.setInterrupt(IRQ_USB, this.ints !== 0);
  }

  readUint32(offset) {
    switch (offset) {
      case SIE_STATUS: return this.sieStatus >>> 0;
      case BUFF_STATUS: return this.buffStatus >>> 0;
      case ABORT: return this.abort;
      case ABORT_DONE: return this.abortDone;
      case SOF_READ:
        this.sof = false;
        this.update();
        return this.frame;
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
      case ABORT:
        this.abort = whole;
        this.abortIdle();
        break;
      case ABORT_DONE: this.abortDone &= ~value; break; // write ones to clear
      case STALL_ARM: this.stallArm = whole; break;
      case ADDRESS: case MAIN: case SIE_CTRL: case MUXING: case POWER: case INTE: this.registers.set(offset, whole); break;
      default: throw new Error(`USB register ${offset.toString(16)} is not modelled`);
    }
    this.update();
  }

  writeUint32(offset, value) {
    this.writeUint32Atomic(offset, value, 0);
  }

  /** An abort is done once the transaction under way, if there is one, is over. */
  abortIdle() {
    this.abortDone |= this.abort & ~this.active;
  }

  /** A word of the controller's memory was written by the processor. */
  DPRAMUpdated(offset, value) {
    if (offset >= 0x180) {
      for (let at = 0x88; at < 0x100; at += 4) {
        const { buffer } = this.endpoint((at - 0x80) >> 3, !(at & 4));
        if (this.settled.get(at)?.owned && offset >= buffer && offset < buffer + 64) throw new Error('a packet changed while the controller owns it');
      }
    }
    if (offset < 0x80 || offset >= 0x100) return;
    const number = (offset - 0x80) >> 3;
    const isIn = !(offset & 4);
    const { bit, enabled, kind } = this.endpoint(number, isIn);
    const plain = value & ~READY;
    const before = this.settled.get(offset);
    if (before?.owned && !(this.abortDone & bit)) throw new Error(`buffer ${offset.toString(16)} changed while the controller owns it`);
    const owned = Boolean(value & READY);
    if (before?.plain !== plain) this.settled.set(offset, { plain, cycle: this.chip.cycle, owned });
    else before.owned = owned;
    if (value & STALL) this.chip.stopAt = this.chip.cycle; // somebody may be waiting for this
    if (!owned) return;
    if (before?.plain !== plain || this.chip.cycle - before.cycle < HAND_OVER_CYCLES)
      throw new Error(`buffer ${offset.toString(16)} handed over before its control word was stable`);
    if (value >>> 16) throw new Error('double buffers are not used by this port');
    if (number && !enabled) throw new Error(`endpoint ${number} armed, not enabled`);
    const us = (this.chip.cycle - this.frameStart) / 200;
    if (isIn && number && kind === KIND_BULK && us >= CRITICAL_US[0] && us <= CRITICAL_US[1])
      throw new Error(`bulk IN armed ${us} us after the start of its frame: the controller may hang (erratum RP2040-E15)`);
    this.chip.stopAt = this.chip.cycle;
  }

  endpoint(number, isIn) {
    const at = 0x80 + 8 * number + (isIn ? 0 : 4);
    if (number === 0) return { at, enabled: true, buffer: 0x100, bit: isIn ? 1 : 2, kind: 0, interrupt: this.get(SIE_CTRL) & (1 << 29) };
    const control = this.memory.getUint32(8 * number + (isIn ? 0 : 4), true);
    return { at, enabled: Boolean(control & (1 << 31)), buffer: control & 0xffc0, bit: 1 << (2 * number + (isIn ? 0 : 1)),
      interrupt: control & (1 << 29), kind: (control >> 26) & 3 };
  }

  done(endpoint, control) {
    this.memory.setUint32(endpoint.at, control & ~READY, true);
    this.settled.set(endpoint.at, { plain: control & ~READY, cycle: this.chip.cycle, owned: false });
    if (endpoint.interrupt) this.buffStatus |= endpoint.bit;
    this.update();
  }

  /** Ends a transaction that began with `begin`, one way or the other. */
  end({ bit }) {
    this.active &= ~bit;
    this.abortIdle();
  }

  listens(address) {
    return this.attached && this.get(ADDRESS) === address;
  }

  // What the host does -------------------------------------------------------------------------------------------------

  /** Frames begin after a reset, and stop while the bus sleeps. */
  busReset(lastsCycles = 0) {
    this.sieStatus |= SIE_RESET;
    this.active = 0;
    this.abortIdle();
    this.frames.cancel();
    this.frameStart = -Infinity;
    this.frames.schedule((lastsCycles + 1) * 5);
    this.update();
  }

  sleep(on) {
    this.sieStatus = on ? this.sieStatus | SIE_SUSPENDED : this.sieStatus & ~SIE_SUSPENDED;
    this.frames.cancel();
    if (!on) this.frames.schedule(5);
  }

  startOfFrame() {
    this.frameStart = Math.round(this.chip.rp2040.clock.nanos / 5);
    this.frame = (this.frame + 1) & 0x7ff;
    this.sof = true;
    this.frames.schedule(FRAME_CYCLES * 5);
    this.update();
  }

  /** Returns whether the device answered; a SETUP is never refused, and changes nothing of what is armed. */
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

  /** What the device does about a token: {silent}, {stall}, {nak}, or the endpoint, which is in a transaction from now on. */
  begin(address, number, isIn) {
    const endpoint = this.endpoint(number, isIn);
    if (!this.listens(address) || !endpoint.enabled) return { silent: true };
    const control = this.memory.getUint32(endpoint.at, true);
    if (control & STALL && (number || this.stallArm & (isIn ? 1 : 2))) return { stall: true };
    if (!(control & READY) || this.abort & endpoint.bit) return { nak: true };
    if (isIn !== Boolean(control & FULL)) throw new Error(`endpoint ${number}: a buffer that is ${isIn ? 'not ' : ''}full`);
    this.active |= endpoint.bit;
    return { ...endpoint, control };
  }

  /** An IN token: as `begin`, with {data, toggle}; `endIn` has to follow when the packet is over. */
  beginIn(address, number) {
    const answer = this.begin(address, number, true);
    if (answer.control === undefined) return answer;
    const data = Uint8Array.from({ length: answer.control & LENGTH }, (_, n) => this.memory.getUint8(answer.buffer + n));
    return { ...answer, data, toggle: answer.control & DATA1 ? 1 : 0 };
  }

  /** The host's handshake, or none with `ack` false: then the buffer stays ready. */
  endIn(transaction, ack) {
    if (ack) this.done(transaction, transaction.control & ~FULL);
    this.end(transaction);
  }

  /** The end of an OUT packet: {ack}, or {ack, repeated} for a packet with the wrong toggle, which is not read. */
  endOut(transaction, data, toggle) {
    const { control, buffer } = transaction;
    if (toggle !== (control & DATA1 ? 1 : 0)) {
      this.sieStatus |= SIE_SEQUENCE;
      this.end(transaction);
      return { ack: true, repeated: true };
    }
    if (data.length > (control & LENGTH)) throw new Error('a packet longer than its buffer');
    data.forEach((byte, n) => this.memory.setUint8(buffer + n, byte));
    this.done(transaction, (control & ~LENGTH) | FULL | data.length);
    this.end(transaction);
    return { ack: true };
  }
}
