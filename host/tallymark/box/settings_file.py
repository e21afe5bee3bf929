"""The file that carries a box's settings to another box.

The file is TOML. `format` counts versions of the file: a file from a newer one is refused, because
a setting that this version doesn't know could change what the lines do. `checksum` is a digest of
the settings (16 hexadecimal digits of the SHA-256 of their names and values), so that a bad disk or
a slip of the keyboard is noticed; comments, order and layout don't count.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from tallymark.box.settings import COMMENTS, NO_STROBE, Settings
from tallymark.box.wire.answer_values import Identity
from tallymark.common.errors import BadValue, SettingsFileError

FILE_FORMAT = 1

_ABOUT_CHECKSUM = (
    "Shows whether the settings below were altered. After editing",
    "them by hand, use: tallymark settings write FILE --edited",
)


def save(settings: Settings, path: str | Path, identity: Identity | None = None) -> None:
    """Writes a settings file; `identity` notes which box they came from."""
    document = tomlkit.document()
    document.add(tomlkit.comment("Settings of a Tallymark box. A time is a whole number of"))
    document.add(tomlkit.comment('microseconds, or a text with its unit: width_us = "5ms".'))
    document["format"] = FILE_FORMAT
    if identity is not None:
        document["from_box"] = identity.serial
        document["from_firmware"] = identity.firmware
    table = tomlkit.table()
    for name, comment in COMMENTS.items():
        value = getattr(settings, name)
        if name == "lines":
            value = [line for line in range(8) if value >> line & 1]
        elif name == "strobe":
            value = NO_STROBE if settings.strobe_line is None else settings.strobe_line
        elif hasattr(value, "label"):
            value = value.label
        table.add(tomlkit.comment(comment))
        table[name] = value
    for line in _ABOUT_CHECKSUM:
        document.add(tomlkit.comment(line))
    document["checksum"] = _checksum(table.unwrap())
    document["settings"] = table
    try:
        Path(path).write_text(tomlkit.dumps(document), encoding="utf-8")
    except OSError as error:
        raise SettingsFileError(f"{path} can't be written ({error.strerror}).") from error


def load(path: str | Path, edited: bool = False) -> Settings:
    """Reads a settings file. SettingsFileError if it can't be used, with the reason.

    edited: take a file whose settings don't fit its checksum, or that has none.
    """
    try:
        document = tomlkit.parse(Path(path).read_text(encoding="utf-8")).unwrap()
    except OSError as error:
        raise SettingsFileError(f"{path} can't be read ({error.strerror}).") from error
    except (TOMLKitError, ValueError, RecursionError) as error:
        raise SettingsFileError(f"{path} is not a settings file: {error}.") from error
    version = document.get("format")
    if not isinstance(version, int) or "settings" not in document:
        raise SettingsFileError(f"{path} is not a settings file of a box: 'format' or "
                                "'settings' is missing.")
    if version > FILE_FORMAT:
        raise SettingsFileError(
            f"{path} has format {version}, from a newer version of tallymark; this one reads "
            f"up to format {FILE_FORMAT}. The box was not changed. Update tallymark."
        )
    given = document["settings"]
    missing = [name for name in COMMENTS if name not in given]
    if missing:
        raise SettingsFileError(f"{path}: {', '.join(missing)} missing. The box was not changed. "
                                "Read the settings of a box to get a complete file.")
    try:
        settings = Settings().changed(**given)
        settings.check()
    except BadValue as error:
        raise SettingsFileError(f"{path}: {error} The box was not changed.") from error
    if not edited and document.get("checksum") != _checksum(given):
        what = (
            "its checksum does not match its settings, so the file was altered after it was read "
            "from a box"
            if "checksum" in document
            else "it has no checksum, so it is not known whether it was altered"
        )
        raise SettingsFileError(
            f"{path}: {what}. The box was not changed. If you edited the file on purpose, check "
            "all its settings and use --edited; if not, read the settings of a box again."
        )
    return settings


def _checksum(table: Mapping[str, Any]) -> str:
    text = json.dumps(table, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()[:16]
