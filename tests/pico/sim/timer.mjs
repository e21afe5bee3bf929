// The chip's microsecond timer (4.6), which can be set ahead to any time: years of running are not simulated.

import { BasePeripheral } from 'rp2040js';

const ALARM0 = 0x10, ALARM1 = 0x14, RAW_HIGH = 0x24, RAW_LOW = 0x28, INTR = 0x34, INTE = 0x38;
const WRAP = 2 ** 32;

export class Timer extends BasePeripheral {
  /** `needTick` is called at each read: throws while the timer does not count microseconds. */
  constructor(rp2040, needTick) {
    super(rp2040, 'TIMER');
    this.needTick = needTick;
    this.ahead = 0; // microseconds
    this.raw = 0;
    this.enabled = 0;
    this.alarms = [0, 1].map((number) => rp2040.clock.createAlarm(() => {
      this.raw |= 1 << number;
      this.update();
    }));
  }

  get us() { // with its fraction
    return this.rp2040.clock.nanos / 1000 + this.ahead;
  }

  /** Sets the timer ahead, so that its low word starts over in `us`. It never goes back. */
  wrapIn(us) {
    this.ahead += Math.ceil((this.us + us) / WRAP) * WRAP - us - this.us;
  }

  update() {
    for (const number of [0, 1]) this.rp2040.setInterrupt(number, Boolean(this.raw & this.enabled & 1 << number));
  }

  readUint32(offset) {
    this.needTick('timer');
    const us = Math.floor(this.us);
    switch (offset) {
      case RAW_HIGH: return Math.floor(us / WRAP);
      case RAW_LOW: return us % WRAP;
      case INTR: return this.raw;
      case INTE: return this.enabled;
      default: throw new Error(`timer register ${offset.toString(16)} is not modelled`);
    }
  }

  writeUint32(offset, value) {
    switch (offset) {
      case ALARM0:
      case ALARM1: {
        const wait = (value - (this.us % WRAP) + WRAP) % WRAP; // it compares the low word alone
        this.alarms[(offset - ALARM0) / 4].schedule(wait * 1000);
        break;
      }
      case INTR:
        this.raw &= ~this.rawWriteValue;
        break;
      case INTE:
        this.enabled = value & 3;
        break;
      default:
        throw new Error(`timer register ${offset.toString(16)} is not modelled`);
    }
    this.update();
  }
}
