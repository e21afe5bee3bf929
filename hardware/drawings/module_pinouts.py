"""The two USB boards: their pins, and where outline and USB socket lie.

Positions are in millimetres from pin 1, which is at (0, 0) with pin 2 below it, seen from above:
the frame of KiCad's own footprints, which a test compares.
"""

from __future__ import annotations

from dataclasses import dataclass

Box = tuple[float, float, float, float]  # left, top, right, bottom
PITCH_MM = 2.54


@dataclass(frozen=True)
class Module:
    """A USB board with two rows of pins, numbered down one side and up the other."""

    name: str
    pin_names: tuple[str, ...]
    between_rows_mm: float
    outline_mm: Box
    usb_mm: Box
    supply: str
    grounds: tuple[int, ...]
    """The ground pins that the drawings use."""

    @property
    def rows(self) -> int:
        return len(self.pin_names) // 2

    def pin(self, name: str) -> int:
        """Number of the pin with a name."""
        return self.pin_names.index(name) + 1

    def at_mm(self, pin: int) -> tuple[float, float]:
        """Place of a pin in the frame of pin 1."""
        if pin <= self.rows:
            return 0.0, (pin - 1) * PITCH_MM
        return self.between_rows_mm, (2 * self.rows - pin) * PITCH_MM

    @property
    def usb_is_at_pin_1(self) -> bool:
        """Whether the socket is at the end of pin 1, or at the other end."""
        return (self.usb_mm[1] + self.usb_mm[3]) / 2 < (self.rows - 1) * PITCH_MM / 2

    def usb_up(self, pin: int) -> tuple[int, int]:
        """Side (0 left, 1 right) and row (1 at the top) of a pin, seen from above with the USB
        socket at the top.
        """
        x, y = self.at_mm(pin)
        side, row = int(x > 0), round(y / PITCH_MM) + 1
        return (side, row) if self.usb_is_at_pin_1 else (1 - side, self.rows + 1 - row)

    def box_usb_up(self, box: Box) -> Box:
        """A rectangle in pitches from the upper left pin, with the USB socket at the top."""
        left, top, right, bottom = (edge / PITCH_MM for edge in box)
        if self.usb_is_at_pin_1:
            return left, top, right, bottom
        width, height = self.between_rows_mm / PITCH_MM, float(self.rows - 1)
        return width - right, height - bottom, width - left, height - top


PICO = Module(
    "Pico",
    (
        "GP0", "GP1", "GND", "GP2", "GP3", "GP4", "GP5", "GND", "GP6", "GP7", "GP8", "GP9", "GND",
        "GP10", "GP11", "GP12", "GP13", "GND", "GP14", "GP15", "GP16", "GP17", "GND", "GP18",
        "GP19", "GP20", "GP21", "GND", "GP22", "RUN", "GP26", "GP27", "AGND", "GP28", "VREF",
        "3V3", "3V3_EN", "GND", "VSYS", "VBUS",
    ),
    17.78, (-1.61, -1.37, 19.39, 49.63), (4.89, -2.67, 12.89, 2.93), "VBUS", (3, 38),
)  # fmt: skip
NANO = Module(
    "Nano",
    (
        "TX", "RX", "RST", "GND", "D2", "D3", "D4", "D5", "D6", "D7", "D8", "D9", "D10", "D11",
        "D12", "D13", "3V3", "AREF", "A0", "A1", "A2", "A3", "A4", "A5", "A6", "A7", "5V", "RST",
        "GND", "VIN",
    ),
    15.24, (-1.27, -3.81, 16.51, 39.37), (3.81, 31.75, 11.43, 41.91), "5V", (29,),
)  # fmt: skip
