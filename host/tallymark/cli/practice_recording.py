"""`tallymark practice`: make a practice recording and its marker log, without a box.

Exit codes: 0 written; 2 the settings make no sense or a file can't be written.
"""

from __future__ import annotations

import math
import secrets
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tallymark.box.probe_modes import LEVEL_HIGHEST
from tallymark.cli import common
from tallymark.cli.output_files import check_new
from tallymark.cli.shared_help_texts import WithFaults
from tallymark.common.errors import BadValue
from tallymark.common.lines.readback_wiring_model import Wiring
from tallymark.plan import Plan, load

if TYPE_CHECKING:
    from tallymark.virtual.stimuli import Stage

SEEDS = 1_000_000


@click.command(cls=WithFaults)
@click.argument("plan_file", type=click.Path(path_type=Path))
@click.argument("recording", type=click.Path(path_type=Path))
@click.argument("log", type=click.Path(path_type=Path))
@click.option(
    "--markers",
    type=click.IntRange(2, 1_000_000),
    help="Number of markers, drawn at random. Default: the counts of the plan in a plausible "
    "order, or 200 if it gives none.",
)
@click.option(
    "--clock-error",
    type=float,
    default=35.0,
    show_default=True,
    metavar="PPM",
    help="Rate of the recording's clock against the box's, in parts per million.",
)
@click.option("--lost", type=click.FloatRange(0, 50), default=0.0, help="Per cent of markers.")
@click.option("--extra", type=click.FloatRange(0, 50), default=0.0, help="Per cent of markers.")
@click.option("--altered", type=click.FloatRange(0, 50), default=0.0, help="Per cent of markers.")
@click.option("--fault", multiple=True, help="A wiring fault from the list below; may be repeated.")
@click.option("--drop", type=common.time_option, default="0", metavar="TIME",
              help="Gap in the middle of the recording: 500ms, 1.5s.")
@click.option("--late", type=common.time_option, default="0", metavar="TIME",
              help="Late start of the recording: 20s.")
@click.option("--refresh", type=click.FloatRange(20, 1000), default=60.0, show_default=True,
              metavar="HZ", help="Of the simulated display, for events with a probe.")
@click.option("--display-lag", type=common.time_option, default="12ms", show_default=True,
              metavar="TIME", help="Its input lag.")
@click.option("--dropped-frames", type=click.FloatRange(0, 50), default=0.0,
              help="Per cent of the events with a probe that come a frame late.")
@click.option("--flicker", type=click.FloatRange(0, 2000), default=0.0, metavar="HZ",
              help="Frequency of the display's backlight; 0: it is steady.")
@click.option("--room-light", type=click.IntRange(0, LEVEL_HIGHEST), default=0, metavar="LEVEL",
              help="Light of the room at the sensor, 0 to 65535; a white patch of the display adds "
              "40000. The threshold is that of a dark room.")
@click.option("--room-flicker", type=click.IntRange(0, LEVEL_HIGHEST), default=0, metavar="LEVEL",
              help="How far the room's light goes up and down, 100 times a second, as with a lamp "
              "on mains of 50 Hz.")
@click.option("--seed", type=click.IntRange(0),
              help="Seed of the random numbers: with the same one, the same markers are made. "
                   "Default: another one each time, which is printed.")
@common.json_option
def practice(
    plan_file: Path, recording: Path, log: Path, as_json: bool, **options: Any
) -> None:
    """Make a practice recording, optionally with faults.

    Writes a RECORDING (EDF+; BDF+, with samples of 24 bits, if its name ends in .bdf) and its
    marker LOG for the events of PLAN_FILE. The virtual box sends
    them at random intervals; a simulated amplifier samples its lines, with the faults that you
    choose. So `check` can be tried and taught without hardware. The inserted faults are printed:
    `check` has to find them. If the plan reserves a code for the session signature, two are sent;
    --lost, --extra and --altered leave them alone.

    For events with a probe (`probe = "light"` or `"sound"` in the plan), a simulated display and
    loudspeaker make what the sensors of the box see, so that the log has its onsets: try
    `tallymark delay` on it.
    """
    from tallymark.virtual.practice import (
        Amplifier,
        Truth,
        changes_of,
        disturb,
        play,
        pulses_of,
        sample,
        write_recording,
    )
    from tallymark.virtual.practice.edf_writer import FORMATS

    form = FORMATS.get(recording.suffix.lower())
    if form is None:
        raise BadValue(f"The name of a recording ends in .edf or .bdf, not as {recording}. Nothing "
                       "was written. The order is: tallymark practice PLAN RECORDING LOG")
    check_new(recording, log)
    plan = load(plan_file)
    # The logs of two sessions of one seed fit each other's recordings, which no session does.
    seed = secrets.randbelow(SEEDS) if options["seed"] is None else options["seed"]
    stage = _stage(plan, seed, options)
    with common.progress("sending") as update:
        changes = play(
            plan,
            options["markers"],
            log,
            seed,
            lambda done, total: update("sending", done, total),
            stage,
        )
    receiver = plan.receiver
    if receiver.box_idle == ("high" if receiver.active == "high" else "low"):  # something inverts
        changes = [(at, levels ^ 0xFF) for at, levels in changes]
    idle = 0xFF if receiver.active == "low" else 0
    shares = (options["lost"] / 100, options["extra"] / 100, options["altered"] / 100)
    every = pulses_of(changes, idle)
    pulses = [pulse for pulse in every if pulse.code != plan.signature_code]
    disturbed = disturb(pulses, *shares, seed=seed, lines=receiver.lines)
    if any(shares):
        signatures = [pulse for pulse in every if pulse.code == plan.signature_code]
        there = sorted([*disturbed.pulses, *signatures], key=lambda pulse: pulse.time_us)
        changes = changes_of(there, idle)
    rate = round(receiver.sampling_rate or 1000)
    begin = 1e6 + options["late"]
    duration = math.ceil((changes[-1][0] + 1e6 - begin) / 1e6)
    if duration < 2:
        raise BadValue("The recording would begin after the session. Choose a smaller --late.")
    drop = ((duration / 2, round(options["drop"] * rate / 1e6)),) if options["drop"] else ()
    amplifier = Amplifier(
        rate, options["clock_error"], begin, duration, dropped=drop, other_bits=form.limit >> 3
    )
    wiring = Wiring(options["fault"])
    sampled = sample(changes, wiring, amplifier)
    with common.progress("writing") as update:
        write_recording(
            recording, sampled, progress=lambda done, total: update("writing", done, total)
        )
    truth = Truth.of(plan, pulses, disturbed, wiring, amplifier)
    if as_json:
        late = {} if stage is None else {"late_stimuli": stage.late}
        common.print_json(
            {"recording": str(recording), "log": str(log), "seed": seed, **truth.as_data(), **late}
        )
        return
    click.echo(f"Written: {recording} and {log} (--seed {seed} makes the same markers again). "
               "Inserted faults:")
    common.print_rows(truth.rows())
    if stage is not None:
        common.print_rows([("stimuli a frame late", f"{len(stage.late):,}")])


def _stage(plan: Plan, seed: int, options: dict[str, Any]) -> Stage | None:
    """The display and the loudspeaker of a plan that has something for them."""
    from tallymark.virtual.stimuli import Display, Room, Stage

    has_room = bool(options["room_light"] or options["room_flicker"])
    if has_room and not any(event.probe == "light" for event in plan.events):
        raise BadValue("--room-light and --room-flicker are for a plan with an event that a light "
                       'sensor sees (probe = "light"). Nothing was written.')
    if not any(event.probe in ("light", "sound") for event in plan.events):
        return None
    display = Display(options["refresh"], float(options["display_lag"]), pwm_hz=options["flicker"])
    room = Room(options["room_light"], options["room_flicker"]) if has_room else None
    return Stage(display, dropped=options["dropped_frames"] / 100, seed=seed, room=room)
