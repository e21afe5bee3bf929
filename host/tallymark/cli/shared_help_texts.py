"""Sections of help texts that several commands share: names of wiring faults, virtual boxes."""

from __future__ import annotations

import click

from tallymark.virtual.url_option_help import OPTIONS


class WithFaults(click.Command):
    """A command whose help lists the wiring faults."""

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The faults by name."""
        from tallymark.common.lines.readback_wiring_model import fault_forms

        with formatter.section("Wiring faults"):
            formatter.write_dl(fault_forms())
        super().format_epilog(ctx, formatter)


def write_virtual(formatter: click.HelpFormatter) -> None:
    """What can be asked of a virtual box."""
    with formatter.section("Virtual boxes"):
        formatter.write_dl(
            [
                ("--box virtual", "a box without hardware, in real time"),
                ("--box 'virtual://?A&B'", "one with options, such as these:"),
                *OPTIONS.values(),
            ]
        )
