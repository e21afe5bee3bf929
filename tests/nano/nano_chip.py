"""A simulated ATmega328P that runs an image, with its pins, its serial line and its EEPROM.

The simulator is yasimavr. Times are CPU cycles since this object was made, 16 to the microsecond,
and go on over resets and power cuts. Each edge at a pin carries the cycle of its instruction.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import yasimavr.lib.core as sim
from baud_mismatch_model import OtherRate
from stock_boot_loader_images import BootLoader
from yasimavr.device_library import load_device

CLOCK = 16_000_000
CYCLES_PER_US = CLOCK // 1_000_000
EEPROM_SIZE = 1024
RAM_START, RAM_SIZE = 0x100, 2048
IO_START = 0x20
UCSR0A, UBRR0L, UDR0 = 0xC0, 0xC4, 0xC6
U2X = 0x02
NEAR = 0.1
"""Rates that differ by less than that give one byte for each byte that is sent."""
FRAMING_ERROR, OVERRUN = 0x10, 0x08
"""FE0 and DOR0 in UCSR0A."""

OUTPUTS = ("PD2", "PD3", "PD4", "PD5", "PD6", "PD7", "PB0", "PB1")
READBACK = ("PC0", "PC1", "PC2", "PC3", "PC4", "PC5", "PB2", "PB3")
BYTE_JUMPER = "PB4"
PROBE = "PB4"
PROBE_LEVEL = "ADC6"
LIGHT = "PB5"
RXD, TXD = "PD0", "PD1"

HANG_AT, RJMP_TO_ITSELF = 0x6000, b"\xff\xcf"
"""An unused place in the flash, and what to put there."""

BOOT_SECTION = 0x7000
"""Where the simulated chip starts with the fuse BOOTRST, whatever BOOTSZ says. A jump to the boot
loader is put there; at power-up the simulator does not look at the fuse."""

INTERRUPT_ENTRY = 4
"""Cycles that the chip needs to begin an interrupt (datasheet 7.7.1); the simulator takes none."""

POWER = sim.Device.ResetFlag.PowerOn
RESET_PIN = sim.Device.ResetFlag.Ext
BROWN_OUT = sim.Device.ResetFlag.BOD
WATCHDOG = sim.Device.ResetFlag.WDT


class _ReceiverData(sim.IORegHandler):
    """Gives the CPU the bytes of the receiver in their order.

    The simulator keeps the receive and the transmit data in one register, so that a byte that waits
    is overwritten by one that is sent, and it shows the first of two waiting bytes twice. The chip
    has separate buffers (datasheet 19.2).
    """

    def __init__(self) -> None:
        super().__init__()
        self.waiting: deque[int] = deque()
        self.last = 0

    def ioreg_read_handler(self, _address: int, _value: int) -> int:
        if self.waiting:
            self.last = self.waiting.popleft()
        return self.last

    def ioreg_peek_handler(self, _address: int, value: int) -> int:
        return value

    def ioreg_write_handler(self, _address: int, _data: object) -> None:
        """What is written goes to the transmitter."""


class _ReceiverStatus(sim.IORegHandler):
    """Adds error bits to the receiver's status, as for a byte that came in broken."""

    def __init__(self) -> None:
        super().__init__()
        self.errors = 0

    def ioreg_read_handler(self, _address: int, value: int) -> int:
        return value | self.errors

    def ioreg_peek_handler(self, _address: int, value: int) -> int:
        return value

    def ioreg_write_handler(self, _address: int, _data: object) -> None:
        """Nothing of it is written."""


@dataclass(slots=True)
class Wires:
    """What the readback inputs see: a table from driven to seen levels, and slow edges."""

    table: bytes = bytes(range(256))
    rise: list[int] = field(default_factory=lambda: [0] * 8)
    fall: list[int] = field(default_factory=lambda: [0] * 8)
    """Cycles that each input takes to follow."""


@dataclass(frozen=True, slots=True)
class PinEdge:
    """A change of one output pin."""

    cycle: int
    line: int
    high: bool


class Chip:
    """One chip with its image. `eeprom` is what it holds at first (default: erased)."""

    def __init__(
        self,
        image: Path,
        *,
        eeprom: bytes = b"\xff" * EEPROM_SIZE,
        byte_jumper: bool = False,
        baud: int = 500_000,
        wires: Wires | None = None,
        boot_loader: BootLoader | None = None,
    ) -> None:
        self.image = image
        self.boot_loader = boot_loader
        self.baud = baud
        self.byte_jumper = byte_jumper
        self.wires = wires or Wires()
        self.received: list[tuple[int, int]] = []
        """(cycle at the end of the stop bit, byte) of all that the chip sent."""
        self.pin_edges: list[PinEdge] = []
        self.light_edges: list[PinEdge] = []
        """Changes of the status light; its line number is 0."""
        self.strange: list[tuple[int, str, str]] = []
        """States of output pins that are neither high nor low: (cycle, pin, state)."""
        self.on_byte: Callable[[int], None] | None = None
        """Called at the end of each byte that the chip sent."""
        self.arrived: list[int] = []
        """Cycles at which bytes were complete in the receiver."""
        self.most_in_receiver = 0
        """Most bytes that were complete and not read yet. The chip holds two, and a third until the
        next start bit: above three, a byte is lost."""
        self.interrupts: dict[int, int] = {}
        self.most_held: dict[int, int] = {}
        """Most cycles for which each interrupt was held back, by its vector."""
        self.most_taken: dict[int, int] = {}
        """Most cycles that each took, with those that came in between."""
        self.resets: list[int] = []
        self._born = 0
        self._kept: list[bytes] = []
        """Memory that the simulator only refers to."""
        self._past_lives: list[object] = []
        """Devices without power. They are kept: one that is taken apart would call its hooks."""
        self._power_up(eeprom)

    # Power, reset, time ---------------------------------------------------------------------

    def _power_up(self, eeprom: bytes) -> None:
        """Makes a new device: all its state but the EEPROM is gone with the power."""
        self._device = device = load_device("atmega328p")
        firmware = sim.Firmware.read_elf(str(self.image))
        firmware.frequency = CLOCK
        firmware.vcc = 5.0
        self._loop = sim.SimLoop(device)
        self._loop.set_fast_mode(True)
        # A boot loader that has had enough waits for the watchdog in a loop, with interrupts off.
        device.set_option(sim.Device.Option.InfiniteLoopDetect, False)
        if self.boot_loader is not None:
            start = self.boot_loader.start
            jump = bytes((0x0C, 0x94)) + (start // 2).to_bytes(2, "little")
            self._add(firmware, sim.Firmware.Area.Flash, self.boot_loader.content(), start)
            self._add(firmware, sim.Firmware.Area.Flash, jump, BOOT_SECTION)
            self._add(firmware, sim.Firmware.Area.Fuses, bytes((0xFF, 0xD8, 0xFD)))
        device.load_firmware(firmware)
        self._eeprom().program(eeprom)
        self._probe = sim.DeviceDebugProbe(device)
        if self.boot_loader is not None:
            self._probe.write_pc(BOOT_SECTION)
        self._hooks: list[object] = []
        self._outputs = 0
        self._seen = [False] * 8
        self._moves: list[sim.CallableCycleTimer | None] = [None] * 8
        self._line_free = 0
        self._timers: set[sim.CallableCycleTimer] = set()
        self._raised: dict[int, int] = {}
        self._begun: list[tuple[int, int]] = []
        self._on_the_way: deque[int] = deque()
        self._other_rate = OtherRate(
            now=self._loop.cycle, later=self._later, bit_cycles=self.bit_cycles,
            received=lambda byte: self._push(bytes((byte,))),
        )

        for line, name in enumerate(OUTPUTS):
            self._hook(device.find_pin(name).signal(), self._output_changed, line)
        self._hook(device.find_pin(LIGHT).signal(), self._light_changed)
        self._rxd = device.find_pin(RXD)
        self._rxd.set_external_state("H")
        device.find_pin(BYTE_JUMPER).set_external_state("L" if self.byte_jumper else "Z")
        self._readback = [device.find_pin(name) for name in READBACK]
        self._hook(self._signal_of(sim.IOCTL_UART("0")), self._serial_event)
        self._hook(self._signal_of(sim.IOCTL_INTR), self._interrupt_event)
        self._receiver = _ReceiverData()
        device.add_ioreg_handler(
            UDR0 - IO_START, self._receiver, sim.bitmask_t(0xFF), sim.IORegister.BitMode.RW
        )
        self._status = _ReceiverStatus()
        device.add_ioreg_handler(
            UCSR0A - IO_START, self._status, sim.bitmask_t(FRAMING_ERROR | OVERRUN),
            sim.IORegister.BitMode.RO,
        )
        self._follow(at_once=True)

    def _add(
        self, firmware: sim.Firmware, area: sim.Firmware.Area, content: bytes, base: int = 0
    ) -> None:
        block = sim.Firmware.block_view_t()
        block.bytes = content
        block.base = base
        firmware.add_block(area, block)
        self._kept.append(content)

    def _hook(self, signal: sim.Signal, call: object, tag: int = 0) -> None:
        hook = sim.CallableSignalHook(call)
        self._hooks.append(hook)
        signal.connect(hook, tag)

    def _signal_of(self, controller: object) -> sim.Signal:
        _, request = self._device.ctlreq(controller, sim.CTLREQ_GET_SIGNAL)
        return request.data.value(sim.Signal)

    def _eeprom(self) -> sim.NonVolatileMemory:
        request = sim.ctlreq_data_t()
        request.index = self._device._NVMs_["EEPROM"]
        _, request = self._device.ctlreq(sim.IOCTL_CORE, sim.CTLREQ_CORE_NVM, request)
        return request.data.value(sim.NonVolatileMemory)

    @property
    def cycle(self) -> int:
        """Cycles until now."""
        return self._born + self._loop.cycle()

    def run(self, cycles: int) -> None:
        """Lets the chip run for that many cycles."""
        if cycles > 0:
            self._loop.run(cycles)
            if self._device.state() in (sim.Device.State.Crashed, sim.Device.State.Done):
                raise RuntimeError(f"the simulated chip crashed at cycle {self.cycle}")

    def run_until(self, cycle: int) -> None:
        """Lets the chip run until that cycle."""
        self.run(cycle - self.cycle)

    def run_us(self, microseconds: float) -> None:
        """Lets the chip run for that long."""
        self.run(round(microseconds * CYCLES_PER_US))

    def reset(self, cause: sim.Device.ResetFlag = RESET_PIN) -> None:
        """Resets the chip, without taking its power."""
        self.resets.append(self.cycle)
        self._device.reset(cause)
        self._on_the_way.clear()
        self._receiver.waiting.clear()
        self._other_rate.forget()

    def hold_in_reset(self, cycles: int) -> None:
        """Resets the chip and lets that time go by before its first instruction."""
        self.reset()
        self._born += cycles

    def power_cycle(self, eeprom: bytes | None = None) -> None:
        """Takes the power away and gives it back. `eeprom`: what the memory holds then."""
        content = self.eeprom if eeprom is None else eeprom
        self._born = self.cycle
        self.resets.append(self._born)
        for line in range(8):
            if self._outputs >> line & 1:
                self.pin_edges.append(PinEdge(self._born, line, False))
        self._past_lives.append((self._device, self._loop, self._probe, self._hooks))
        self._power_up(content)

    # Probe ----------------------------------------------------------------------------------

    def set_probe(self, high: bool, *, at: int | None = None) -> None:
        """Gives D12 a level from outside, now or at that cycle."""
        change = partial(self._device.find_pin(PROBE).set_external_state, "H" if high else "L")
        if at is None:
            change()
        else:
            self._later(at - self._born, change)

    def set_probe_level(self, part: float) -> None:
        """Gives A6 a voltage, from 0 to 1 times the supply."""
        self._device.find_pin(PROBE_LEVEL).set_external_state("A", part)

    # Memory ---------------------------------------------------------------------------------

    @property
    def eeprom(self) -> bytes:
        """What the EEPROM holds."""
        return self._eeprom().read(0, EEPROM_SIZE)

    def wear_out(self, address: int, value: int) -> None:
        """Gives a byte of the EEPROM another value, as of a cell that forgets."""
        self._eeprom().write(bytes([value]), address)

    def ram(self, address: int, size: int) -> bytes:
        """What the RAM holds, by data address."""
        return bytes(self._probe.read_data(address, size))

    def write_ram(self, address: int, data: bytes) -> None:
        """Writes RAM from outside."""
        self._probe.write_data(address, data)

    def register(self, address: int) -> int:
        """A register, by data address."""
        return int(self._probe.read_ioreg(address - IO_START))

    def hang(self) -> None:
        """Lets the program run in a circle with its interrupts on, as after a slip of the CPU."""
        self._probe.write_flash(HANG_AT, RJMP_TO_ITSELF)
        self._probe.write_pc(HANG_AT)

    # Serial line ----------------------------------------------------------------------------

    def send(self, data: Iterable[int], *, at: int = 0) -> int:
        """Sends bytes to the chip's serial input, without a pause between them.

        They begin at cycle `at`, or when the line is free. Returns the cycle at which the last stop
        bit ends. Where the chip's baud rate is the host's, whole bytes are handed to the receiver
        in their time; otherwise the pin moves bit by bit, and the receiver has to make out the bits
        with its own clock. (The simulated receiver can't do that without a pause at equal rates: it
        is ready for a start bit only behind the end of the stop bit, the real one from its middle.)
        At a rate that is quite another, as that of a boot loader, one of the chip's bytes is made
        of the bits of several of the host's (`baud_mismatch_model`).
        """
        data = bytes(data)
        if self.boot_loader and self._line_free + 40 * self.bit_cycles() < self._loop.cycle():
            self._on_the_way.clear()  # what the boot loader got at another rate, or left unread
            self._receiver.waiting.clear()
        start = max(self._line_free, at - self._born, self._loop.cycle())
        self._line_free = start + round(10 * len(data) * CLOCK / self.baud)
        if self.bit_cycles() * self.baud == CLOCK:
            if start <= self._loop.cycle():
                self._push(data)
            else:
                self._later(start, lambda: self._push(data))
        elif abs(self.bit_cycles() * self.baud / CLOCK - 1) < NEAR:
            self._send_bits(data, start)
        else:
            self._other_rate.send(data, start, CLOCK / self.baud)
        return self._born + self._line_free

    def bit_cycles(self) -> int:
        """Cycles for which the chip's serial port takes a bit to last."""
        doubled = self.register(UCSR0A) & U2X
        divisor = self.register(UBRR0L) | self.register(UBRR0L + 1) << 8
        return (8 if doubled else 16) * (divisor + 1)

    def _later(self, cycle: int, action: Callable[[], None]) -> None:
        def run(_when: int) -> int:
            self._timers.discard(timer)
            action()
            return 0

        timer = sim.CallableCycleTimer(run)
        self._timers.add(timer)
        self._loop.cycle_manager().schedule(timer, cycle)

    def _push(self, data: bytes) -> None:
        request = sim.ctlreq_data_t()
        request.data = sim.vardata_t(data)
        self._on_the_way.extend(data)
        self._device.ctlreq(sim.IOCTL_UART("0"), sim.CTLREQ_USART_BYTES, request)

    def _send_bits(self, data: bytes, start: int) -> None:
        bit = CLOCK / self.baud
        level = True
        changes: deque[tuple[int, bool]] = deque()
        for place, byte in enumerate(data):
            frame = byte << 1 | 0x200
            for number in range(10):
                high = bool(frame >> number & 1)
                if high != level:
                    changes.append((start + round((10 * place + number) * bit), high))
                    level = high
            self._on_the_way.append(self._sampled(frame, bit))
        self._move_line(changes)

    def _sampled(self, frame: int, bit: float) -> int:
        """What the receiver makes of a byte whose bits last `bit` cycles, by its own clock."""
        byte = 0
        for number in range(8):
            host_bit = min(int((number + 1.5) * self.bit_cycles() / bit), 9)
            byte |= (frame >> host_bit & 1) << number
        return byte

    def _move_line(self, changes: deque[tuple[int, bool]]) -> None:
        while changes and changes[0][0] <= self._loop.cycle():
            self._rxd.set_external_state("H" if changes.popleft()[1] else "L")
        if changes:
            self._later(changes[0][0], lambda: self._move_line(changes))

    def _serial_event(self, event: sim.signal_data_t, _tag: int) -> None:
        if event.sigid == sim.UART.SignalId.TX_Data:
            byte = event.data.value()
            self.received.append((self.cycle, byte))
            if self.on_byte is not None:
                self.on_byte(byte)
        elif event.sigid == sim.UART.SignalId.RX_Complete:
            self.arrived.append(self.cycle)
            waiting = self._receiver.waiting
            waiting.append(self._on_the_way.popleft() if self._on_the_way else 0)
            self.most_in_receiver = max(self.most_in_receiver, len(waiting))

    def receive_errors(self, bits: int) -> None:
        """From now on, bytes come in with these errors (`FRAMING_ERROR`, `OVERRUN`; 0: none)."""
        self._status.errors = bits

    def take(self) -> bytes:
        """Takes the bytes that the chip has sent until now."""
        taken = bytes(byte for _, byte in self.received)
        self.received.clear()
        return taken

    # Pins -----------------------------------------------------------------------------------

    @property
    def outputs(self) -> int:
        """Levels of the eight output pins."""
        return self._outputs

    def pin_state(self, line: int) -> str:
        """How an output pin is driven: `Low`, `High`, `Floating`, ..."""
        return str(sim.Wire.StateEnum(self._device.find_pin(OUTPUTS[line]).state().value()).name)

    def edges(self) -> list[tuple[int, int]]:
        """Takes the changes of the eight outputs: (cycle, levels), pins of one write together.

        Lines 0 to 5 and lines 6 and 7 are on two ports; writes less than four cycles apart count
        as one, at the cycle of the first.
        """
        taken: list[tuple[int, int]] = []
        levels = self._levels_before
        for edge in self.pin_edges:
            levels = levels & ~(1 << edge.line) | edge.high << edge.line
            if taken and edge.cycle - taken[-1][0] < 4:
                taken[-1] = (taken[-1][0], levels)
            else:
                taken.append((edge.cycle, levels))
        self._levels_before = levels
        self.pin_edges.clear()
        return taken

    _levels_before = 0

    def _output_changed(self, event: sim.signal_data_t, line: int) -> None:
        if event.sigid == sim.Wire.SignalId.StateChange:
            state = sim.Wire.StateEnum(event.data.value())
            if state not in (sim.Wire.StateEnum.High, sim.Wire.StateEnum.Low):
                self.strange.append((self.cycle, OUTPUTS[line], state.name))
            return
        if event.sigid != sim.Wire.SignalId.DigitalChange:
            return
        high = bool(event.data.value())
        self.pin_edges.append(PinEdge(self.cycle, line, high))
        self._outputs = self._outputs & ~(1 << line) | high << line
        self._follow()

    def _light_changed(self, event: sim.signal_data_t, _tag: int) -> None:
        if event.sigid == sim.Wire.SignalId.DigitalChange:
            self.light_edges.append(PinEdge(self.cycle, 0, bool(event.data.value())))

    def _follow(self, *, at_once: bool = False) -> None:
        """Lets the readback inputs follow the outputs through the wires."""
        wires = self.wires
        seen = wires.table[self._outputs]
        for line in range(8):
            target = bool(seen >> line & 1)
            moving = self._moves[line]
            if moving is not None and target == self._seen[line]:
                self._loop.cycle_manager().cancel(moving)
                self._moves[line] = None
            elif moving is None and (at_once or target != self._seen[line]):
                delay = 0 if at_once else (wires.rise if target else wires.fall)[line]
                if delay == 0:
                    self._arrive(line, target)
                else:
                    self._moves[line] = timer = sim.CallableCycleTimer(
                        lambda _when, line=line, target=target: self._arrive(line, target)
                    )
                    self._loop.cycle_manager().delay(timer, delay)

    def _arrive(self, line: int, high: bool) -> int:
        self._moves[line] = None
        self._seen[line] = high
        self._readback[line].set_external_state("H" if high else "L")
        return 0

    def wire(self, wires: Wires) -> None:
        """Lays the wires anew."""
        self.wires = wires
        self._follow()

    # Interrupts -----------------------------------------------------------------------------

    def _interrupt_event(self, event: sim.signal_data_t, _tag: int) -> None:
        state, index = event.data.value(), event.index
        if state == sim.InterruptController.State.Raised:
            self._raised[index] = self.cycle
        elif state == sim.InterruptController.State.Acknowledged:
            self.interrupts[index] = self.interrupts.get(index, 0) + 1
            held = self.cycle - self._raised.pop(index, self.cycle)
            self.most_held[index] = max(held, self.most_held.get(index, 0))
            self._begun.append((index, self.cycle))
            self._loop.cycle_manager().increment_cycle(INTERRUPT_ENTRY)
        elif state == sim.InterruptController.State.Returned and self._begun:
            index, begun = self._begun.pop()
            took = self.cycle - begun
            self.most_taken[index] = max(took, self.most_taken.get(index, 0))
