// The DMA of rp2040js, put right where it is more lenient than the chip (datasheet 2.5, erratum RP2040-E13).
//
// A transfer is read, is under way for some cycles, and is written: what is under way when its channel is switched off or
// aborted still arrives. A channel that is aborted then ends as if it had finished, chain and all, and is busy until that is
// over; what the abort register says is of no use. After a chain to a channel that is switched off nothing happens.

const READ_CYCLES = 4; // from the request to the read,
const WRITE_CYCLES = 4; // and from the read to the write, where the bus is free
const NS_PER_CYCLE = 5;
const ABORT = 0x444;
const ENABLE = 1 << 0, STEP_READ = 1 << 4, STEP_WRITE = 1 << 5, RING_WRITES = 1 << 10, BUSY = 1 << 24;
const WORDS = 2, ALWAYS = 0x3f;

class Channel {
  constructor(dma, channel, writeCycles) {
    Object.assign(this, { dma, channel, writeCycles, aborted: false, word: null });
    const { clock } = channel.rp2040;
    this.read = clock.createAlarm(() => this.readWord());
    this.write = clock.createAlarm(() => this.writeWord());
    channel.scheduleTransfer = () => this.request();
    channel.transferAlarm = { cancel: () => this.read.cancel(), schedule: () => this.request() };
    channel.abort = () => this.abort();
    const write = channel.writeUint32;
    channel.writeUint32 = (offset, value) => {
      if ((offset === 0x0c || offset === 0x10) && value & ENABLE && ((value >> 2) & 3) !== WORDS) throw new Error('DMA of anything but words');
      if (channel.ctrl & BUSY && (offset === 0 || offset === 4 || offset === 8)) throw new Error('DMA channel set up while it is busy');
      write.call(channel, offset, value);
    };
    const start = channel.start;
    channel.start = () => {
      this.aborted = false;
      start.call(channel);
    };
  }

  get asked() {
    const { treqValue } = this.channel;
    return treqValue === ALWAYS || this.dma.dreq[treqValue];
  }

  request() {
    if (this.word !== null || this.read.scheduled || !this.asked) return;
    this.read.schedule(READ_CYCLES * NS_PER_CYCLE);
  }

  readWord() {
    this.read.scheduled = false;
    const { channel } = this;
    if (!this.asked || !(channel.ctrl & ENABLE) || !(channel.ctrl & BUSY)) return;
    this.word = channel.rp2040.readUint32(channel.readAddr);
    this.write.schedule(this.writeCycles * NS_PER_CYCLE);
  }

  writeWord() {
    this.write.scheduled = false;
    const { channel, word } = this;
    this.word = null;
    channel.rp2040.writeUint32(channel.writeAddr, word);
    const { ctrl, ringMask } = channel;
    const next = (address, wraps) => (wraps && ringMask ? (address & ~ringMask) | ((address + 4) & ringMask) : address + 4);
    if (ctrl & STEP_READ) channel.readAddr = next(channel.readAddr, !(ctrl & RING_WRITES));
    if (ctrl & STEP_WRITE) channel.writeAddr = next(channel.writeAddr, ctrl & RING_WRITES);
    channel.transCount--;
    if (this.aborted || channel.transCount <= 0) this.finish();
    else if (ctrl & ENABLE) this.request();
  }

  finish() {
    const { channel } = this;
    this.aborted = false;
    channel.ctrl &= ~BUSY;
    if (channel.chainTo !== channel.index) this.dma.channels[channel.chainTo].start();
  }

  abort() {
    this.read.cancel();
    if (this.word === null) this.channel.ctrl &= ~BUSY;
    else this.aborted = true;
  }
}

/** `writeCycles`: how long a word is under way; more than by default on a bus that is held up. */
export function fixDma(dma, writeCycles = WRITE_CYCLES) {
  for (const channel of dma.channels) new Channel(dma, channel, writeCycles);
  const read = dma.readUint32.bind(dma);
  dma.readUint32 = (offset) => (offset === ABORT ? 0 : read(offset)); // goes low before the abort is over
}
