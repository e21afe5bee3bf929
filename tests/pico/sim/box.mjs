// A Pico with our image in it, plugged into a host whose framed port is open.

import { CAUSE, Chip, readUf2 } from './chip.mjs';
import { frame, messages, NOTICES, readEdges, u32 } from './frames.mjs';
import { UsbHost } from './usb_host.mjs';

export const IMAGE = process.env.TALLYMARK_PICO_UF2 ?? new URL('../../../build/firmware/pico/firmware.uf2', import.meta.url).pathname;

export const FRAMED = { control: 0, bulk: 2 };
export const BYTES = { control: 2, bulk: 4 };

const LONGEST_SILENCE_US = 230;

export class Box {
  constructor(options = {}) {
    this.flash = options.flash ?? readUf2(IMAGE);
    this.options = options;
    this.tag = 0;
    this.power(CAUSE.power);
    if (options.plugged !== false) this.plug();
  }

  /** A new start: by power, by the reset pin, or by the watchdog, which leaves the scratch registers alone. */
  power(reset, { scratch, watchdog } = {}) {
    this.chip = new Chip({ ...this.options, flash: this.flash, reset, scratch, watchdog });
    this.host = new UsbHost(this.chip);
    this.pending = [];
  }

  plug() {
    this.host.enumerate();
    this.host.open(FRAMED.control);
    return this.read();
  }

  /** What a watchdog reset does, if the image has asked for one. Returns the event that ended the run. */
  restart() {
    const { what } = this.chip.events.at(-1) ?? {};
    if (what === 'reset')
      this.power(0, { scratch: this.chip.watchdog.scratchData, watchdog: this.chip.watchdog.reason });
    return what;
  }

  nextTag() {
    this.tag = (this.tag % 255) + 1;
    return this.tag;
  }

  send(type, body = [], tag = this.nextTag()) {
    this.host.send(FRAMED.bulk, frame(type, tag, body));
    return tag;
  }

  /** All that comes until the box is silent: for longer than it hands nothing over, late in a frame. */
  read(quietUs = 0) {
    return messages(this.host.receive(FRAMED.bulk, Math.max(quietUs, LONGEST_SILENCE_US)));
  }

  /** One request and its answer; notices that come in between are kept in `pending`. */
  ask(type, body = [], limitUs = 2000) {
    const tag = this.send(type, body);
    const end = this.chip.us + limitUs;
    while (this.chip.us < end) {
      const came = this.read();
      const answer = came.find((message) => message.tag === tag && message.type < NOTICES);
      this.pending.push(...came.filter((message) => message !== answer));
      if (answer) return answer;
    }
    throw new Error(`no answer to request ${type.toString(16)}`);
  }

  /** What the capture holds from entry `first` on, as in `readEdges`. */
  fetch(first = 0) {
    return readEdges(this.ask(0x21, u32(first)).body);
  }

  /** Edges of the lines since the last call, [cycle, levels]. */
  edges() {
    const from = this.seen ?? 1;
    this.seen = this.chip.edges.length;
    return this.chip.edges.slice(from);
  }
}
