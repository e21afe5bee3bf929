// The PIO of rp2040js, clocked as the chip clocks it.
//
// rp2040js runs its PIO apart from the processor's time, counts delays without waiting for them, runs machines that are
// switched off, and never empties a FIFO. Here each machine is stepped at its own cycle and those four are put right; what
// an instruction does is left to rp2040js.

const CTRL = 0x00;
const SM0_CLKDIV = 0xc8;
const SM0_SHIFTCTRL = 0xd0;
const SM_STRIDE = 0x18;
const JOIN_BITS = 0xc0000000;
const NEVER = Infinity;

export class PioClock {
  /**
   * `now` tells the current cycle; `onStart` is called when a machine is switched on; `jumpLoops` lets a count-down loop be
   * crossed in one step, at the same cycle.
   */
  constructor(pio, now, options) {
    this.pio = pio;
    this.now = now;
    this.options = options;
    this.pinVersion = 0; // counts changes of the inputs
    pio.run = () => {};
    for (const machine of pio.machines) this.prepare(machine);
    const write = pio.writeUint32.bind(pio);
    pio.writeUint32 = (offset, value) => this.write(write, offset, value);
  }

  prepare(machine) {
    machine.due = NEVER;
    machine.idle = null;
    machine.transfers = 0; // into and out of its FIFOs
    for (const update of ['updateDMATx', 'updateDMARx']) {
      const original = machine[update].bind(machine);
      machine[update] = () => {
        machine.transfers++;
        original();
      };
    }
    const checkWait = machine.checkWait.bind(machine);
    machine.checkWait = () => {
      const waited = machine.waiting;
      const cycles = machine.cycles;
      checkWait();
      if (waited && !machine.waiting && machine.due === NEVER && machine.enabled) {
        machine.due = this.now() + 1 + Math.max(0, machine.cycles - cycles);
        this.changed();
      }
    };
  }

  write(write, offset, value) {
    const { machines } = this.pio;
    const ran = machines.map((machine) => machine.enabled);
    const joins = machines.map((machine) => machine.shiftCtrl & JOIN_BITS);
    write(offset, value);
    this.pio.checkChangedPins(); // by an instruction that is written
    if (offset === CTRL) {
      machines.forEach((machine, n) => {
        if (!machine.enabled) machine.due = NEVER;
        else if (!ran[n]) this.start(machine, n);
        machine.idle = null;
      });
    }
    machines.forEach((machine, n) => {
      if (offset !== SM0_SHIFTCTRL + n * SM_STRIDE) return;
      const Fifo = machine.txFIFO.constructor;
      const join = machine.shiftCtrl & JOIN_BITS;
      if (join === joins[n]) return;
      machine.txFIFO = new Fifo(join & 0x40000000 ? 8 : join ? 0 : 4);
      machine.rxFIFO = new Fifo(join & 0x80000000 ? 8 : join ? 0 : 4);
      machine.updateDMATx();
      machine.updateDMARx();
    });
    this.changed();
  }

  start(machine, n) {
    if (this.pio.readUint32(SM0_CLKDIV + n * SM_STRIDE) !== 1 << 16) throw new Error('a PIO machine that does not run at each cycle');
    this.options.onStart();
    machine.due = machine.waiting ? NEVER : this.now() + 1;
  }

  changed() {
    this.next = Math.min(...this.pio.machines.map((machine) => machine.due));
  }

  next = NEVER;

  /** The inputs changed: a machine that was seen to go round in circles goes on at its own rhythm. */
  inputsChanged() {
    this.pinVersion++;
    for (const machine of this.pio.machines) {
      if (!machine.idle || machine.due !== NEVER || !machine.enabled) continue;
      const { at, period } = machine.idle;
      machine.due = at + Math.max(0, Math.ceil((this.now() + 1 - at) / period)) * period;
      machine.idle = null;
    }
    this.changed();
  }

  /** Runs the machines that are due at cycle `this.next`. */
  step() {
    const at = this.next;
    for (const machine of this.pio.machines) {
      if (machine.due > at) continue;
      if (this.options.jumpLoops && this.jump(machine, at)) continue;
      const cycles = machine.cycles;
      machine.step();
      machine.due = machine.waiting ? NEVER : at + Math.max(1, machine.cycles - cycles);
      if (this.options.jumpLoops && !machine.waiting && machine.pc === machine.wrapBottom) this.lookForIdling(machine);
    }
    this.pio.checkChangedPins();
    this.changed();
  }

  /** `loop: jmp x-- body ... jmp loop`, where the body only waits: crosses all rounds but the last. */
  jump(machine, at) {
    const { instructions } = this.pio;
    const opcode = instructions[machine.pc];
    if ((opcode & 0xffe0) !== 0x0040 || machine.x < 2) return false;
    let cycles = 1;
    for (let pc = opcode & 0x1f; ; pc++) {
      const body = instructions[pc];
      cycles += 1 + ((body >> 8) & 0x1f);
      if ((body & 0xe0ff) === machine.pc) break; // back to the loop
      if ((body & 0xe0ff) !== 0xa042) return false; // anything but `nop`
    }
    const rounds = machine.x - 1;
    machine.x = 1;
    machine.due = at + rounds * cycles;
    return true;
  }

  /** A machine that comes round in the same state, with the same inputs, goes on doing so until they change. */
  lookForIdling(machine) {
    const state = [machine.x, machine.y, machine.inputShiftReg, machine.outputShiftReg, this.pinVersion,
      machine.transfers].join();
    if (machine.round?.state === state) {
      machine.idle = { at: machine.due, period: machine.due - machine.round.due };
      machine.due = NEVER;
      machine.round = null;
      return;
    }
    machine.round = { state, due: machine.due };
  }
}
