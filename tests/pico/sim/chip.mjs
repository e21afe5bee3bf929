// An RP2040 that runs our image: rp2040js, put right where it is more lenient or less exact than the chip.
//
// Time is counted in cycles of the 200 MHz system clock. Not modelled: waits for the flash (the program runs from RAM),
// conflicts on the bus (each DMA transfer takes 8 cycles here instead), analogue anything.

import { readFileSync } from 'node:fs';
import { RP2040, LogLevel, ConsoleLogger } from 'rp2040js';
import { Adc } from './adc.mjs';
import { Clocks } from './clocks.mjs';
import { fixDma } from './dma.mjs';
import { Flash } from './flash.mjs';
import { PioClock } from './pio.mjs';
import { Timer } from './timer.mjs';
import { UsbController } from './usb_controller.mjs';

export const CYCLES_PER_US = 200;
const NS_PER_CYCLE = 5;
const JUMP_TO_ITSELF = 0xe7fe; // with interrupts masked: hangs for good
const BOOT_RAM = 0x20041f00;
const FLASH_SIZE = 2 * 1024 * 1024;

export const CAUSE = { power: 1 << 8, pin: 1 << 16 };

/** The bytes of a UF2 file, each block checked, as an image of the flash. */
export function readUf2(path) {
  const file = readFileSync(path);
  const flash = new Uint8Array(FLASH_SIZE).fill(0xff);
  const blocks = file.length / 512;
  for (let n = 0; n < blocks; n++) {
    const block = file.subarray(n * 512, n * 512 + 512);
    const words = [0, 4, 8, 12, 16, 20, 24, 28, 508].map((at) => block.readUInt32LE(at));
    const [magic0, magic1, flags, address, size, number, count, family, end] = words;
    if (magic0 !== 0x0a324655 || magic1 !== 0x9e5d5157 || end !== 0x0ab16f30) throw new Error(`UF2 block ${n}: no magic`);
    if (!(flags & 0x2000) || family !== 0xe48bff56) throw new Error(`UF2 block ${n}: not for the RP2040`);
    if (number !== n || count !== blocks || size !== 256) throw new Error(`UF2 block ${n}: wrong number or size`);
    flash.set(block.subarray(32, 32 + size), address - 0x10000000);
  }
  return flash;
}

const ALARM1_EXCEPTION = 16 + 1; // it puts out what is due, at any time
const USB_EXCEPTION = 16 + 5; // it takes packets in while the loop works for probes
const EXCEPTION_CYCLES = 15; // entry and return of a Cortex-M0+, each; none in rp2040js

export class Chip {
  static deadline = Infinity; // of this process's use of the processor, in microseconds: a busy computer does not count

  /**
   * `flash`: its bytes, kept by the caller. `reset`: CAUSE.power or .pin. `wiring(levels, cycle)`: what the readback inputs
   * see of the lines; `pulls`: levels of lines that nobody drives, as the board's resistors hold them; `crystalUs`: how long the crystal takes to settle; `jumpLoops: false` steps through every round of the
   * counting loops.
   */
  constructor({ flash, serial, reset = CAUSE.power, wiring, pulls = 0, jumpLoops = true, cutAfter, scratch, watchdog = 0, crystalUs, dmaWriteCycles }) {
    this.cycle = 0;
    this.edges = []; // [cycle, levels of the eight lines], the first entry at the start
    this.drives = [[0, 0]]; // [cycle, lines that are driven], likewise
    this.events = [];
    this.pulls = pulls;
    this.wiring = wiring ?? ((levels) => levels);
    this.rp2040 = new RP2040();
    this.rp2040.logger = new ConsoleLogger(LogLevel.Error, true);
    this.stolen = 0; // cycles of exceptions that no instruction has
    this.fixCore();
    fixDma(this.rp2040.dma, dmaWriteCycles);
    this.flash = new Flash(this, { bytes: flash, serial: serial ?? [0xe6, 0x61, 0x38, 0x52, 0x83, 0x4b, 0x22, 0x2f], cutAfter });
    this.pio = this.rp2040.pio.map((pio) => new PioClock(pio, () => this.cycle, { jumpLoops, onStart: () => this.clocks.needFull('PIO') }));
    this.usb = new UsbController(this);
    this.rp2040.usbCtrl = this.usb;
    this.rp2040.peripherals[0x50110] = this.usb;
    this.timer = new Timer(this.rp2040, (what) => this.clocks.needTick(what));
    this.rp2040.peripherals[0x40054] = this.timer;
    this.clocks = new Clocks(this, { cause: reset, crystalUs });
    this.analog = () => 0; // (input, cycle) => level, 0 to 4095: GP26 and GP27 are inputs 0 and 1
    this.adc = new Adc(this);
    this.watchLines();
    this.watchWatchdog(scratch, watchdog);
    this.boot();
  }

  /** The image restarts the chip, one way or the other: it runs no further. */
  event(what) {
    this.events.push({ what, cycle: this.cycle });
    this.halted = true;
    this.stopAt = this.cycle;
  }

  /** A masked interrupt ends a sleep without being taken; rp2040js takes it. */
  fixCore() {
    const { core } = this.rp2040;
    const check = core.checkForInterrupts.bind(core);
    core.checkForInterrupts = () => {
      if (core.PM) {
        core.interruptsUpdated = true; // look again once they are allowed
        return false;
      }
      const sleeping = core.waiting;
      core.waiting = false;
      const taken = check();
      const inLoop = !this.flash.job && this.flash.readable; // between and behind the jobs of the flash, too
      const allowed = core.IPSR === ALARM1_EXCEPTION || (core.IPSR === USB_EXCEPTION && this.watchesProbes);
      if (taken) this.stolen += EXCEPTION_CYCLES;
      if (taken && inLoop && !allowed)
        throw new Error('an interrupt of the loop was taken outside of the time in which the flash is written');
      core.waiting = sleeping && !taken;
      return taken;
    };
    const leave = core.exceptionReturn.bind(core);
    core.exceptionReturn = (address) => {
      this.stolen += EXCEPTION_CYCLES;
      leave(address);
    };
    core.setInterrupt = (irq, on) => {
      if (!on) {
        core.pendingInterrupts &= ~(1 << irq);
        return;
      }
      core.pendingInterrupts |= 1 << irq;
      core.interruptsUpdated = true;
      if (core.pendingInterrupts & core.enabledInterrupts) core.waiting = false;
    };
  }

  /** Whether the converter or the state machine of the inputs runs. */
  get watchesProbes() {
    return Boolean(this.rp2040.adc.cs & 1 || this.rp2040.pio[1].machines[0].enabled);
  }

  /** Records the levels of GP0 to GP7 and which of them are driven, and carries the levels to the readback. */
  watchLines() {
    const { gpio } = this.rp2040;
    for (const pin of gpio) pin.padValue = 0x56; // reset value: input on, pulled down (2.19.6.3)
    this.levels = this.pulls;
    this.edges.push([0, this.pulls]);
    this.dirty = false;
    for (let line = 0; line < 8; line++) gpio[line].addListener(() => { this.dirty = true; });
    this.setReadback(this.wiring(this.levels));
  }

  linesMayHaveChanged(cycle) {
    this.dirty = false;
    let levels = 0;
    let driven = 0;
    for (let line = 0; line < 8; line++) {
      const { value } = this.rp2040.gpio[line];
      if (value < 2) driven |= 1 << line; // low or high; the others are kinds of inputs
      if (value < 2 ? value : this.pulls & (1 << line)) levels |= 1 << line;
    }
    if (driven !== this.drives.at(-1)[1]) this.drives.push([cycle, driven]);
    if (levels === this.levels) return;
    this.levels = levels;
    this.edges.push([cycle, levels]);
    this.setReadback(this.wiring(levels, cycle));
  }

  setReadback(levels) {
    if (levels === this.readback) return;
    this.readback = levels;
    for (let line = 0; line < 8; line++) this.rp2040.gpio[8 + line].setInputValue(Boolean(levels & (1 << line)));
    this.pio?.forEach((pio) => pio.inputsChanged());
  }

  /** Levels of GP16, GP17 and GP18 from outside: bits 0 to 2. */
  setProbes(levels) {
    for (let input = 0; input < 3; input++) this.rp2040.gpio[16 + input].setInputValue(Boolean(levels & (1 << input)));
    this.pio?.forEach((pio) => pio.inputsChanged());
  }

  watchWatchdog(scratch, reason) {
    const watchdog = this.rp2040.peripherals[0x40058];
    if (scratch) watchdog.scratchData.set(scratch);
    watchdog.reason = reason;
    watchdog.onWatchdogTrigger = () => {
      watchdog.alarm.enable = false; // or rp2040js would fire it again, for ever
      this.event('reset');
    };
    this.watchdog = watchdog;
  }

  /** What the boot ROM does: the first 256 bytes of the flash to RAM, checked, and run. */
  boot() {
    const { rp2040 } = this;
    const stage = this.flash.bytes.subarray(0, 256);
    let crc = 0xffffffff;
    for (const byte of stage.subarray(0, 252)) {
      crc ^= byte << 24;
      for (let bit = 0; bit < 8; bit++) crc = crc & 0x80000000 ? (crc << 1) ^ 0x04c11db7 : crc << 1;
    }
    const stored = new DataView(stage.buffer, stage.byteOffset).getUint32(252, true);
    if (crc >>> 0 !== stored) throw new Error('the second boot stage has a wrong CRC: the ROM would not start it');
    rp2040.sram.fill(0xa5); // whatever was there before
    rp2040.sram.set(stage, BOOT_RAM - 0x20000000);
    rp2040.core.PC = BOOT_RAM;
    rp2040.core.SP = 0x20041f00;
  }

  get us() {
    return this.cycle / CYCLES_PER_US;
  }

  /** Sets the timer ahead, to `us` before its low word starts over. A frame of the bus starts, as frames are timed by it. */
  wrapIn(us) {
    this.timer.wrapIn(us);
    this.usb.startOfFrame();
  }

  checkDeadline() {
    if (process.cpuUsage().user > Chip.deadline) throw new Error('the test is over its time limit');
  }

  runUs(us) {
    const until = this.cycle + Math.round(us * CYCLES_PER_US);
    while (this.cycle < until && !this.halted) this.run(until);
  }

  /** Brings clock, DMA and PIO up to `cycle`, each event at its own cycle. */
  catchUp(cycle) {
    const { clock } = this.rp2040;
    const [pio0, pio1] = this.pio;
    for (;;) {
      const pio = pio0.next <= pio1.next ? pio0 : pio1;
      const alarm = clock.nextAlarm ? clock.nextAlarm.nanos / NS_PER_CYCLE : Infinity;
      const at = Math.min(pio.next, alarm);
      if (at > cycle) break;
      this.cycle = Math.max(this.cycle, Math.ceil(at));
      if (alarm <= at) {
        clock.tick(Math.max(0, clock.nextAlarm.nanos - clock.nanosCounter));
      } else {
        const behind = this.cycle * NS_PER_CYCLE - clock.nanosCounter;
        if (behind > 0) clock.nanosCounter += behind;
        pio.step();
      }
      if (this.dirty) this.linesMayHaveChanged(this.cycle);
    }
    this.cycle = Math.max(this.cycle, cycle);
    const behind = cycle * NS_PER_CYCLE - clock.nanosCounter;
    if (behind > 0) clock.nanosCounter += behind;
  }

  /** Runs until the cycle, or until the image hands a buffer to the USB controller: the host may be waiting for that. */
  run(until) {
    const { rp2040 } = this;
    const { core, clock } = rp2040;
    this.stopAt = until;
    if (this.halted) {
      this.cycle = until; // a chip in its boot loader: time goes on without it
      return;
    }
    this.checkDeadline();
    for (let round = 1; this.cycle < this.stopAt; round++) {
      if (round % 100000 === 0) this.checkDeadline();
      const asleep = core.waiting && !(core.pendingInterrupts & core.enabledInterrupts);
      if (asleep || (round % 64 === 0 && core.PM && rp2040.readUint16(core.PC) === JUMP_TO_ITSELF)) {
        const alarm = clock.nextAlarm ? Math.ceil(clock.nextAlarm.nanos / NS_PER_CYCLE) : Infinity;
        this.catchUp(Math.max(this.cycle + 1, Math.min(alarm, this.pio[0].next, this.pio[1].next, this.stopAt)));
        continue;
      }
      core.waiting = false;
      const pc = core.PC;
      if (pc >= 0x10000000 && pc < 0x15000000 && !this.flash.readable) throw new Error(`runs from flash at ${pc.toString(16)} while it is not readable`);
      const cycles = core.executeInstruction() + this.stolen;
      this.stolen = 0;
      const next = this.cycle + Math.round(cycles * this.clocks.slowness);
      if (this.dirty) this.linesMayHaveChanged(this.cycle);
      this.catchUp(next);
    }
  }
}
