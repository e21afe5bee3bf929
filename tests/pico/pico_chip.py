"""The real Pico image in its chip simulator, as an object: time, bytes, pins, wires, power.

The simulator is a Node.js program (sim/bridge.mjs) that this module talks to. It needs the image
and rp2040js, which are made and installed on the first use.
"""

from __future__ import annotations

import functools
import json
import subprocess
from pathlib import Path
from typing import Any

from tallymark.box.wire.answer_values import Edge
from tallymark.common.lines.readback_wiring_model import Wiring
from tallymark.virtual.protocol_virtual import Serial

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
IMAGE = ROOT / "build/firmware/pico/firmware.uf2"
CYCLES_PER_US = 200
SLICE_US = 200


@functools.cache
def prepare() -> None:
    """Builds the image by the command that ships it, if it is older than its sources, and installs
    rp2040js. Raises CalledProcessError if that fails."""
    firmware = ROOT / "firmware"
    sources = [
        *firmware.glob("core/*"), *firmware.glob("boards/pico/*"), firmware / "platformio.ini"
    ]
    newest = max(path.stat().st_mtime for path in sources)
    if not IMAGE.exists() or IMAGE.stat().st_mtime < newest:
        subprocess.run(
            ["make", "-s", "-f", "firmware/firmware.mk", "firmware"], cwd=ROOT, check=True
        )
    if not (HERE / "node_modules/rp2040js").exists():
        subprocess.run(["npm", "ci", "--silent"], cwd=HERE, check=True)


class PicoChip:
    """A simulated Pico that is plugged in, with both ports open.

    Speaks like `tallymark.virtual.VirtualBox`, so that the same port serves both. `life_us` counts
    through restarts and power cuts. Bytes travel while time moves.
    """

    def __init__(self, serial: bytes) -> None:
        prepare()
        self._process = subprocess.Popen(
            ["node", str(HERE / "sim/bridge.mjs"), serial.hex()],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self._cycle: int = self._answer()["cycle"]
        self._framed = bytearray()
        self._bytes = bytearray()
        self._sent = bytearray()
        self.in_boot_loader = False

    def _answer(self) -> dict[str, Any]:
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        if not line:
            raise RuntimeError("the simulator ended; its error stands above")
        answer: dict[str, Any] = json.loads(line)
        return answer

    def _ask(self, request: str, **rest: object) -> dict[str, Any]:
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps({"request": request, **rest}) + "\n")
        self._process.stdin.flush()
        return self._answer()

    @property
    def life_us(self) -> int:
        """Microseconds since the first start."""
        return self._cycle // CYCLES_PER_US

    def next_us(self) -> int:
        """When to look again: something may happen on the chip at any time."""
        return self.life_us + SLICE_US

    def advance(self, life_us: int) -> None:
        """Lets time pass to `life_us`, or a transaction of the bus further."""
        until = life_us * CYCLES_PER_US
        if until <= self._cycle:
            return
        answer = self._ask("run", until=until, framed=self._framed.hex(), bytes=self._bytes.hex())
        self._framed.clear()
        self._bytes.clear()
        self._cycle = answer["cycle"]
        self._sent += bytes.fromhex(answer["sent"])
        self.in_boot_loader = answer["bootLoader"]

    def receive(self, data: bytes) -> None:
        """Bytes for the framed port, which leave when time moves."""
        self._framed += data

    def byte_input(self, data: bytes) -> None:
        """Bytes for the second port, which leave when time moves."""
        self._bytes += data

    def take(self) -> bytes:
        """Bytes that the box sent on the framed port."""
        sent = bytes(self._sent)
        self._sent.clear()
        return sent

    @property
    def has_sent(self) -> bool:
        """Whether there is something to take."""
        return bool(self._sent)

    def edges(self) -> list[Edge]:
        """Changes of the lines since the last call, to 5 ns, on the time of `life_us`."""
        found = self._ask("edges")["edges"]
        return [Edge(cycle / CYCLES_PER_US, levels) for cycle, levels in found]

    def wire(self, wiring: Wiring) -> None:
        """Lays the wires between lines and readback anew."""
        self._ask(
            "wire",
            table=list(wiring.table()),
            rise=[us * CYCLES_PER_US for us in wiring.rise_us()],
            fall=[us * CYCLES_PER_US for us in wiring.fall_us()],
        )

    def set_probes(self, levels: int) -> None:
        """Levels of GP16, GP17 and GP18 from outside: bits 0 to 2."""
        self._ask("probes", levels=levels)

    def start(self) -> None:
        """Takes the power away and gives it back; the flash stays."""
        self._cycle = self._ask("power")["cycle"]

    def load(self, uf2: Path) -> None:
        """Hands a UF2 file to the boot loader, which starts what is in it."""
        self._cycle = self._ask("load", uf2=str(uf2))["cycle"]
        self.in_boot_loader = False

    def close(self) -> None:
        """Ends the simulator."""
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait(10)


class PicoPort(Serial):
    """The port of a virtual box in stepped time, with a simulated Pico in the box's place."""

    def __init__(self, chip: PicoChip) -> None:
        self._chip = chip
        super().__init__("virtual://?time=stepped")

    def open(self) -> None:
        """Opens the port; the chip has been running."""
        super().open()
        self.device = self._chip
