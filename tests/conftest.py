"""For all tests."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterable, Iterator
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import log_schema
import pytest

ROOT = Path(__file__).resolve().parents[1]

# A shell starts what runs in its background with Ctrl-C ignored, and programs pass that on to those
# that they start. Tests that send Ctrl-C to a program need it to be heard.
signal.signal(signal.SIGINT, signal.default_int_handler)


def newest(paths: Iterable[Path]) -> float:
    """When the last of some files was changed; 0 without any."""
    return max((path.stat().st_mtime for path in paths), default=0.0)


def build_virtual_box() -> None:
    """Compiles the virtual box if the firmware is newer: tests must not run another firmware than
    that of the checkout. Ends the run, in words, where that fails."""
    virtual = ROOT / "host/tallymark/virtual"
    spec = find_spec("tallymark")
    if spec is None or Path(spec.origin or "").parent != virtual.parent:
        return  # KiCad's own Python, which runs the hardware tests alone, or an installed package
    firmware = [
        path
        for folder in ("firmware/core", "firmware/boards/virtual")
        for path in (ROOT / folder).glob("*.[ch]")
    ] + [ROOT / "firmware/boards/usb_id.h"]
    built = newest([*virtual.glob("_virtual*.so"), *virtual.glob("_virtual*.pyd")])
    first_byte = ROOT / "host/tallymark/bridge/first_byte"
    way = newest(first_byte.glob("_first_byte*.so"))
    if built > newest([*firmware, virtual / "cffi_build.py"]) and (
        sys.platform != "linux" or way > newest([*first_byte.glob("*.[ch]"), *firmware])
    ):
        return
    done = subprocess.run(
        ["make", "-s", "-f", "tests/mutants/extensions.mk", f"PYTHON={sys.executable}"],
        cwd=ROOT, capture_output=True, text=True,
    )
    if done.returncode:
        print(done.stdout + done.stderr, file=sys.stderr)
        pytest.exit(
            "The virtual box is older than the firmware in this checkout, and could not be "
            "compiled, so no test would prove anything. Build it: make .venv/ready",
            returncode=4,
        )


build_virtual_box()

ROOMS_OF_COMMANDS = ("bridge", "cli", "markerlog", "monitor", "signature")
"""Where programs of their own write marker logs into `tmp_path`."""

if find_spec("hypothesis") is not None:
    # An example that takes longer than 200 ms, the first one for instance, is no failure.
    hypothesis = import_module("hypothesis")
    hypothesis.settings.register_profile("untimed", deadline=None)
    hypothesis.settings.load_profile("untimed")

LOGS = find_spec("tallymark") is not None and find_spec("jsonschema") is not None
if LOGS:
    log_schema.watch()


@pytest.fixture(autouse=True)
def records_of_logs(request: pytest.FixtureRequest) -> Iterable[None]:
    """What marker logs write in a test is as protocol/MARKERLOG.md says. In the rooms of commands
    that is true of the files as well, unless the test, or its module, is marked with `logs_by_hand`
    because it makes them up or damages them."""
    folder = None
    if (
        "tmp_path" in request.fixturenames
        and request.path.parent.name in ROOMS_OF_COMMANDS
        and request.node.get_closest_marker("logs_by_hand") is None
    ):
        folder = request.getfixturevalue("tmp_path")
    yield
    if LOGS:
        if folder is not None:
            log_schema.check_files(folder)
        found = list(log_schema.problems)
        log_schema.problems.clear()
        assert not found, "records that protocol/markerlog.schema.json does not allow"


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Chromium, for pages and reports: one for all rooms, as no second one can be begun beside it.
    """
    found = shutil.which("chromium")
    if found is None and not os.environ.get("CI"):
        pytest.skip("chromium is not installed: apt-get install chromium")
    assert found, "pages are tested in Chromium: apt-get install chromium"
    from playwright.sync_api import sync_playwright  # not there for the hardware tests

    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=found, args=["--no-sandbox"])
        yield opened
        opened.close()
