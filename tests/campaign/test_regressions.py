"""What the campaign has found, cut down to the steps that it takes."""

from __future__ import annotations

from scripts import Step, play
from world import World


def holds(ppm: float, steps: list[Step]) -> None:
    """Plays a script, after every step of which every promise holds."""
    with World(ppm) as world:
        play(world, steps)


def test_times_of_a_byte_before_a_second_restart_are_not_converted_by_its_clock():
    """The clocks were never compared between the two restarts, so its host time isn't known."""
    holds(20.0, [
        ("set", 2),
        ("power", 0, 3),
        ("byte", 0, 255),
        ("power", 350, 2),
        ("sleep", 30_000),
    ])


def test_a_full_window_is_no_reason_to_ask_again_and_again_for_a_fate():
    """The first marker of a burst is lost; the rest fills the window, so that nothing can ask."""
    holds(-50.0, [
        ("sleep", 1000),
        ("flood box", 117, 637574364),
        ("set", 0),
        ("flood box", 63, 106545602),
        ("sync",),
        ("burst", 76, 254),
    ])


def test_the_last_tag_does_not_go_back_when_a_marker_has_waited_through_a_whole_round_of_places():
    """Its host was killed; the next one's markers have taken its place before its gap is over."""
    holds(0.0, [
        ("settings", {"width_us": 1000, "gap_us": 40_000, "hold_limit_us": 0, "lines": 255,
                      "idle": 0, "overlap": 0, "byte_mode": 0}),
        ("pulse", 5, 1),
        ("kill", 2, 9999),
        ("sleep", 30_000),
        ("pulse", 255, None),
        ("burst", 55, 137),
        ("sequence", [(2, 1), (255, 100_000), (1, 300), (2, 100_000)], 1),
        ("blocks",),
        ("sleep", 30_000),
        ("sync",),
        ("sleep", 5000),
    ])


def test_notices_that_were_lost_right_before_a_heard_restart_are_told():
    """The restart comes before the box could be asked whether it had restarted earlier."""
    holds(-50.0, [
        ("sleep", 5000),
        ("silence", 700000),
        ("set", 1),
        ("restart",),
        ("byte", 0, 64),
        ("byte", 500, 0),
        ("flood host", 167, 432781533),
    ])


def test_a_notice_right_behind_the_identity_is_not_told_as_lost():
    """Both come in one read, before the program that opens the box has seen the identity."""
    holds(5000.0, [
        ("sequence", [(64, 5000), (128, 1), (1, 5000), (3, 300)], 2),
        ("to host", "late", 300000),
        ("blocks",),
        ("pulse", 64, 1000),
        ("pulse", 5, 1),
        ("byte", 500, 64),
        ("burst", 40, 225),
    ])


def test_a_marker_whose_record_lacks_its_line_end_alone_is_in_the_log_of_a_killed_program():
    """The disk takes the record without its line end; the marker goes out, and the program ends."""
    holds(0.0, [
        ("burst", 67, 59),
        ("wait",),
        ("disk", "short", 2, 53),
        ("pulse", 255, 20000),
        ("wait",),
        ("pulse", 255, 1000),
        ("kill", 0, 3),
        ("settings", {"width_us": 1000, "gap_us": 0, "hold_limit_us": 0, "lines": 7, "idle": 1,
                      "overlap": 0, "byte_mode": 0}),
    ])


def test_a_notice_that_the_next_start_completes_is_of_the_start_before():
    """It lacks its end alone, which comes right before the notice of the start."""
    holds(-5000.0, [
        ("to host", "cut", 457756324),
        ("byte", 0, 64),
        ("power", 100, 3),
        ("pulse", 128, 5000),
    ])


def test_a_marker_in_the_microsecond_of_a_start_is_not_taken_for_the_start():
    """A fault of the campaign's own law of the lines, which then missed the code's edge."""
    holds(0.0, [
        ("settings", {"width_us": 900, "gap_us": 1, "hold_limit_us": 0, "lines": 255, "idle": 1,
                      "overlap": 0, "byte_mode": 2, "strobe": 128, "strobe_lead_us": 40,
                      "strobe_hold_us": 60}),
        ("keep",),
        ("to box", "split", 600_000),
        ("restart",),
        ("pulse", 5, 900),
    ])
