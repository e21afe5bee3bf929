"""Settings: in the box, in a file, and in a spare unit."""

from __future__ import annotations

import re
import struct
import threading
from dataclasses import fields, replace

import pytest
from fastcrc.crc16 import profibus

from tallymark import BadValue, Box, Refused, Settings, SettingsFileError, TallymarkError
from tallymark.box.probe_modes import LightProbe, SoundProbe, TtlProbe
from tallymark.box.wire.protocol_enumerations import ByteMode, Idle, Origin, Overlap

OTHER = Settings(
    "Ferry booth 2", 12_345, 250, 2_000_000, 9_600, 0x7F, Idle.HIGH, Overlap.REFUSE, ByteMode.SET,
    0x40, 300, 200,
    light=LightProbe.STEADY, sound=SoundProbe.LEVEL, ttl=TtlProbe.LOW, light_threshold=500,
    light_hysteresis=400, sound_threshold=300, sound_hysteresis=200,
)


def test_factory_values_are_those_of_the_box(box):
    assert box.settings.read() == Settings()
    assert box.settings.state().origin is Origin.FACTORY


def test_written_kept_and_still_there_after_a_power_failure(box):
    box.settings.write(OTHER)
    assert box.settings.read() == OTHER
    state = box.settings.keep()
    assert (state.settings, state.kept) == (OTHER, 1)
    assert state.origin in (Origin.SLOT_A, Origin.SLOT_B)
    box.settings.factory()
    assert box.settings.read() == Settings()
    box.port.power_failure()
    box.pacing.sleep(0.001)
    assert box.settings.read() == OTHER
    assert box.identity.name == "Ferry booth 2"
    box.restart()
    assert box.identity.name == "Ferry booth 2"


def test_a_spare_unit_becomes_a_copy(box, tmp_path):
    path = tmp_path / "booth2.toml"
    OTHER.save(path, box.identity)
    with Box.open("virtual://?time=stepped&serial=00112233AABBCCDD") as spare:
        state = spare.settings.install(Settings.load(path))
        assert state.settings == OTHER
        assert state.kept == 1
        assert spare.identity.serial == "00112233AABBCCDD"


def test_a_box_that_takes_something_else_is_found_out(box, monkeypatch):
    monkeypatch.setattr(box.settings, "read", lambda: OTHER.changed(width_us=1))
    with pytest.raises(TallymarkError, match="width_us"):
        box.settings.write(OTHER)


def test_not_while_a_line_is_active(box):
    box.set(1).wait()
    with pytest.raises(Refused, match="lines have to be idle"):
        box.settings.write(OTHER)
    with pytest.raises(Refused):
        box.settings.keep()


def test_a_power_cut_while_keeping_leaves_the_old_or_the_new_ones(box):
    """Power fails after each number of bytes that the store has taken."""
    new = Settings(name="new", width_us=1)
    box.settings.install(OTHER)
    store = box.port.device.store
    seen = set()
    for writes in range(100):
        box.port.device.store = store
        box.port.power_failure()
        box.pacing.sleep(0.001)
        assert box.settings.read() == OTHER
        box.settings.factory()
        box.settings.write(new)
        box.port.device.cut_power(writes)
        try:
            box.settings.keep()
        except TallymarkError:
            confirmed = False
        else:
            confirmed = True
        box.port.power_failure()
        box.pacing.sleep(0.001)
        found = box.settings.read()
        assert found in (OTHER, new)
        assert found == new or not confirmed
        seen.add((confirmed, found.name))
        if confirmed:
            break
    assert {(False, OTHER.name), (True, "new")} <= seen


def test_the_store_of_a_virtual_box_can_be_a_file(tmp_path):
    url = f"virtual://?time=stepped&store={tmp_path / 'store.bin'}"
    with Box.open(url) as box:
        box.settings.install(OTHER)
    with Box.open(url) as box:
        assert box.settings.read() == OTHER


def test_a_file_goes_there_and_back(tmp_path):
    for settings in (Settings(), OTHER, Settings(lines=0b10000001, name='with "quotes" \\')):
        settings.save(tmp_path / "settings.toml")
        assert Settings.load(tmp_path / "settings.toml") == settings
    text = (tmp_path / "settings.toml").read_text()
    assert "lines = [0, 7]" in text
    assert "# width of a pulse" in text


@pytest.mark.parametrize(
    ("old", "new", "text"),
    [
        ("format = 1", "format = 2", "newer version of tallymark"),
        ("format = 1", "form = 1", "not a settings file"),
        ("width_us = 5000", "", "width_us missing"),
        ("width_us = 5000", "width_us = 0", "1 to 3600000000, not 0"),
        ("width_us = 5000", "width_us = 5.0", "whole number"),
        ("width_us = 5000", "width_us = true", "whole number"),
        ("width_us = 5000", "width_us = 5000\nvolume = 3", "'volume' is not a setting"),
        ('idle = "low"', 'idle = "middle"', "low, high"),
        ('idle = "low"', "idle = 0", "low, high"),
        ("lines = [0, 1, 2, 3, 4, 5, 6, 7]", "lines = [8]", "numbers from 0 to 7"),
        ("lines = [0, 1, 2, 3, 4, 5, 6, 7]", "lines = []", "1 to 255"),
        ('name = ""', 'name = "much longer than 16"', "at most 16"),
        ('name = ""', 'name = "Fähre"', "ASCII"),
        ('name = ""', "name = 3", "must be a text"),
        ("format = 1", "format = = 1", "not a settings file"),
    ],
)
def test_a_file_that_can_t_be_used_says_why(tmp_path, old, new, text):
    path = tmp_path / "settings.toml"
    Settings().save(path)
    content = path.read_text()
    assert old in content
    path.write_text(content.replace(old, new), encoding="utf-8")
    with pytest.raises(SettingsFileError, match=text):
        Settings.load(path)


def test_an_altered_file_is_noticed(tmp_path):
    """Any changed character of a value, until somebody says that it was edited on purpose."""
    path = tmp_path / "settings.toml"
    OTHER.save(path)
    text = path.read_text()
    for old, new in (("width_us = 12", "width_us = 13"), ("lines = [0, ", "lines = ["),
                     (f'name = "{OTHER.name}"', 'name = "other"')):
        assert old in text
        path.write_text(text.replace(old, new))
        with pytest.raises(SettingsFileError, match=r"altered after .* not changed.*--edited"):
            Settings.load(path)
        assert Settings.load(path, edited=True) != OTHER
    path.write_text(re.sub("checksum = .*\n", "", text))
    with pytest.raises(SettingsFileError, match="no checksum"):
        Settings.load(path)
    assert Settings.load(path, edited=True) == OTHER


def test_comments_and_layout_may_change(tmp_path):
    path = tmp_path / "settings.toml"
    OTHER.save(path)
    head, table = path.read_text().split("[settings]\n")
    lines = [line for line in table.splitlines() if line and not line.startswith("#")]
    path.write_text(head + "[settings]\n" + "  # ours\n".join(reversed(lines)) + "\n")
    assert Settings.load(path) == OTHER


def test_edited_doesn_t_hide_other_mistakes(tmp_path):
    path = tmp_path / "settings.toml"
    Settings().save(path)
    path.write_text(path.read_text().replace("width_us = 5000", "width_us = 0"))
    with pytest.raises(SettingsFileError, match="not 0"):
        Settings.load(path, edited=True)


def test_files_that_are_not_there_or_can_t_be_written(tmp_path):
    with pytest.raises(SettingsFileError, match="can't be read"):
        Settings.load(tmp_path / "nowhere.toml")
    with pytest.raises(SettingsFileError, match="can't be written"):
        Settings().save(tmp_path / "no folder" / "settings.toml")


@pytest.mark.parametrize(
    "values",
    [{"gap_us": 1_000_001}, {"gap_us": -1}, {"hold_limit_us": 999}, {"byte_baud": 1199},
     {"hold_limit_us": 3_600_000_001}, {"byte_baud": 1_000_001}, {"lines": 0}, {"lines": 256},
     {"width_us": 0}, {"width_us": 3_600_000_001}, {"name": "tab\t"}, {"name": "~" * 17}],
)
def test_values_out_of_range(box, values):
    with pytest.raises(BadValue):
        box.settings.write(Settings().changed(**values))


def test_every_limit_is_the_box_s_own(box):
    """The values at the limits are taken by the firmware too."""
    for values in (
        {"gap_us": 1_000_000}, {"hold_limit_us": 1000}, {"hold_limit_us": 3_600_000_000},
        {"byte_baud": 1200}, {"byte_baud": 1_000_000}, {"lines": 1}, {"width_us": 1},
        {"width_us": 3_600_000_000}, {"name": "~" * 16},
    ):
        box.settings.write(Settings().changed(**values))


def test_the_limits_of_a_box_count_too(box):
    identity = replace(box.identity, least_width_us=10, longest_width_us=1_000)
    for width_us in (9, 1_001):
        with pytest.raises(BadValue, match="10 to 1000"):
            Settings(width_us=width_us).check(identity)
        Settings(width_us=width_us).check()
    for width_us in (10, 1_000):
        Settings(width_us=width_us).check(identity)


def test_each_difference_is_named():
    for field in fields(Settings):
        other = replace(Settings(), **{field.name: getattr(OTHER, field.name)})
        assert Settings().differences(other) == [field.name]
        assert other.differences(other) == []


def test_levels_at_idle():
    assert Settings(idle=Idle.LOW).idle_levels == 0
    assert Settings(idle=Idle.HIGH).idle_levels == 0xFF


def test_a_line_that_is_listed_twice_is_one():
    assert Settings().changed(lines=[0, 3, 0]).lines == 0b1001


def test_kept_settings_are_read_back_too(box, monkeypatch):
    read = box.settings.read
    answers = iter([OTHER, OTHER.changed(width_us=1)])
    monkeypatch.setattr(box.settings, "read", lambda: next(answers, None) or read())
    with pytest.raises(TallymarkError, match="width_us"):
        box.settings.install(OTHER)


def test_a_memory_that_takes_its_time():
    """Longer than any other answer: cells of a store may take milliseconds each."""
    with Box.open("virtual://") as box:
        device = box.port.device
        device.take = lambda: b""  # the answer waits ...
        threading.Timer(0.9, lambda: device.__dict__.pop("take")).start()  # ... for so long
        assert box.settings.keep().kept == 1


def test_settings_of_another_version_are_not_in_force_and_that_is_said(tmp_path):
    """A slot as version 1 of the protocol wrote it: version, length, count, record, CRC."""
    record = bytes(16) + struct.pack("<IIII", 7000, 0, 0, 115_200) + bytes((255, 0, 0, 1))
    content = bytes((1, len(record))) + (3).to_bytes(4, "little") + record
    slot = content + (profibus(content) ^ 0xFFFF).to_bytes(2, "little")
    store = tmp_path / "store.bin"
    store.write_bytes(slot.ljust(64, b"\xff") + b"\xff" * 64)
    said = []
    with Box.open(f"virtual://?time=stepped&store={store}", progress=said.append) as box:
        state = box.settings.state()
        assert (state.origin, state.kept) == (Origin.OTHER_VERSION, 3)
        assert state.settings == Settings()
        assert any("another version" in text for text in said)
        state = box.settings.install(Settings(width_us=7000))
        assert (state.origin, state.kept) == (Origin.SLOT_B, 4)
