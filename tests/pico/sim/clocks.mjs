// What makes the chip's clocks: oscillators, PLLs, clock generators, resets, regulator, tick of timer and watchdog.
//
// All times in the tests hold only if the image sets these up as the datasheet asks. So each rule of the datasheet that the
// image could break is an error here, and the processor runs at the clock that is really selected. Numbers in brackets are the
// datasheet's sections.

const MHZ = 1e6;
const CRYSTAL_HZ = 12 * MHZ;
const RING_HZ = 6.5 * MHZ; // nominal, after a reset (2.17.3)
const FULL_HZ = 200 * MHZ; // one cycle of the simulation
const CYCLES_PER_US = 200;
const POLL_US = 20; // to save time: a processor that only waits looks this often
const LOCK_US = 30; // assumed: the datasheet gives no figure
const REGULATOR_US = 300; // assumed for one step of the voltage
const DEFAULT_LIMIT_HZ = 133 * MHZ; // at 1.10 V (5.5.1)
const RAISED_LIMIT_HZ = 200 * MHZ; // at 1.15 V

const fail = (text) => { throw new Error(`clocks: ${text}`); };

class Registers {
  constructor(clocks, values = {}) {
    this.clocks = clocks;
    this.values = { ...values };
  }

  readUint32(offset) {
    if (!(offset in this.values)) fail(`${this.constructor.name} register ${offset.toString(16)} is not modelled`);
    return this.values[offset] >>> 0;
  }

  writeUint32Atomic(offset, value, kind) {
    const old = kind ? this.readUint32(offset) : 0;
    this.writeUint32(offset, [value, old ^ value, old | value, old & ~value][kind] >>> 0);
  }

  writeUint32(offset, value) {
    if (!(offset in this.values)) fail(`${this.constructor.name} register ${offset.toString(16)} is not modelled`);
    this.values[offset] = value;
    this.written?.(offset, value);
  }
}

/** Crystal oscillator (2.16). The crystal itself needs `settleUs` before its clock is good for anything. */
class Crystal extends Registers {
  constructor(clocks, settleUs) {
    super(clocks, { 0x00: 0, 0x04: 0, 0x0c: 0xc4 });
    this.settleUs = settleUs;
    this.since = null;
  }

  get delayUs() { // counted by the crystal itself
    const startup = this.values[0x0c];
    return ((startup & 0x3fff) * (startup & (1 << 20) ? 4 : 1) * 256) / (CRYSTAL_HZ / MHZ);
  }

  get running() {
    return this.since !== null;
  }

  get settled() { // never, where `settleUs` is Infinity
    return this.running && this.clocks.us - this.since >= this.settleUs;
  }

  readUint32(offset) {
    if (offset !== 0x04) return super.readUint32(offset);
    if (this.running) this.clocks.chip.catchUp(this.clocks.chip.cycle + POLL_US * CYCLES_PER_US);
    const stable = this.running && this.settleUs < Infinity && this.clocks.us - this.since >= this.delayUs;
    return ((stable ? 1 << 31 : 0) | (this.running ? 1 << 12 : 0)) >>> 0;
  }

  written(offset, value) {
    if (offset !== 0x00) return;
    if ((value & 0xfff) !== 0xaa0) fail('the crystal oscillator has one range, AA0');
    if (value >>> 12 === 0xfab) this.since ??= this.clocks.us;
    else if (value >>> 12 === 0xd1e) this.since = null;
    else fail('neither enabled nor disabled: the crystal oscillator ignores this');
  }
}

/** A PLL (2.18). */
class Pll extends Registers {
  constructor(clocks, name) {
    super(clocks, { 0x00: 1, 0x04: 0x2d, 0x08: 0, 0x0c: 0x77000 });
    this.name = name;
    this.since = null;
  }

  get vco() {
    return (this.clocks.referenceHz / (this.values[0x00] & 0x3f)) * this.values[0x08];
  }

  get locked() {
    return this.since !== null && this.clocks.us - this.since >= LOCK_US;
  }

  get hz() {
    if (!this.locked) fail(`${this.name} is used before it is locked`);
    if (this.values[0x04] & 8) fail(`${this.name} is used with its dividers off`);
    return this.vco / ((this.values[0x0c] >> 16) & 7) / ((this.values[0x0c] >> 12) & 7);
  }

  readUint32(offset) {
    return offset === 0x00 ? ((this.locked ? 1 << 31 : 0) | this.values[0x00]) >>> 0 : super.readUint32(offset);
  }

  written(offset, value) {
    const on = !(this.values[0x04] & 0x21);
    if (offset === 0x04 && on && this.since === null) {
      const { crystal } = this.clocks;
      if (!crystal.settled) fail(`${this.name} is started on a crystal that has not settled`);
      if (this.vco < 750 * MHZ || this.vco > 1600 * MHZ) fail(`${this.name}: its oscillator runs from 750 to 1,600 MHz only`);
      if (this.values[0x08] < 16 || this.values[0x08] > 320) fail(`${this.name}: feedback divider out of range`);
      this.since = this.clocks.us;
    }
    if (offset === 0x04 && !on) this.since = null;
    if (offset === 0x04 && !(value & 8) && !this.locked) fail(`${this.name}: dividers on before it is locked`);
    if (offset === 0x0c && !(this.values[0x04] & 8)) fail(`${this.name}: dividers changed while they are on`);
    if (offset === 0x0c && !(((value >> 16) & 7) && ((value >> 12) & 7))) fail(`${this.name}: a divider of 0`);
    if ((offset === 0x08 || offset === 0x00) && this.since !== null) fail(`${this.name}: changed while it runs`);
  }
}

/** Clock generators (2.15). */
class Generators extends Registers {
  constructor(clocks) {
    super(clocks, { 0x30: 0, 0x34: 0x100, 0x38: 1, 0x3c: 0, 0x40: 0x100, 0x44: 1, 0x54: 0, 0x58: 0x100, 0x60: 0, 0x64: 0x100 });
  }

  writeUint32(offset, value) {
    const usesAuxiliary = this.values[0x3c] & 1;
    if (offset === 0x3c && usesAuxiliary && value & 1 && (value ^ this.values[0x3c]) & 0xe0)
      fail('the auxiliary source of the system clock is changed while it is selected: a glitch');
    super.writeUint32(offset, value);
  }

  written(offset, value) {
    const { clocks } = this;
    if (offset === 0x30) {
      if ((value & 3) === 2 && !clocks.crystal.settled) fail('the chip is run from a crystal that has not settled');
      this.values[0x38] = 1 << (value & 3);
    }
    if (offset === 0x3c) this.values[0x44] = 1 << (value & 1);
    clocks.update();
  }

  get referenceHz() {
    const divider = (this.values[0x34] >> 8) & 3 || 4;
    if ((this.values[0x30] & 3) === 2) return CRYSTAL_HZ / divider;
    if ((this.values[0x30] & 3) === 0) return RING_HZ / divider;
    return fail('this source of the reference clock is not modelled');
  }

  get systemHz() {
    const control = this.values[0x3c];
    const divider = this.values[0x40] / 256 || 65536;
    if (!(control & 1)) return this.referenceHz / divider;
    if ((control >> 5) & 7) return fail('this source of the system clock is not modelled');
    return this.clocks.systemPll.hz / divider;
  }

  get adcHz() {
    const control = this.values[0x60];
    if (!(control & (1 << 11)) || control & (1 << 10)) return 0;
    if ((control >> 5) & 7) return fail('this source of the ADC clock is not modelled');
    return this.clocks.usbPll.hz / ((this.values[0x64] >> 8) & 3 || 4);
  }

  get usbHz() {
    const control = this.values[0x54];
    if (!(control & (1 << 11)) || control & (1 << 10)) return 0;
    if ((control >> 5) & 7) return fail('this source of the USB clock is not modelled');
    return this.clocks.usbPll.hz / ((this.values[0x58] >> 8) & 3 || 4);
  }
}

/** Regulator and cause of the last reset (2.10, 2.12). */
class Regulator extends Registers {
  constructor(clocks, cause) {
    super(clocks, { 0x00: 0xb1, 0x08: cause });
    this.raisedAt = null;
  }

  written(offset, value) {
    if (offset !== 0x00) return;
    const step = (value >> 4) & 15;
    if (step < 11 || step > 12) fail('a core voltage that the chip\'s maker does not give for any clock');
    this.raisedAt = step === 12 ? this.raisedAt ?? this.clocks.us : null;
  }

  get limitHz() {
    const settled = this.raisedAt !== null && this.clocks.us - this.raisedAt >= REGULATOR_US;
    return settled ? RAISED_LIMIT_HZ : DEFAULT_LIMIT_HZ;
  }
}

/** What is held in reset (2.14) can't be talked to: here it is an error. Bits and where the block lies. */
const BLOCKS = { 0: 0x4004c, 1: 0x40030, 2: 0x50000, 5: 0x40014, 8: 0x4001c, 10: 0x50200, 11: 0x50300, 12: 0x40028, 13: 0x4002c,
  21: 0x40054, 24: 0x50110 };

class Resets extends Registers {
  constructor(clocks, peripherals) {
    super(clocks, { 0x00: 0x1ffffff & ~(1 << 6) & ~(1 << 9), 0x08: 0 }); // the boot ROM has freed the flash's pins
    this.peripherals = peripherals;
    this.blocks = new Map(Object.entries(BLOCKS).map(([bit, page]) => [Number(bit), { page, real: peripherals[page] }]));
    this.written(0x00);
  }

  written(offset) {
    this.values[0x08] = 0x1ffffff & ~this.values[0x00];
    for (const [bit, { page, real }] of this.blocks) {
      const held = () => fail(`the block at ${page.toString(16)} is used while it is held in reset`);
      const inReset = this.values[0x00] & (1 << bit);
      if (inReset && (bit === 12) && this.clocks.generators.values[0x3c] & 1) fail('the PLL of the running clock is reset');
      this.peripherals[page] = inReset ? { readUint32: held, writeUint32Atomic: held } : real;
    }
  }
}

/** Priority on the bus fabric (2.1.1.1): conflicts are not modelled, so the DMA has to have the right of way. */
class BusPriority extends Registers {
  constructor(clocks) {
    super(clocks, { 0x00: 0 });
  }
}

export class Clocks {
  /** `cause`: bits of the last reset; `crystalUs`: time that the crystal takes to settle. */
  constructor(chip, { cause, crystalUs = 6000 }) {
    this.chip = chip;
    const { peripherals } = chip.rp2040;
    this.crystal = new Crystal(this, crystalUs);
    this.generators = new Generators(this);
    this.systemPll = new Pll(this, 'system PLL');
    this.usbPll = new Pll(this, 'USB PLL');
    this.regulator = new Regulator(this, cause);
    this.bus = new BusPriority(this);
    Object.assign(peripherals, { 0x40008: this.generators, 0x40024: this.crystal, 0x40028: this.systemPll,
      0x4002c: this.usbPll, 0x40030: this.bus, 0x40064: this.regulator });
    peripherals[0x4000c] = new Resets(this, peripherals);
    this.tick = 0;
    const watchdog = peripherals[0x40058];
    const write = watchdog.writeUint32.bind(watchdog);
    watchdog.writeUint32 = (offset, value) => {
      if (offset === 0x2c) this.tick = value & (1 << 9) ? value & 0x1ff : 0;
      if (offset === 0x00 && value & (1 << 30) && !this.tick) fail('the watchdog is started without a tick: it would never end');
      if (offset === 0x00 && value & (1 << 31) && peripherals[0x40010].wdsel !== 0x1fffc)
        fail('a reset by the watchdog that leaves part of the chip as it is, or stops its oscillators');
      write(offset, value);
    };
    this.update();
  }

  get us() {
    return this.chip.cycle / CYCLES_PER_US;
  }

  get referenceHz() {
    return this.generators.referenceHz;
  }

  /** Cycles of the simulation in one of the processor's. */
  update() {
    const hz = this.generators.systemHz;
    if (hz > this.regulator.limitHz) fail(`${hz / MHZ} MHz at a core voltage that is good for ${this.regulator.limitHz / MHZ}`);
    this.slowness = FULL_HZ / hz;
  }

  /** Called where something begins whose times the simulation takes for granted. */
  needFull(what) {
    if (this.slowness !== 1) fail(`${what} at ${FULL_HZ / this.slowness / MHZ} MHz, not 200`);
    this.needTick(what);
    if ((this.bus.values[0x00] & 0x1100) !== 0x1100) fail(`${what} without right of way for the DMA`);
  }

  needTick(what) {
    if (this.tick * MHZ !== this.referenceHz) fail(`${what}: the timer's tick is not 1 us`);
  }

  needUsb() {
    this.needFull('USB');
    if (this.generators.usbHz !== 48 * MHZ) fail(`USB at ${this.generators.usbHz / MHZ} MHz, not 48`);
  }
}
