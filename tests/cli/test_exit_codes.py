"""Exit codes: one for every error of the library; internal errors end in a message, too."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator

import click
import pytest
from command_result import STEPPED, Run

from tallymark.box.wire.protocol_enumerations import Reason, Request
from tallymark.cli import exit_codes, main
from tallymark.common import errors
from tallymark.verification.selftest import SelftestStopped
from tallymark.virtual import Server

ERRORS = [
    (errors.BadValue("x"), exit_codes.BAD_INPUT),
    (errors.NotCompiled("x"), exit_codes.BAD_INPUT),
    (errors.SettingsFileError("x"), exit_codes.BAD_INPUT),
    (errors.NotWritten("x", OSError(28, "No space left on device")), exit_codes.BAD_INPUT),
    (errors.PortNotFound("p", "x"), exit_codes.NOT_OPENED),
    (errors.PortBusy("p", "x"), exit_codes.NOT_OPENED),
    (errors.PortDenied("p", "x"), exit_codes.NOT_OPENED),
    (errors.NotABox("p", "x"), exit_codes.NOT_OPENED),
    (errors.PortError("p", "x"), exit_codes.NOT_OPENED),
    (errors.VersionError(2, 1), exit_codes.NOT_OPENED),
    (errors.PortGone("p", "x"), exit_codes.CONNECTION),
    (errors.Unconfirmed("x", [(1, 5)]), exit_codes.CONNECTION),
    (errors.NoAnswer(Request.LEVELS, 0.5), exit_codes.CONNECTION),
    (errors.StudyStopped("x"), exit_codes.CONNECTION),
    (errors.Refused(Reason.PLAYING, 0, Request.PULSE), exit_codes.REFUSED),
    (SelftestStopped("x"), exit_codes.REFUSED),
    (errors.TallymarkError("x"), exit_codes.NOT_GOOD),
]


@pytest.mark.parametrize(("error", "code"), ERRORS, ids=lambda value: type(value).__name__)
def test_code_of_each_error(error: errors.TallymarkError, code: int) -> None:
    assert exit_codes.code_of(error) == code
    assert code in dict(exit_codes.TABLE)


def test_no_error_is_forgotten() -> None:
    known = {kind for kind in vars(errors).values() if isinstance(kind, type)}
    kinds = {kind for kind in known if issubclass(kind, errors.TallymarkError)}
    assert kinds <= {type(error) for error, _ in ERRORS}


@pytest.fixture
def broken_command() -> Iterator[str]:
    @click.command()
    def broken() -> None:
        raise ZeroDivisionError("halves [of] nothing")

    main.add_command(broken)
    yield "broken"
    del main.commands["broken"]


def test_fault_of_the_program(run: Run, broken_command: str) -> None:
    ran = run(broken_command)
    assert ran.code == exit_codes.FAULT
    assert "Internal error: ZeroDivisionError('halves [of] nothing')" in ran.words
    assert "TALLYMARK_TRACE=1" in ran.words


def test_trace_on_request(
    run: Run, broken_command: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TALLYMARK_TRACE", "1")
    with pytest.raises(ZeroDivisionError):
        run(broken_command)


def test_version(run: Run) -> None:
    assert run("--version").out.startswith("tallymark, version ")


def test_log_on_request(run: Run, served: Server) -> None:
    """The library logs a refused marker; without -v only the command's own words are shown."""
    run("settings", "change", "lines=0,1", "--box", served.where)
    args = ("pulse", 4, "--box", served.where)
    assert run(*args).words.startswith("Error:")
    assert "Marker 1 (code 4)" not in run(*args).words
    assert "Marker 1 (code 4)" in run("-v", *args).words


def test_a_reader_that_stops_early_gets_no_traceback() -> None:
    program = f"{sys.executable} -c 'from tallymark.cli import main; main()'"
    ran = subprocess.run(
        f"{program} selftest --json --box '{STEPPED}' | head -1",
        shell=True, capture_output=True, text=True, check=False,
    )
    assert ran.stdout == "{\n"
    assert "Traceback" not in ran.stderr
