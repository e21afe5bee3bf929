// The flash chip and the interface to it, and the boot ROM's functions that work on them.
//
// The ROM functions are stand-ins: a breakpoint instruction calls into this file, and a little loop around it lets time pass
// with interrupts served, as the real functions do while the chip is busy.

import { readFileSync } from 'node:fs';
import { BasePeripheral } from 'rp2040js';

const SSI = { CTRLR0: 0x00, CTRLR1: 0x04, SSIENR: 0x08, SER: 0x10, BAUDR: 0x14, SR: 0x28, DR0: 0x60, SPI_CTRLR0: 0xf4 };
const SECTOR = 4096;
const ERASE_US = 45000; // typical of a sector of the usual 2 MiB chips
const PROGRAM_US = 700; // of a page
const ERASE_STEPS = 16;
const POLL_CYCLES = 200; // for the ROM to ask the chip whether it has finished

/** Thrown when the power is cut in the middle of a flash operation. */
export class PowerCut extends Error {}

class Ssi extends BasePeripheral {
  constructor(rp2040, flash) {
    super(rp2040, 'SSI');
    this.flash = flash;
    this.registers = new Map();
    this.received = [];
  }
  readUint32(offset) {
    if (offset === SSI.SR) return 0x6 | (this.received.length ? 0x8 : 0);
    if (offset === SSI.DR0) return this.received.shift() ?? 0;
    return this.registers.get(offset) ?? 0;
  }
  writeUint32(offset, value) {
    if (offset === SSI.DR0) this.received.push(this.flash.exchange(value & 0xff));
    else this.registers.set(offset, value);
    if (offset === SSI.SSIENR && value === 1) this.flash.interfaceOn(this.registers);
  }
}

class QspiPins extends BasePeripheral {
  constructor(rp2040, flash) {
    super(rp2040, 'IO_QSPI');
    this.flash = flash;
    this.select = 0;
  }
  readUint32(offset) {
    return offset === 0x0c ? this.select : 0;
  }
  writeUint32(offset, value) {
    if (offset !== 0x0c) return;
    this.select = value;
    this.flash.selected(((value >> 8) & 3) === 2);
  }
}

export class Flash {
  constructor(chip, { bytes, serial, cutAfter }) {
    this.chip = chip;
    this.bytes = bytes; // lives on from one start of the chip to the next
    this.serial = serial;
    this.cutAfter = cutAfter ?? Infinity;
    this.readable = false;
    this.command = null;
    this.job = null;
    this.worn = null;
    this.eraseUs = ERASE_US;
    this.steps = 0; // of all erases and programs since the start
    const { rp2040 } = chip;
    this.map(false);
    rp2040.peripherals[0x18000] = new Ssi(rp2040, this);
    this.pins = new QspiPins(rp2040, this);
    rp2040.peripherals[0x40018] = this.pins;
    this.installRom();
  }

  /** The second boot stage has set the interface up: checked for what makes the flash readable with command 03. */
  interfaceOn(registers) {
    const plain = registers.get(SSI.CTRLR0) === 0x001f0300 && registers.get(SSI.SPI_CTRLR0) === 0x03000218 &&
      registers.get(SSI.CTRLR1) === 0;
    if (!plain) throw new Error('flash interface is not set up for the plain serial read');
    if (registers.get(SSI.BAUDR) !== 2) throw new Error('flash clock is not half the system clock');
    this.map(true);
  }

  /** While the flash is not mapped, a read of its addresses gives anything. */
  map(on) {
    this.readable = on;
    const { flash } = this.chip.rp2040;
    if (on) flash.set(this.bytes);
    else flash.fill(0x5a, 0, this.bytes.length);
  }

  selected(on) {
    this.command = on ? [] : null;
  }

  exchange(byte) {
    if (!this.command || this.readable) throw new Error('flash was talked to without being selected, or while it is mapped');
    this.command.push(byte);
    const n = this.command.length - 1;
    if (this.command[0] !== 0x4b) throw new Error(`flash command ${this.command[0]} is not modelled`);
    return n >= 5 && n < 13 ? this.serial[n - 5] : 0xff;
  }

  installRom() {
    const { rp2040 } = this.chip;
    const rom = new Uint8Array(rp2040.bootrom.buffer);
    const view = new DataView(rom.buffer);
    const code = (letters) => letters.charCodeAt(0) | (letters.charCodeAt(1) << 8);
    const functions = {
      IF: () => { this.connected = true; },
      EX: () => { this.need('connected'); this.map(false); },
      FC: () => { this.command = null; this.stale = false; this.pins.select = 0; },
      CX: () => {
        this.need('connected');
        if (this.stale) throw new Error('flash is mapped with what the cache remembers from before it was changed');
        if (this.pins.select) throw new Error('flash is mapped, but its select line is still held by hand');
        this.map(true);
        this.connected = false;
      },
      RE: (r) => this.begin('erase', r),
      RP: (r) => this.begin('program', r),
      UB: () => { this.chip.event('boot loader'); },
    };
    const entries = Object.entries(functions);
    const calls = entries.map(([, call]) => call);
    // bkpt #n; cmp r0, #0; bne back to the bkpt; bx lr
    const stub = (at, n) => [0xbe00 | n, 0x2800, 0xd1fc, 0x4770].forEach((halfword, i) => view.setUint16(at + 2 * i, halfword, true));
    if (process.env.TALLYMARK_BOOT_ROM) {
      this.useRealRom(rom, view, entries.map(([letters]) => code(letters)), stub);
    } else {
      // Table of (code, address), then the functions, then the one that looks up: r0 table, r1 code
      const lookup = 0x200 + 8 * calls.length;
      view.setUint16(0x14, 0x100, true);
      view.setUint16(0x18, lookup | 1, true);
      entries.forEach(([letters], n) => {
        view.setUint16(0x100 + 4 * n, code(letters), true);
        view.setUint16(0x102 + 4 * n, (0x200 + 8 * n) | 1, true);
        stub(0x200 + 8 * n, n);
      });
      view.setUint16(0x100 + 4 * calls.length, 0, true);
      view.setUint16(lookup, 0xbe00 | calls.length, true);
      view.setUint16(lookup + 2, 0x4770, true);
    }
    rp2040.onBreak = (n) => {
      const { registers } = rp2040.core;
      if (n === calls.length) {
        const found = entries.findIndex(([letters]) => code(letters) === registers[1]);
        registers[0] = found < 0 ? 0 : view.getUint16(0x102 + 4 * found, true);
        return;
      }
      if (this.job) {
        this.chip.catchUp(this.chip.cycle + POLL_CYCLES);
        registers[0] = this.goOn() ? 1 : 0;
        return;
      }
      calls[n]([...registers]);
      registers[0] = this.job ? 1 : 0;
    };
  }

  /**
   * A real boot ROM (16 KiB, of any revision, from the file that TALLYMARK_BOOT_ROM names): its pointers, its table and its code
   * that looks up are what the image meets. Only the functions themselves, which drive the flash's pins, are the ones above.
   */
  useRealRom(rom, view, codes, stub) {
    rom.set(readFileSync(process.env.TALLYMARK_BOOT_ROM).subarray(0, rom.length));
    if (String.fromCharCode(rom[0x10], rom[0x11]) !== 'Mu' || rom[0x12] !== 1) throw new Error('not the boot ROM of an RP2040');
    for (let at = view.getUint16(0x14, true); view.getUint16(at, true); at += 4) {
      const n = codes.indexOf(view.getUint16(at, true));
      if (n >= 0) stub(view.getUint16(at + 2, true) & ~1, n);
    }
  }

  need(state) {
    if (!this[state]) throw new Error('boot ROM function called out of order');
  }

  begin(kind, [offset, second, third]) {
    this.need('connected');
    if (this.readable) throw new Error('flash changed while it is mapped');
    this.stale = true;
    if (kind === 'erase') {
      if (offset % SECTOR || second % SECTOR) throw new Error('erase of a part of a sector');
      const steps = (second / SECTOR) * ERASE_STEPS;
      this.job = { kind, offset, count: second, steps, done: 0, us: (this.eraseUs * second) / SECTOR };
    } else {
      if (offset % 256 || third % 256) throw new Error('program of a part of a page');
      const bytes = Array.from({ length: third }, (_, n) => this.chip.rp2040.readUint8(second + n));
      this.job = { kind, offset, bytes, steps: third, done: 0, us: (PROGRAM_US * third) / 256 };
    }
    this.job.start = this.chip.cycle;
  }

  /** `worn`: where a byte no longer takes what is programmed. */
  set(at, value) {
    if (at === this.worn?.at) value = 0xff;
    this.bytes[at] = value;
  }

  /** One more step of the erase or program under way, when its time has come. Returns whether there is more to do. */
  goOn() {
    const { job } = this;
    const due = Math.floor(((this.chip.cycle - job.start) / (job.us * 200)) * job.steps);
    for (; job.done < Math.min(due, job.steps); job.done++) {
      if (this.steps++ >= this.cutAfter) throw new PowerCut();
      if (job.kind === 'erase') {
        const size = job.count / job.steps;
        // Half erased bytes read as anything: here every other step leaves noise until the erase is over.
        for (let n = 0; n < size; n++) this.set(job.offset + job.done * size + n, job.done % 2 ? (n * 37) & 0xff : 0xff);
      } else {
        this.set(job.offset + job.done, this.bytes[job.offset + job.done] & job.bytes[job.done]);
      }
    }
    if (job.done < job.steps) return true;
    if (job.kind === 'erase') for (let n = 0; n < job.count; n++) this.set(job.offset + n, 0xff);
    this.job = null;
    return false;
  }
}
