"""`tallymark plan new`: from a list, and from answers."""

from __future__ import annotations

import io
import sys
from itertools import combinations
from pathlib import Path

import pytest
from command_result import Run

from tallymark import plan
from tallymark.cli import exit_codes

LISTS = {
    "commas": "name,code,width,count,about\nhorn,36,20ms,96,loud\nferry lands,0x05,,,\n",
    "semicolons, with a mark": "\ufeffName;Code;Width;Count;About\nhorn;36;20ms;96;loud\n"
                               "ferry lands;0b101;;;\n",
    "tabs, empty rows": "name\tcode\twidth\tcount\tabout\n\t\t\t\t\nhorn\t36\t20ms\t96\tloud\n"
                        "\nferry lands\t5\t\t\t\n",
}  # fmt: skip


@pytest.mark.parametrize("kind", LISTS)
def test_a_plan_from_a_list(run: Run, tmp_path: Path, kind: str) -> None:
    source, file = tmp_path / "codes.csv", tmp_path / "plan.toml"
    source.write_text(LISTS[kind], encoding="utf-8")
    ran = run("plan", "new", file, "--from", source, "--rate", 1000, "--interval", "0.2s")
    assert ran.code == 0, ran.err
    assert f"Nothing is wrong with it: tallymark plan check {file}" in ran.out
    read = plan.load(file)
    horn, lands = read.events
    assert (horn.name, horn.code, horn.width_us, horn.count, horn.about) == (
        "horn", 36, 20_000, 96, "loud")
    assert (lands.name, lands.code, lands.width_us, lands.count) == ("ferry lands", 5, 5_000, None)
    assert (read.receiver.sampling_rate, read.receiver.least_samples) == (1000, 2)
    assert read.session.least_interval_us == 200_000
    assert run("plan", "check", file).code == 0


def test_a_list_of_a_spreadsheet_on_windows(run: Run, tmp_path: Path) -> None:
    source = tmp_path / "codes.csv"
    source.write_bytes("name;code\nÜberfahrt;3\n".encode("cp1252"))
    assert run("plan", "new", tmp_path / "plan.toml", "--from", source).code == 0
    assert plan.load(tmp_path / "plan.toml").events[0].name == "Überfahrt"


def test_codes_that_are_missing_are_proposed(run: Run, tmp_path: Path) -> None:
    source, file = tmp_path / "codes.csv", tmp_path / "plan.toml"
    source.write_text("name,code\na,\nb,6\nc,\nd,\n")
    made = run("plan", "new", file, "--from", source, "--lines", "0-3", "--json").json
    codes = list(made["events"].values())
    assert made["events"]["b"] == 6
    assert all(0 < code < 16 for code in codes)
    assert min((one ^ other).bit_count() for one, other in combinations([0, *codes], 2)) == 2
    assert plan.load(file).session.distance == 2
    source.write_text("name,code\n" + "".join(f"{letter},\n" for letter in "abcdefghijklmno"))
    again = run("plan", "new", file, "--from", source, "--lines", "0-3", "--replace", "--json")
    assert sorted(again.json["events"].values()) == list(range(1, 16))
    assert plan.load(file).session.distance == 1
    source.write_text(source.read_text() + "p,\n")
    none = run("plan", "new", file, "--from", source, "--lines", "0-3", "--replace")
    assert none.code == exit_codes.BAD_INPUT
    assert "There are no 16 more codes on these lines" in none.words


@pytest.mark.parametrize(
    ("given", "lines", "proposed", "distance"),
    [
        ((1, 2), "0-2", {4, 7}, 2),  # the others all differ from one of them in one line only
        ((1, 2), "0-7", {7, 11}, 2),  # neither vanishes with one open line, as 4 would
        ((3, 1), "0-3", {6, 10}, 1),  # those given are too close already
        ((3, 1), "0-2", {6, 2}, 1),  # there is only one left that is far enough from both
        ((32,), "0-2", {3, 5}, 2),  # one that the lines don't carry: the check says it
    ],
)
def test_proposed_codes_differ_from_given_ones_in_two_lines_where_they_can(
    run: Run, tmp_path: Path, given: tuple[int, ...], lines: str, proposed: set[int], distance: int
) -> None:
    source, file = tmp_path / "codes.csv", tmp_path / "plan.toml"
    rows = zip("abcd", (*given, "", ""), strict=False)
    source.write_text("name,code\n" + "".join(f"{name},{code}\n" for name, code in rows))
    made = run("plan", "new", file, "--from", source, "--lines", lines, "--json").json
    assert set(made["events"].values()) - set(given) == proposed
    assert plan.load(file).session.distance == distance


def test_a_few_codes_that_are_far_apart_are_better_than_none(run: Run, tmp_path: Path) -> None:
    source, file = tmp_path / "codes.csv", tmp_path / "plan.toml"
    source.write_text("name,code\n" + "".join(f"{letter},\n" for letter in "abcdefghi"))
    made = run("plan", "new", file, "--from", source, "--lines", "0-3", "--json").json
    codes = set(made["events"].values())
    assert len(codes) == 9
    assert {3, 5, 6, 9, 10, 12, 15} <= codes  # all that keep two lines from one another and idle
    source.write_text("name,code\n" + "".join(f"{letter},\n" for letter in "abcdefgh"))
    made = run("plan", "new", file, "--from", source, "--lines", "0-3", "--replace", "--json").json
    pairs = combinations(made["events"].values(), 2)  # eight do, if some have a single line
    assert min((one ^ other).bit_count() for one, other in pairs) == 2


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("name,code\n", "has a heading and no events"),
        ("event,code\nhorn,3\n", "has no column 'name'"),
        ("name,code,colour\nhorn,3,red\n", "column 'colour' is not known"),
        ("name,code\nhorn,300\n", "row 2: a code goes from 1 to 255, not 300"),
        ("name,code\nhorn,0\n", "row 2: a code goes from 1 to 255, not 0"),
        ("name,code\nhorn,three\n", "row 2: 'three' is not a code"),
        ("name,code,width\nhorn,3,20\n", "row 2: width: '20' has no unit"),
        ("name,code,count\nhorn,3,some\n", "row 2: count: must be a whole number"),
        ("name,code\n,3\n", "row 2: has no name"),
    ],
)
def test_a_list_that_can_not_be_meant(run: Run, tmp_path: Path, text: str, words: str) -> None:
    source, file = tmp_path / "codes.csv", tmp_path / "plan.toml"
    source.write_text(text)
    ran = run("plan", "new", file, "--from", source)
    assert ran.code == exit_codes.BAD_INPUT
    assert words in ran.words
    assert not file.exists()


def answer(monkeypatch: pytest.MonkeyPatch, *answers: str) -> None:
    text = "".join(f"{line}\n" for line in answers)
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(text.encode())))


def test_a_plan_from_answers(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "plan.toml"
    answer(monkeypatch, "Ferry", "fast", "500", "0-3", "20", "20ms", "", "", "horn", "", "lands",
           "300", "5", "", "all", "5", "255", "15")
    ran = run("plan", "new", file)
    assert ran.code == 0, ran.err
    for words in ("'fast' is not a sampling rate", "'20' has no unit",
                  "A plan has one event at least", "a code goes from 1 to 255, not 300",
                  "such as 15 (empty: none)", "'all' is not a code", "an event has code 5",
                  "code 255 needs lines 4, 5, 6 and 7, too"):
        assert words in ran.words
    read = plan.load(file)
    assert (read.name, read.receiver.sampling_rate, read.receiver.lines) == ("Ferry", 500, 15)
    assert [(event.name, event.width_us) for event in read.events] == [
        ("horn", 20_000), ("lands", 20_000)]
    assert read.event("lands").code == 5
    assert read.event("horn").code not in (5, 15)
    assert read.signature_code == 15
    assert f"15  (session signature: tallymark sign --plan {file})" in ran.out


def test_an_empty_answer_reserves_no_code(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    answer(monkeypatch, "", "", "", "", "", "horn", "3", "", "")
    assert run("plan", "new", tmp_path / "plan.toml").code == 0
    assert plan.load(tmp_path / "plan.toml").signature_code is None


def test_a_code_is_reserved_beside_a_list(run: Run, tmp_path: Path) -> None:
    source, file = tmp_path / "codes.csv", tmp_path / "plan.toml"
    source.write_text("name,code\na,\nb,\nc,\n")
    ran = run("plan", "new", file, "--from", source, "--lines", "0-2", "--signature", "0b110")
    assert ran.code == 0, ran.err
    assert "\n[signature]\ncode = 6\n" in file.read_text()
    assert plan.load(file).signature_code == 6
    assert 6 not in [event.code for event in plan.load(file).events]


def test_no_answers_write_nothing(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    answer(monkeypatch, "Ferry")
    assert run("plan", "new", tmp_path / "plan.toml").code != 0
    assert not (tmp_path / "plan.toml").exists()


@pytest.mark.parametrize("option", [("--rate", "0"), ("--lines", "0-9"), ("--width", "0"),
                                    ("--interval", "20"), ("--signature", "3"),
                                    ("--signature", "256"), ("--signature", "no")])
def test_options_that_can_not_be_meant(run: Run, tmp_path: Path, option: tuple[str, str]) -> None:
    (tmp_path / "codes.csv").write_text("name,code\nhorn,3\n")
    ran = run("plan", "new", tmp_path / "a.toml", "--from", tmp_path / "codes.csv", *option)
    assert ran.code == exit_codes.BAD_INPUT
    assert not (tmp_path / "a.toml").exists()


def test_a_plan_with_problems_says_so(run: Run, tmp_path: Path) -> None:
    (tmp_path / "codes.csv").write_text("name,code\nhorn,3\nlands,3\n")
    ran = run("plan", "new", tmp_path / "a.toml", "--from", tmp_path / "codes.csv")
    assert f"The plan has 1 problem; see: tallymark plan check {tmp_path / 'a.toml'}" in ran.out
    (tmp_path / "codes.csv").write_text("name,code\nhorn,3\nlands,1\nbell,2\nbuoy,2\n")
    words = ("plan", "new", tmp_path / "b.toml", "--from", tmp_path / "codes.csv")
    ran = run(*words)
    assert "Written: " in ran.out
    assert "with 4 events" in ran.out
    assert "The plan has 1 problem and 3 risks; see: tallymark plan check" in ran.out
    assert "Nothing" not in ran.out
    made = run(*words, "--replace", "--json").json
    assert (made["wrong"], made["risks"]) == (1, 3)
