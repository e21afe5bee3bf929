"""The delays of a log in sentences, for the screen, the report and a methods section."""

from __future__ import annotations

from tallymark.common.formatting import clock, duration, listed, some
from tallymark.markerlog.delay.result import Delays, ProbeDelay

WHAT = {"light": "the light", "sound": "the sound", "ttl": "the TTL signal"}


def ms(us: float) -> str:
    """To a tenth of a millisecond; below 1 ms, to a hundredth."""
    return f"{us / 1e3:.1f} ms" if abs(us) >= 1_000 else f"{us / 1e3:.2f} ms"


def headline(probe: ProbeDelay, refresh_hz: float | None = None) -> str:
    """One sentence: 'The light came 41.7 ms (SD 0.6) after the marker; 3 of 480 came one frame
    later.'"""
    every = probe.all_events
    if every.mean_us is None:
        return f"No delay can be told for {WHAT[probe.probe]}."
    early = every.mean_us < 0
    text = f"{_subject(probe)} came {ms(abs(every.mean_us))}"
    if every.sd_us is not None:
        text += f" (SD {ms(every.sd_us).removesuffix(' ms')})"
    text += f" {'before' if early else 'after'} the marker"
    return "; ".join([text, *_off(probe, refresh_hz)]) + "."


def _subject(probe: ProbeDelay) -> str:
    return WHAT[probe.probe][0].upper() + WHAT[probe.probe][1:]


def _off(probe: ProbeDelay, refresh_hz: float | None) -> list[str]:
    said = []
    for word, sign in (("later", 1), ("earlier", -1)):
        sizes = sorted(float(size) for size in probe.off * sign if size > 0)
        if sizes:
            said.append(f"{len(sizes)} of {probe.all_events.found} came {_by(sizes, refresh_hz)} "
                        f"{word}")
    return said


def _by(sizes: list[float], refresh_hz: float | None) -> str:
    """By how much, in frames where that is known and fits."""
    if refresh_hz:
        frames = [size * refresh_hz / 1e6 for size in sizes]
        if all(abs(each - round(each)) < 0.25 and round(each) > 0 for each in frames):
            counts = sorted({round(each) for each in frames})
            names = listed(["one" if each == 1 else str(each) for each in counts], "or")
            return f"{names} frame{'' if counts == [1] else 's'}"
    low, high = sizes[0], sizes[-1]
    if high - low < 0.1 * high:
        return ms(sum(sizes) / len(sizes))
    return f"{ms(low).removesuffix(' ms')} to {ms(high)}"


def findings(probe: ProbeDelay, range_us: tuple[int, int], refresh_hz: float | None) -> list[str]:
    """What is not as it should be, each with what to do."""
    every = probe.all_events
    what = WHAT[probe.probe]
    low, high = (f"{us / 1e3:g}" for us in range_us)
    said = []
    if probe.why == "flicker":
        said.append(f"{_subject(probe)} comes on many times at most markers: a flicker, which has "
                    "no onset. Set light=steady, or raise the threshold (`tallymark probe`).")
    elif probe.why == "rhythm":
        said.append(f"Onsets can't be told apart: markers are closer than the range of {low} to "
                    f"{high} ms, and more than one delay fits their rhythm. Narrow the range with "
                    "--range, or vary the intervals.")
    elif probe.why == "neighbour":
        said.append("Onsets can't be told apart: they fit the marker before, or behind, as well. "
                    "Set --range to where they can be, or vary the intervals.")
    elif probe.why == "no onsets":
        said.append(f"The log has no onset of {what}. Check that the box watches it "
                    f"(`tallymark settings show`, `{probe.probe}`), and where the sensor was.")
    elif every.ambiguous:
        said.append(f"{some(every.ambiguous, 'marker')} too close to others: which onset is theirs "
                    "can't be told. Narrow the range with --range.")
    if every.missing and probe.why != "no onsets":
        said.append(f"{some(every.missing, 'marker')} of {every.markers} without an onset from "
                    f"{low} to {high} ms: {what} did not come, or came later.")
    if every.still_on:
        said.append(f"{some(every.still_on, 'marker')} while {what} was on already, so that no "
                    "onset can be seen.")
    if every.unknown:
        said.append(f"{some(every.unknown, 'marker')} without an onset where the log may lack one: "
                    "not known.")
    if every.double:
        said.append(f"{some(every.double, 'marker')} with more than one onset; the one nearest to "
                    "the usual delay counts.")
    if probe.stray and not probe.why:
        said.append(f"{some(probe.stray, 'onset')} of {what} at no marker.")
    return said + _changes(probe, refresh_hz)


def _changes(probe: ProbeDelay, refresh_hz: float | None) -> list[str]:
    steady = probe.steady
    if steady is None:
        return []
    said = []
    start = int(probe.times_us[0])
    for step in steady.steps:
        later = "longer" if step.size_us > 0 else "shorter"
        said.append(f"From {clock((step.box_us - start) / 1e6)} after the first marker, the delay "
                    f"is {_by([abs(step.size_us)], refresh_hz)} {later}.")
    if steady.unsteady:
        said.append("The delay changes again and again: markers and frames are not in step.")
    if steady.drift_us_per_hour:
        grows = "grows" if steady.drift_us_per_hour > 0 else "shrinks"
        drift = abs(steady.drift_us_per_hour)
        lasted = float(probe.times_us[-1] - probe.times_us[0])
        said.append(f"The delay {grows} by {ms(drift * lasted / 3.6e9)} in {duration(lasted)} "
                    f"({ms(drift)} an hour).")
    return said


def sentences(delays: Delays | None) -> list[str]:
    """All of it, probe by probe; empty for None."""
    if delays is None:
        return []
    said = []
    for probe in delays.probes:
        said += [headline(probe), *findings(probe, delays.range_us, None)]
    return [*said, *delays.notes]
