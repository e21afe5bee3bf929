"""A marker log that remembers what it is told."""

from __future__ import annotations


class Log:
    """A marker log that remembers its calls."""

    def __init__(self) -> None:
        self.lines: list[tuple[object, ...]] = []

    def sent(self, number, code, width_us=None, name=None, host_us=None, stays=None):
        self.lines.append(("sent", number, code, "stays" if stays else width_us, name))

    def scheduled(self, number, box_us, host_us, error_us):
        self.lines.append(("scheduled", number, box_us))

    def answered(
        self, number, box_us, host_us, error_us, cut_us=None, delay_us=None, no_edge=False
    ):
        told = ("answered", number, box_us, cut_us, delay_us)
        self.lines.append((*told, "no edge") if no_edge else told)
        assert error_us < 1000

    def refused(self, number, why, cut_us=None):
        self.lines.append(("refused", number, why))

    def unconfirmed(self, number, why):
        self.lines.append(("unconfirmed", number))

    def byte_marker(self, entry):
        self.lines.append(
            ("byte", entry.code, entry.box_us, entry.width_us, entry.cut_us, entry.why or None)
        )

    def hold_ended(self, code, box_us, host_us, error_us):
        self.lines.append(("hold ended", code, box_us))

    def notices_lost(self, count):
        self.lines.append(("notices lost", count))

    def probe_edge(self, probe, on, box_us, host_us, error_us):
        self.lines.append(("probe", probe, on, box_us))

    def probe_edges_lost(self, count):
        self.lines.append(("probe edges lost", count))

    def restarted(self, cause):
        self.lines.append(("restarted", cause))
