// The analog inputs of rp2040js, put right where they are not the chip's (datasheet 4.9).
//
// Round robin goes through the inputs of its mask in turn (4.9.2.2: "AINSEL ... advances"); rp2040js keeps a wrong bit of AINSEL
// and so reads input 0 for ever. An input is sampled when its conversion begins, not when it ends. Conversions that are paced by DIV
// begin each 1 + INT cycles of 48 MHz, without an error that adds up. The clock has to run at 48 MHz. The pins have no digital input
// and no pulls, or the level is not that of the signal.

const MHZ = 1e6;
const CONVERSION_CYCLES = 96;
const AINSEL_SHIFT = 12, AINSEL_MASK = 7;
const EN = 1, START_MANY = 8;
const NS_PER_CYCLE = 5;
const PAD_PULLS_AND_INPUT = 0x4c; // input enable, pull-up, pull-down

export class Adc {
  /** `chip.analog`: called with an input and a cycle, gives the level, 0 to 4095. */
  constructor(chip) {
    this.chip = chip;
    const { adc, clock } = chip.rp2040;
    this.adc = adc;
    Object.defineProperty(adc, 'activeChannel', {
      get: () => (adc.cs >> AINSEL_SHIFT) & AINSEL_MASK,
      set: (input) => { adc.cs = (adc.cs & ~(AINSEL_MASK << AINSEL_SHIFT)) | ((input & AINSEL_MASK) << AINSEL_SHIFT); },
    });
    this.value = 0;
    this.end = clock.createAlarm(() => adc.completeADCRead(this.value, false));
    this.pace = clock.createAlarm(() => this.begin());
    adc.multiShotAlarm = { schedule: () => {}, cancel: () => {} }; // paced here
    adc.onADCRead = (input) => {
      this.check(input);
      this.value = chip.analog(input, chip.cycle) & 0xfff;
      this.end.schedule((CONVERSION_CYCLES * 1000) / 48);
    };
    const write = adc.writeUint32.bind(adc);
    adc.writeUint32 = (offset, value) => {
      const starts = offset === 0 && value & EN && value & START_MANY && !(adc.cs & START_MANY);
      if (offset === 0 && starts) { // the first conversion begins by this class, too
        adc.cs = value & ~0x700;
        this.next = clock.nanos;
        this.begin();
        return;
      }
      if (offset === 0 && !(value & START_MANY)) this.pace.cancel();
      write(offset, value);
    };
    // what follows a conversion is only the next one's pace
    const complete = adc.completeADCRead.bind(adc);
    adc.completeADCRead = (value, error) => {
      const many = adc.cs & START_MANY;
      adc.cs &= ~START_MANY;
      complete(value, error);
      adc.cs |= many;
    };
  }

  begin() {
    const { adc } = this;
    if (!(adc.cs & EN) || !(adc.cs & START_MANY)) return;
    if (adc.divider < CONVERSION_CYCLES) throw new Error('ADC: conversions without a pause are not modelled');
    this.next += (adc.divider * 1000) / 48;
    this.pace.schedule(this.next - this.chip.rp2040.clock.nanos);
    adc.startADCRead();
  }

  check(input) {
    const { clocks, rp2040 } = this.chip;
    if (clocks.generators.adcHz !== 48 * MHZ) throw new Error(`ADC at ${clocks.generators.adcHz / MHZ} MHz, not 48`);
    if (rp2040.gpio[26 + input].padValue & PAD_PULLS_AND_INPUT) throw new Error(`ADC input ${input}: its pin has a pull or a digital input`);
  }
}
