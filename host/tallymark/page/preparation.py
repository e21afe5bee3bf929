"""Before the session: what has to be so, step by step, and what is so.

Each step is 'good', 'bad' or 'open' (not done yet, or not valid any more). Ready means that every
step is good. A test is worth nothing any more once the box was restarted, connected again or set up
differently.
"""

from __future__ import annotations

from typing import Any

from tallymark.common.errors import BadValue
from tallymark.common.formatting import duration, some
from tallymark.common.signature import Signed
from tallymark.common.signature.pattern import PULSES
from tallymark.page.box_session import Station
from tallymark.plan import Plan, fit
from tallymark.verification import selftest
from tallymark.verification.selftest.fault_text import dsub_pin


class Preparation:
    """The steps of one station."""

    def __init__(self, station: Station) -> None:
        self._station = station
        self._test: dict[str, Any] | None = None
        self._test_at = -1
        self._marker: dict[str, Any] | None = None
        self._marker_at = -1
        self._seen: bool | None = None
        self._signed: Signed | None = None
        self._signed_at = -1
        self._signing = False
        self.progress = ""

    def test(self) -> dict[str, Any]:
        """Runs the self-test. Raises what `selftest.run` raises."""

        def tell(text: str, done: int, total: int) -> None:
            self.progress = f"{text}: {done} of {total}"

        station = self._station
        if station.lesson is not None and station.lesson.is_open:
            raise BadValue("A fault is hidden in the wiring, and the self-test would tell it. Find "
                           "it on 'Lines', then answer on 'Teaching'.")
        try:
            with station.test_run() as box:
                at = station.box_changes
                self._test = None
                report = selftest.run(box, tell)
        finally:
            self.progress = ""
        places = [place for way in report.explanations for place in way]
        places += [*report.symptoms, *report.measured]
        self._test_at = at
        self._test = {
            "fine": report.fine,
            "verdict": report.verdict.value,
            "codes": report.codes_tested,
            "several": len(report.explanations) > 1,
            "places": [{"what": place.what, "look": place.look} for place in places],
            "lines": [
                {
                    "line": entry.line,
                    "pin": dsub_pin(entry.line),
                    "in_use": entry.in_use,
                    "good": entry.right and not entry.slow and not entry.stray_edges,
                    "saw": entry.saw,
                }
                for entry in report.inputs
            ],
        }
        return self._test

    def test_marker(self, sender: str, name: str | None, code: int) -> dict[str, Any]:
        """Sends a marker that a person looks for at the amplifier."""
        station = self._station
        self._seen = None
        self._marker = None
        at = station.box_changes
        if name is not None and station.plan is not None:
            event = station.plan.event(name)
            station.send(sender, event.code, event.width_us, event.name, test=True)
            code = event.code
        else:
            station.send(sender, code, None, None, test=True)
        self._marker_at = at
        self._marker = {"code": code, "name": name or ""}
        return self._marker

    def confirm(self, seen: bool) -> None:
        """The person says whether the amplifier showed the test marker."""
        if self._marker is None or self._marker_at != self._station.box_changes:
            raise BadValue("No test marker was sent since the box was set up. Send one first.")
        self._seen = seen

    def sign(self, sender: str) -> dict[str, Any]:
        """Sends the session signature. Raises what `Station.sign` raises."""
        station = self._station
        at = station.box_changes
        self._signing = True
        try:
            self._signed = station.sign(sender)
        finally:
            self._signing = False
        self._signed_at = at
        return {"session": self._signed.session, "count": self._signed.count}

    def as_data(self) -> dict[str, Any]:
        """For JSON."""
        steps = [
            self._box(),
            self._settings(),
            self._selftest(),
            self._port(),
            self._amplifier(),
            self._log(),
        ]
        signature = None
        if self._station.plan is not None and self._station.plan.signature_code is not None:
            signature = self._signature(self._station.plan)
            steps.append(signature)
        return {
            "signature": signature,
            "ready": all(step["state"] == "good" for step in steps),
            "progress": self.progress,
            "steps": steps,
        }

    def _box(self) -> dict[str, Any]:
        station = self._station
        identity = station.identity
        named = f"{identity.name}, " if identity.name else ""
        if station.connected:
            return _step("box", "good", f"{named}{identity.board} {identity.serial}, firmware "
                                        f"{identity.firmware}, answers.")
        return _step("box", "bad", "The box does not answer. Check its cable; the page follows by "
                                   "itself when it is back.")

    def _settings(self) -> dict[str, Any]:
        station = self._station
        plan = station.plan
        if plan is None:
            return _step("settings", "open", "No plan was given, so nothing can be compared. Start "
                                             "the page with --plan FILE.")
        findings = fit(plan, station.settings, station.identity)
        details = [f"{each.text} {each.remedy}" for each in findings]
        if any(each.level != "note" for each in findings):
            return _step("settings", "bad", f"The box does not fit the plan '{plan.name}'.",
                         details, remedy=True)
        return _step("settings", "good", f"They fit the plan '{plan.name}'.", details)

    def _selftest(self) -> dict[str, Any]:
        test = self._test
        if test is None:
            return _step("selftest", "open", "Not done yet. All lines move: nothing that takes "
                                             "markers may be recording. Connect the loopback "
                                             "first: the cable from the outputs to the box's "
                                             "readback inputs.")
        valid = self._test_at == self._station.box_changes
        if not valid:
            return _step("selftest", "open", "The box was set up, restarted or connected anew "
                                             "since the last test. Test again.")
        if test["fine"]:
            text = f"No fault: {test['codes']} codes were read back correctly."
            return _step("selftest", "good", text, test=test)
        details = [f"{place['what']}. Check: {place['look']}." for place in test["places"]]
        return _step("selftest", "bad", "The wiring has a fault.", details, test=test)

    def _port(self) -> dict[str, Any]:
        station = self._station
        if station.settings.byte_mode.label == "off":
            return _step("port", "bad", "The setting byte_mode is off, so that every byte is "
                                        "refused. Change it.", remedy=True)
        came = station.sent.bytes
        said = f"{some(came, 'byte')} came so far." if came else "No byte has come yet."
        return _step("port", "good", f"A program writes its bytes to the port below. {said}",
                     address=station.port_where, untried=not came)

    def _amplifier(self) -> dict[str, Any]:
        marker = self._marker
        if marker is None or self._marker_at != self._station.box_changes:
            return _step("amplifier", "open", "Start the amplifier's display, then send a test "
                                              "marker and look for it there.")
        code = marker["code"]
        called = f"code {code}" + (f" ({marker['name']})" if marker["name"] else "")
        if self._seen is None:
            return _step("amplifier", "open", f"The box sent {called}. Does the amplifier show "
                                              "it?", asks=True)
        if self._seen:
            return _step("amplifier", "good", f"You saw {called} at the amplifier.")
        return _step("amplifier", "bad", f"The amplifier did not show {called}. Check the cable, "
                                         "the amplifier's trigger input, and the width that it "
                                         "needs; then send again.")

    def _log(self) -> dict[str, Any]:
        station = self._station
        if not station.log_kept:
            return _step("log", "bad", "No marker log is kept: without it, nobody can check the "
                                       "recording. End the page, and start it with the name "
                                       "of a file: tallymark page session.log")
        if station.sent.log_failed:
            return _step("log", "bad", f"{station.log_path} lacks records: {station.log.lost} were "
                                       "lost. Free some space, then start with a new file.")
        text = f"Writing {station.log_path}."
        if station.disk_is_low:
            return _step("log", "bad", f"{text} The disk is almost full.")
        return _step("log", "good", text)

    def _signature(self, plan: Plan) -> dict[str, Any]:
        form, signed = plan.signature_form, self._signed
        if form is None:
            return _step("signature", "bad", "The plan's receiver needs longer pulses than a "
                                             "signature can have: 'tallymark plan check' says "
                                             "more.")
        longest = duration(form.longest_us)
        if self._signing:
            return _step("signature", "open", "The signature plays.", busy=True)
        if signed is None:
            return _step("signature", "open", "Start the recording, then send it: the check knows "
                                              "by it which session was recorded. It takes up to "
                                              f"{longest}, and bytes are refused meanwhile.")
        if signed.pulses < PULSES:
            return _step("signature", "bad", f"It was stopped after {signed.pulses} of {PULSES} "
                                             "pulses. Send it again.")
        sent = f"Session {signed.session}: signature {signed.count} (code {form.code}) was sent"
        if self._signed_at != self._station.box_changes:
            return _step("signature", "open", f"{sent}, but the box was set up, restarted or "
                                              "connected anew since. Without another one, the "
                                              "check places the markers since then by "
                                              "codes and intervals alone. Send one in a pause "
                                              f"of the program: it takes up to {longest}, and "
                                              "bytes are refused meanwhile.", again=True)
        return _step("signature", "good", f"{sent}. Not recorded yet? Start the recording and send "
                                          "another.")


_TITLES = {
    "box": "Box found",
    "settings": "Settings fit the plan",
    "selftest": "Self-test of the wiring",
    "port": "Byte port for the program",
    "amplifier": "Test marker at the amplifier",
    "log": "Marker log on",
    "signature": "Session signature sent",
}


def _step(
    key: str, state: str, text: str, details: list[str] | None = None, **more: Any
) -> dict[str, Any]:
    return {"key": key, "title": _TITLES[key], "state": state, "text": text,
            "details": details or [], **more}
