"""After the session: files are dropped and checked; what a window brings is data, never a path."""

from __future__ import annotations

import asyncio
import base64
import http.client
import json
import subprocess
from collections.abc import Coroutine, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from page_rig import FERRY, TALLYMARK, Running

from tallymark.common.errors import BadValue
from tallymark.page.recording_checks import FILES_MOST, RecordingChecks

DROP = """async files => {
  const carried = new DataTransfer();
  for (const [name, text] of files) {
    const bytes = Uint8Array.from(atob(text), each => each.charCodeAt(0));
    carried.items.add(new File([bytes], name));
  }
  const place = document.getElementById('drop');
  for (const kind of ['dragover', 'drop'])
    place.dispatchEvent(new DragEvent(kind, {dataTransfer: carried, bubbles: true}));
}"""


@pytest.fixture(scope="module")
def practised(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """monday: all is well; tuesday: line 4 is open on the way to the amplifier."""
    folder = tmp_path_factory.mktemp("recordings")
    for name, options in (("monday", ["--seed", "1"]),
                          ("tuesday", ["--seed", "2", "--fault", "open:4"])):
        subprocess.run(
            [*TALLYMARK, "practice", FERRY, folder / f"{name}.bdf", folder / f"{name}.log",
             "--markers", "60", *options],
            check=True, capture_output=True,
        )
    return folder


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """One page for the tests without a browser."""
    page = Running(tmp_path_factory.mktemp("page"), "virtual")
    yield page
    page.kill()


def finish(work: Coroutine[Any, Any, None]) -> None:
    """Runs it in a thread: the browser has an event loop in this one."""
    with ThreadPoolExecutor(1) as threads:
        threads.submit(asyncio.run, work).result()


def carried(*paths: Path) -> list[list[str]]:
    return [[path.name, base64.b64encode(path.read_bytes()).decode()] for path in paths]


def card(page: Any, name: str) -> Any:
    return page.locator("#checked > li", has=page.get_by_role("heading", name=name))


def test_recordings_and_logs_are_dropped_and_checked(start, window, practised, picture):
    page = window(start())
    page.get_by_role("button", name="After the session").click()
    page.evaluate(DROP, carried(*sorted(practised.iterdir())))
    page.get_by_text("2 of 2 checked; 1 is as it should be.").wait_for()
    monday, tuesday = card(page, "monday.bdf").inner_text(), card(page, "tuesday.bdf").inner_text()
    assert "✓ All" in monday
    assert "60 arrived" in monday
    assert "✗" in tuesday
    assert "line 4" in tuesday.lower()
    picture(page, "after-checked")
    with page.expect_popup() as opened:
        page.get_by_role("link", name="Report on tuesday.bdf").click()
    report = opened.value
    assert "tuesday" in report.locator("body").inner_text()
    assert "boat appears" in report.content() or "ferry at left" in report.content()


def test_a_log_is_chosen_where_it_can_not_be_told(start, window, practised, tmp_path):
    page = window(start())
    page.get_by_role("button", name="After the session").click()
    recording = tmp_path / "unnamed.bdf"
    recording.write_bytes((practised / "monday.bdf").read_bytes())
    page.set_input_files(
        "#files", [recording, practised / "monday.log", practised / "tuesday.log"]
    )
    page.get_by_text("Not checked: no marker log here is named like").wait_for()
    page.get_by_label("Marker log:").select_option(label="monday.log")
    card(page, "unnamed.bdf").get_by_text("60 arrived").wait_for()
    page.get_by_label("Marker log:").select_option(label="tuesday.log")
    card(page, "unnamed.bdf").locator(".result:not(.good)").wait_for()


def with_a_marker_before(log: Path, to: Path, **more: object) -> Path:
    """A copy of a log with one more marker, 10 s before its first: before the recording."""
    lines = [json.loads(line) for line in log.read_text().splitlines()]
    for line in lines:
        if "box" in line and "marker_log" not in line:
            line["box"] += 20_000_000
    first, done = lines[1:3]
    sent = {"sent": 0, "code": 3, "width": 5000, **more, "host": first["host"] - 10_000_000}
    lines[1:1] = [sent, {**done, "done": 0, "box": done["box"] - 10_000_000, "host": sent["host"]}]
    to.write_text("".join(json.dumps(line) + "\n" for line in lines))
    return to


def test_a_test_marker_is_not_asked_for_and_a_part_can_be_meant(start, window, practised, tmp_path):
    page = window(start())
    page.get_by_role("button", name="After the session").click()
    logs = [with_a_marker_before(practised / "monday.log", tmp_path / "test.log", test=True),
            with_a_marker_before(practised / "monday.log", tmp_path / "part.log")]
    for name in ("test", "part"):
        (tmp_path / f"{name}.bdf").write_bytes((practised / "monday.bdf").read_bytes())
    page.set_input_files("#files", [tmp_path / "test.bdf", tmp_path / "part.bdf", *logs])
    page.get_by_text("2 of 2 checked; 1 is as it should be.").wait_for()
    card(page, "test.bdf").get_by_text("1 marker of a test before the session was not asked for"
                                       ).wait_for()
    part = card(page, "part.bdf")
    part.get_by_text("✗ Only a part was recorded").wait_for()
    assert "--part" not in part.inner_text()
    assert "tick the box below" in part.inner_text()
    part.get_by_label("The recording is meant to hold only a part").check()
    part.get_by_text("✓ All markers arrived").wait_for()
    assert part.get_by_label("The recording is meant to hold only a part").is_checked()
    page.get_by_text("2 of 2 checked; 2 are as they should be.").wait_for()


def test_the_log_of_this_session_is_taken_without_another(start, window, practised):
    page = window(start())
    page.get_by_role("button", name="After the session").click()
    page.set_input_files("#files", [practised / "monday.bdf"])
    page.locator("#checked .result").wait_for()  # no marker was sent in this session
    text = card(page, "monday.bdf").inner_text()
    assert "✓" not in text
    assert page.get_by_label("Marker log:").evaluate("one => one.selectedOptions[0].text") == (
        "the log of this session"
    )


def test_the_log_of_another_recording_is_not_taken(start, window, practised, tmp_path):
    """A pair that comes later leaves a recording with the log it was checked with."""
    page = window(start())
    page.get_by_role("button", name="After the session").click()
    first = tmp_path / "first.bdf"
    first.write_bytes((practised / "monday.bdf").read_bytes())
    page.set_input_files("#files", [first])
    chosen = card(page, "first.bdf").get_by_text("Log chosen because no other was brought: the "
                                                 "log of this session.")
    chosen.wait_for()
    page.locator("#checked .result").wait_for()
    page.set_input_files("#files", [practised / "monday.bdf", practised / "monday.log"])
    card(page, "monday.bdf").get_by_text("60 arrived").wait_for()
    card(page, "monday.bdf").get_by_text("Log chosen because it is named like the recording: "
                                         "monday.log.").wait_for()
    assert chosen.is_visible()
    assert "✓" not in card(page, "first.bdf").inner_text()


def test_a_log_that_comes_later_is_taken_and_told(start, window, practised, tmp_path):
    page = window(start())
    page.get_by_role("button", name="After the session").click()
    page.set_input_files("#files", [practised / "monday.bdf"])
    page.locator("#checked .result").wait_for()
    page.set_input_files("#files", [practised / "monday.log"])
    page.get_by_text("Log chosen because it is named like the recording: monday.log. Before, it "
                     "was checked with the log of this session.").wait_for()
    card(page, "monday.bdf").get_by_text("60 arrived").wait_for()


def test_what_is_no_recording_is_told(start, window, practised, tmp_path):
    page = window(start())
    page.get_by_role("button", name="After the session").click()
    (tmp_path / "holiday.jpg").write_bytes(b"\xff\xd8\xff")
    (tmp_path / "broken.edf").write_bytes(b"\x00" * 50)
    files = [tmp_path / "holiday.jpg", tmp_path / "broken.edf", practised / "monday.log"]
    page.set_input_files("#files", files)
    page.get_by_text("holiday.jpg is neither a recording nor a marker log").wait_for()
    card(page, "broken.edf").get_by_text("? Could not be checked").wait_for()
    assert "/" not in card(page, "broken.edf").locator("ul").inner_text()
    page.get_by_role("button", name="Remove these files").click()
    assert page.locator("#checked > li").count() == 0
    assert page.locator("#not-taken > li").count() == 0


def new_batch(running: Running) -> str:
    return str(running.post("/api/checks")[1]["batch"])


@pytest.mark.parametrize("name", [
    "../evil.edf", "..%2fevil.edf", "%2fetc%2fpasswd", "a%5cb.edf", "%00.edf", "", ".", "..",
    ".hidden", "x" * 200, "con.edf", "a%0a.edf", "c:x.edf", "x.",
])
def test_a_name_is_never_a_path(shared: Running, name):
    key = new_batch(shared)
    status, text, _ = shared.get(
        f"/api/checks/{key}/file?name={name}", b"x", {"x-tallymark-token": shared.token}
    )
    assert status == 400
    assert "not taken" in json.loads(text)["error"]


def claimed(running: Running, key: str, size: int, data: bytes) -> int:
    """The answer to an upload that says it has a size."""
    link = http.client.HTTPConnection(running.host, timeout=30)
    link.putrequest("POST", f"/api/checks/{key}/file?name=a.edf")
    link.putheader("x-tallymark-token", running.token)
    link.putheader("content-length", str(size))
    link.endheaders()
    link.send(data)
    return link.getresponse().status


def test_a_file_that_is_too_large_is_refused_before_it_comes(shared: Running):
    key = new_batch(shared)
    assert claimed(shared, key, 2**40, b"x") == 400
    headers = {"x-tallymark-token": shared.token}
    assert shared.get(f"/api/checks/{key}/file?name=a.edf", b"x", headers)[0] == 200
    status, text, _ = shared.get(f"/api/checks/{key}/file?name=A.edf", b"x", headers)
    assert status == 400
    assert "two files" in json.loads(text)["error"]


def test_the_limits_hold_while_a_file_comes(tmp_path):
    async def pieces(count: int) -> Any:
        for _ in range(count):
            yield b"x" * 1000

    checks = RecordingChecks(None, file_most=10_000)
    batch = checks.batch(checks.new())
    with pytest.raises(BadValue, match="larger"):
        finish(batch.add("a.edf", None, pieces(11)))
    assert list(batch.folder.iterdir()) == []
    assert batch.names == []
    for number in range(FILES_MOST):
        finish(batch.add(f"{number}.edf", "10000", pieces(10)))
    with pytest.raises(BadValue, match="No more than"):
        finish(batch.add("one more.edf", None, pieces(1)))
    folder = batch.folder
    for _ in range(10):
        checks.new()
    assert not folder.exists()
    checks.close()
    assert not folder.parent.exists()


def test_only_files_of_the_batch_are_read(shared: Running):
    key = new_batch(shared)
    headers = {"x-tallymark-token": shared.token}
    assert shared.get(f"/api/checks/{key}/file?name=a.edf", b"x", headers)[0] == 200
    for recording, log in (("../../etc/passwd", ""), (str(shared.log), ""), ("a.edf", "../b.log"),
                           ("a.edf", str(shared.log)), ("plan.toml", "")):
        status, answer = shared.post(f"/api/checks/{key}/run", recording=recording, log=log)
        assert status == 400, recording
        assert "not here" in answer["error"]
    assert shared.get("/report/..%2f..%2fetc%2fpasswd")[0] == 404
    assert shared.get("/report/x")[0] == 404
    assert shared.get(f"/api/checks/{key}/pairs")[0] == 401


def test_a_report_can_run_nothing(shared: Running, practised):
    key = new_batch(shared)
    headers = {"x-tallymark-token": shared.token}
    for name in ("monday.bdf", "monday.log"):
        data = (practised / name).read_bytes()
        assert shared.get(f"/api/checks/{key}/file?name={name}", data, headers)[0] == 200
    status, answer = shared.post(f"/api/checks/{key}/run", recording="monday.bdf", log="monday.log")
    assert status == 200
    assert answer["mood"] == "good"
    _, _, told = shared.get(f"/report/{answer['report']}")
    assert "sandbox" in told["content-security-policy"]
    assert "default-src 'none'" in told["content-security-policy"]
