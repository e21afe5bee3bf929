"""The marker log: what was sent, when, and what the box said of it.

protocol/MARKERLOG.md describes the format. It is a text file of JSON Lines that only ever grows;
`record_file` has the file itself, and what happens where it can't be written.

MarkerLogError is a TallymarkError and an OSError: a log can't be written or read.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tallymark.box.ports.timebase import host_time_ns
from tallymark.common.signature import in_text
from tallymark.markerlog.log_data import LoggedMarker
from tallymark.markerlog.log_errors import MarkerLogIncomplete
from tallymark.markerlog.part_header import box_of, header_of, plan_of, settings_of
from tallymark.markerlog.record_file import RecordFile, line_of

if TYPE_CHECKING:
    from tallymark.box.box import Box
    from tallymark.box.settings import Settings
    from tallymark.common.signature import Form
    from tallymark.plan import Plan

_TEXTS_KEPT = 4096


def host_time_us() -> int:
    """The host's clock (`timebase`) in microseconds, the clock of all host times in a log."""
    return host_time_ns() // 1000


class MarkerLog(RecordFile):
    """Writes a marker log. All methods may be called from any thread.

    Only `MarkerLog(...)` and `close` raise errors of the disk; what notes a record never does. One
    program writes a log at a time; others may read it meanwhile.

    Args:
        path: the file; it must not exist yet, unless `append` is given.
        box: identity of the box (serial number, board, firmware version ...), as JSON data.
        settings: the box's settings, as JSON data.
        plan: name and digest of the plan, and the names of its events by code, as JSON data, or
            None.
        append: add a new part, with its own header, to a log that exists.
        now_us: the clock of host times in microseconds, where it is another than the host's own.

    `begin_us` is the host time of the header. `tell` is called with a sentence when a record is
    lost, and when records can be written again; by default it is an error of the logger
    'tallymark'. It is called on a marker's way, and should be short. `lost` is the number of
    records that are missing in the file.

    Raises:
        MarkerLogError: the file exists already, is no marker log to append to, can't be created or
            written, or another program is writing it.
    """

    def __init__(
        self,
        path: str | Path,
        box: Mapping[str, Any] | None = None,
        settings: Mapping[str, Any] | None = None,
        plan: Mapping[str, Any] | None = None,
        append: bool = False,
        now_us: Callable[[], int] = host_time_us,
    ) -> None:
        self._plan = dict(plan) if plan is not None else None
        super().__init__(
            path, append, now_us, lambda host_us: header_of(box, settings, self._plan, host_us)
        )

    @classmethod
    def for_box(
        cls,
        path: str | Path,
        box: Box,
        plan: Plan | None = None,
        append: bool = False,
    ) -> MarkerLog:
        """Begin a log for a box: its identity and settings go into the header, and the box tells it
        of every marker from now on (`box.log`)."""
        pacing = box.pacing

        def clock_us() -> int:
            return round(pacing.now() * 1e6)

        settings = settings_of(box.settings.read())
        log = cls(path, box_of(box), settings, plan_of(plan), append, clock_us)
        box.log = log
        return log

    def next_part(self, box: Box, settings: Settings) -> None:
        """Go on in a new part, with a header of its own: the box was gone, and is back. Numbers of
        markers and box time begin again."""
        self._write(line_of({"end": self._now_us()}))
        header = header_of(box_of(box), settings_of(settings), self._plan, self._now_us())
        self._write(line_of(header | {"again": True}))

    def sent(
        self,
        number: int,
        code: int,
        width_us: int | None = None,
        name: str | None = None,
        host_us: int | None = None,
        stays: bool | None = None,
        test: bool = False,
    ) -> None:
        """Note a marker before it is handed to the port.

        Args:
            number: counts up within a log and joins the records of one marker.
            code: 0..255. width_us: the width that the box will give it; None if it stays, or if
                the width isn't known.
            name: event name, if sent by name. host_us: default now.
            stays: True for a code that stays until the next marker, False for a pulse.
            test: True for a marker of a test before the session, which nobody asks for in the
                recording.
        """
        host = self._now_us() if host_us is None else host_us
        text = sent_text(code, width_us, name, stays, test)
        self._write(b'{"sent":%d%b%d}\n' % (number, text, host))

    def scheduled(self, number: int, box_us: int, host_us: int, error_us: int) -> None:
        """Note that the box accepted the marker, to go out at that box time; the same instant in
        host time, with its error bound. `answered` or `refused` follows."""
        text = f'"ahead":{number},"box":{box_us},"host":{host_us},"error":{error_us}'
        self._write(f"{{{text}}}\n".encode())

    def answered(
        self,
        number: int,
        box_us: int,
        host_us: int,
        error_us: int,
        cut_us: int | None = None,
        delay_us: int | None = None,
        no_edge: bool = False,
    ) -> None:
        """Note the box's answer: box time of the edge, the same instant in host time with its error
        bound, the width at which an earlier pulse was cut, the delay that the gap caused, and
        whether no line moved, because they had the code already."""
        cut = "" if cut_us is None else f',"cut":{cut_us}'
        delay = "" if not delay_us else f',"delay":{delay_us}'
        edge = ',"no_edge":true' if no_edge else ""
        text = f'"done":{number},"box":{box_us},"host":{host_us},"error":{error_us}'
        self._write(f"{{{text}{cut}{delay}{edge}}}\n".encode())

    def unconfirmed(self, number: int, why: str) -> None:
        """Note that no answer came. A later `answered` or `refused` for the number overrides it."""
        self._write(line_of({"unconfirmed": number, "why": why}))

    def refused(self, number: int, why: str, cut_us: int | None = None) -> None:
        """Note that the box refused the marker: its lines did not move.

        cut_us: how long a pulse lasted that it had cut before it was cancelled in its gap."""
        cut = {} if cut_us is None else {"cut": cut_us}
        self._write(line_of({"refused": number, "why": why} | cut))

    def byte_marker(self, entry: LoggedMarker) -> None:
        """Note a byte that somebody else's program sent: went out, or was refused. Its number, name
        and place in a log are not."""
        record: dict[str, Any] = {"byte": entry.code, "host": entry.host_us}
        record["error"] = entry.error_us
        rest: dict[str, Any] = {"box": entry.box_us, "width": entry.width_us}
        rest |= {"stays": entry.stays or None, "cut": entry.cut_us}
        rest |= {"delay": entry.delay_us or None, "no_edge": entry.no_edge or None}
        rest["refused"] = entry.why if entry.fate == "refused" else None
        record |= {key: value for key, value in rest.items() if value is not None}
        self._write(line_of(record))

    def line_marker(self, entry: LoggedMarker) -> None:
        """Note a code that the readback took (times as in `answered`); 0: it went to idle."""
        record = {"lines": entry.code, "box": entry.box_us, "host": entry.host_us}
        self._write(line_of(record | {"error": entry.error_us}))

    def late(self, number: int, most_us: int) -> None:
        """Note that the byte behind a marker may have waited that long before it was sent."""
        self._write(f'{{"late":{number},"most":{most_us}}}\n'.encode())

    def hold_ended(self, code: int, box_us: int, host_us: int | None, error_us: int | None) -> None:
        """Note that the box took a code to idle after its hold limit. host_us: None if unknown."""
        record = {"hold_ended": code, "box": box_us, "host": host_us, "error": error_us}
        self._write(line_of(record))

    def missing(self, count: int, why: str) -> None:
        """Note that so many bytes came in which are not in the log, or may not be."""
        self._write(line_of({"missing": count, "why": why, "host": self._now_us()}))

    def notices_lost(self, count: int) -> None:
        """Note that so many notices of the box did not arrive: bytes of the byte input and ends of
        a hold may be among them."""
        self._write(line_of({"notices_lost": count, "host": self._now_us()}))

    def probe_edge(
        self, probe: str, on: bool, box_us: int, host_us: int | None, error_us: int | None
    ) -> None:
        """Note that what a probe ("light", "sound" or "ttl") sees went on or off. host_us and
        error_us are None if they aren't known."""
        record = {"probe": probe, "on": on, "box": box_us, "host": host_us, "error": error_us}
        self._write(line_of(record))

    def probe_edges_lost(self, count: int) -> None:
        """Note that so many edges of probes had no room in the box."""
        self._write(line_of({"probe_lost": count, "host": self._now_us()}))

    def note(self, text: str) -> None:
        """Note in a sentence what went wrong beside the markers."""
        self._write(line_of({"note": text, "host": self._now_us()}))

    def restarted(self, cause: str) -> None:
        """Note that the box restarted, so that its time begins again at 0."""
        self._write(line_of({"restart": cause, "host": self._now_us()}))

    def signature(self, count: int, session: int, form: Form, host_us: int) -> None:
        """Note a session signature before it is sent. count: its number in the session, from 1."""
        record = {"signature": count, "session": in_text(session), "code": form.code}
        self._write(line_of(record | {"unit": form.unit_us, "host": host_us}))

    def signed(self, count: int, box_us: int, host_us: int, error_us: int) -> None:
        """Note when the signature's first edge was out (times as in `answered`)."""
        record = {"signed": count, "box": box_us, "host": host_us, "error": error_us}
        self._write(line_of(record))

    def signature_cut(self, count: int, pulses: int) -> None:
        """Note that only so many of the signature's 15 pulses went out, the last one perhaps in
        part."""
        self._write(line_of({"signature_cut": count, "pulses": pulses}))

    def signature_failed(self, count: int, why: str, *, unknown: bool) -> None:
        """Note that the signature did not go out; or, if `unknown`, that nobody knows."""
        self._write(line_of({"signature_lost": count, "why": why, "unknown": unknown}))

    def __enter__(self) -> MarkerLog:
        return self

    def __exit__(self, _kind: object, error: BaseException | None, _trace: object) -> None:
        """Closes the log. What is wrong with it does not hide an error that came before."""
        try:
            self.close()
        except MarkerLogIncomplete as incomplete:
            if error is None:
                raise
            self._say(str(incomplete))


@lru_cache(_TEXTS_KEPT)
def sent_text(
    code: int, width_us: int | None, name: str | None, stays: bool | None, test: bool = False
) -> bytes:
    """What `MarkerLog.sent` writes between the number of a marker and the digits of its host time.
    Kept: a program has few codes, names and widths."""
    if width_us is not None:
        width = f',"width":{width_us}'
    else:
        width = ',"stays":true' if stays else "" if stays is None else ',"width":null'
    label = "" if name is None else f',"name":{json.dumps(name)}'
    if test:
        label += ',"test":true'
    return f',"code":{code}{width}{label},"host":'.encode()
