// The chip's microsecond timer (4.6), which can be set ahead to any time: years of running are not simulated.

import { BasePeripheral } from 'rp2040js';

const ALARM0 = 0x10, RAW_HIGH = 0x24, RAW_LOW = 0x28, INTR = 0x34, INTE = 0x38;
const WRAP = 2 ** 32;

export class Timer extends BasePeripheral {
  /** `needTick` is called at each read: throws while the timer does not count microseconds. */
  constructor(rp2040, needTick) {
    super(rp2040, 'TIMER');
    this.needTick = needTick;
    this.ahead = 0; // microseconds
    this.raw = 0;
    this.enabled = 0;
    this.alarm = rp2040.clock.createAlarm(() => {
      this.raw |= 1;
      this.update();
    });
  }

  get us() { // with its fraction
    return this.rp2040.clock.nanos / 1000 + this.ahead;
  }

  /** Sets the timer ahead, so that its low word starts over in `us`. It never goes back. */
  wrapIn(us) {
    this.ahead += Math.ceil((this.us + us) / WRAP) * WRAP - us - this.us;
  }

  update() {
    this.rp2040.setInterrupt(0, Boolean(this.raw & this.enabled));
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
      case ALARM0: {
        const wait = (value - (this.us % WRAP) + WRAP) % WRAP; // it compares the low word alone
        this.alarm.schedule(wait * 1000);
        break;
      }
      case INTR:
        this.raw &= ~this.rawWriteValue;
        break;
      case INTE:
        this.enabled = value & 1;
        break;
      default:
        throw new Error(`timer register ${offset.toString(16)} is not modelled`);
    }
    this.update();
  }
}
