"""The journal as text: where it lies, what its lines say, and reading one that broke off.

A journal holds the preset it started from and every step since, so that the work can be had back
whatever has become of the file. A torn end is expected; nothing behind a fault is believed.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, Literal

import msgspec
from msgspec import UNSET, Struct, UnsetType

from xover.files.ownership import Owner
from xover.model.differences import Change
from xover.model.preset import Preset

FORMAT: Final = "xover-journal"
VERSION: Final = 1
LIMIT_BYTES: Final = 512 * 1024 * 1024
"""The longest journal that is read."""

Doing = Literal["edit", "undo", "redo"]


class Header(Struct, frozen=True, kw_only=True):
    """The first line: whose work this is, and on what it rests."""

    format: Literal["xover-journal"] = FORMAT
    version: Literal[1] = VERSION
    preset: str
    """The preset's path, inert, for people; the journal belongs to the file that it lies beside."""
    base_sha256: str
    """The hash of the file's bytes when the work began, or when it was last saved."""
    unnamed: bool = False
    """The work has no name of its own yet: it began as a copy of the preset."""
    owner: Owner = Owner()
    opened: str = ""


class Entry(Struct, frozen=True, kw_only=True):
    """One step: its name for people, and what it changed."""

    step: str
    do: Doing
    at: str = ""
    changes: tuple[Change, ...]


class Contents(Struct, frozen=True):
    """What a journal says. `torn` is set where lines behind the last good one make no sense."""

    header: Header
    base: Preset | None
    entries: tuple[Entry, ...]
    closed: bool
    torn: bool


def state_folder() -> Path:
    """Where journals lie that cannot lie beside their presets."""
    import platformdirs

    return platformdirs.user_state_path("xover") / "journals"


def beside(preset_path: str) -> tuple[str, str]:
    """Folder and name of the journal beside a preset (a real path)."""
    folder, name = os.path.split(preset_path)
    return folder, f".{name}.journal"


def elsewhere(preset_path: str) -> tuple[str, str]:
    """Folder and name of a preset's journal in the state folder."""
    key = hashlib.sha256(os.fsencode(preset_path)).hexdigest()[:16]
    name = os.path.basename(preset_path).encode("utf-8", "replace")[:120].decode("utf-8", "ignore")
    return str(state_folder()), f"{key}-{name}.journal"


def numbered(name: str, number: int) -> str:
    """The name of work set aside: the journal's own with a number behind it; 0 is the journal."""
    return f"{name}.{number}" if number else name


def found(preset_path: str) -> Iterator[str]:
    """Every journal that lies about a preset (a real path), those of work set aside included."""
    for folder, name in (beside(preset_path), elsewhere(preset_path)):
        try:
            listed = os.listdir(folder)
        except OSError:
            continue
        numbers = [_number(name, each) for each in listed if each.startswith(name)]
        for number in sorted(number for number in numbers if number is not None):
            yield os.path.join(folder, numbered(name, number))


def header_line(header: Header) -> bytes:
    """The first line."""
    return msgspec.json.encode(header) + b"\n"


def base_line(preset: Preset) -> bytes:
    """The preset that the entries rest on; written before the first of them."""
    return b'{"base":' + msgspec.json.encode(preset) + b"}\n"


def entry_line(step: str, do: Doing, changes: Sequence[Change]) -> bytes:
    """One step, with the time of day in UTC."""
    return msgspec.json.encode({"step": step, "do": do, "at": now(), "changes": changes}) + b"\n"


CLOSED_LINE: Final = b'{"closed":true}\n'


def now() -> str:
    """The time in UTC, ISO 8601, to the second."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def read(data: bytes) -> Contents | None:
    """What the bytes of a journal say; None where they do not begin like one."""
    lines = data.split(b"\n")
    try:
        header = msgspec.json.decode(lines[0], type=Header)
    except (msgspec.DecodeError, UnicodeDecodeError):
        return None
    base: Preset | None = None
    entries: list[Entry] = []
    closed, torn = False, bool(lines[-1])
    for line in lines[1:-1]:
        try:
            said = msgspec.json.decode(line, type=_Line)
            if said.base is not UNSET:
                base = said.base
            elif said.closed:
                closed = True
            else:
                entries.append(msgspec.json.decode(line, type=Entry))
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
            torn = True
            break
    return Contents(header, base, tuple(entries), closed, torn)


class _Line(Struct, frozen=True):
    base: Preset | UnsetType = UNSET
    closed: bool = False
    step: Any = None


def _number(name: str, file: str) -> int | None:
    if file == name:
        return 0
    dot, number = file[len(name) : len(name) + 1], file[len(name) + 1 :]
    return int(number) if dot == "." and number.isascii() and number.isdecimal() else None
