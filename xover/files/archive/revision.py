"""One revision: a preset with its parent, time, author and note, as a file that never changes.

The name carries the hash of the bytes; a file whose bytes say otherwise is damaged, and never
listed, opened or repaired.
"""

from __future__ import annotations

import re
from functools import cache
from typing import Final, Literal

import msgspec
from msgspec import Struct

from xover.files import json_text
from xover.files.preset_json import KIND as PRESET_KIND
from xover.files.versions import Kind, Migrations, current, refusal
from xover.model import rules
from xover.model.names import quoted, text_problem
from xover.model.preset import Preset
from xover.model.problems import Fault
from xover.model.ranges import LINE_LENGTH, PROSE_LENGTH, Line, Prose
from xover.model.walk import check, tree_of

FORMAT: Final = "xover-revision"
VERSION: Final = 1
MIGRATIONS: Migrations = {}
KIND = Kind("an archive revision", FORMAT, VERSION, MIGRATIONS)
TIME = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}Z")


class Revision(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A whole revision; the order of the fields is the order in the file."""

    format: Literal["xover-revision"] = FORMAT
    version: Literal[1] = VERSION
    parent: Line | None = None
    time: Line
    author: Line = ""
    note: Prose = ""
    preset: Preset


class HeadBox(Struct, frozen=True):
    """A loudspeaker's name."""

    name: str


class HeadPreset(Struct, frozen=True):
    """The parts of a preset that are searched."""

    title: str
    venue: str = ""
    author: str = ""
    notes: str = ""
    tags: tuple[str, ...] = ()
    loudspeakers: tuple[HeadBox, ...] = ()


class Head(Struct, frozen=True):
    """What the index keeps of a revision; traces and settings are passed over unread."""

    format: Literal["xover-revision"]
    time: str
    preset: HeadPreset
    parent: str | None = None
    author: str = ""
    note: str = ""


def dumps_revision(revision: Revision) -> bytes:
    """The bytes of a revision's file. Raises `Refused` for a preset that is not legal.

    Its author and its note are held to what a preset's are.
    """
    found = rules.faults(revision.preset)
    for where, text, kind, most in (
        ("author", revision.author, "line", LINE_LENGTH),
        ("note", revision.note, "prose", PROSE_LENGTH),
    ):
        problem = text_problem(text, kind)
        if problem:
            found.append(Fault(where, f"{quoted(text)} {problem}"))
        if len(text) > most:
            found.append(Fault(where, f"has {len(text)} characters; at most {most} are kept"))
    if found:
        raise refusal(found)
    return json_text.lay_out(tree_of(revision))


def loads_sound(data: bytes) -> Revision:
    """The revision in bytes whose hash is that of their name: they were judged when written.

    Types, ranges and the rules between fields are held all the same; only whether the text is
    laid out as we write it is not asked again. Raises `Refused` as `loads_revision` does.
    """
    try:
        revision = _decoder().decode(data)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return loads_revision(data)
    found = rules.cross_faults(revision.preset) + _own_faults(revision)
    if found:
        raise refusal(found)
    return revision


def loads_revision(data: bytes) -> Revision:
    """The revision in the bytes of a file. Raises `Refused` with every fault found."""
    try:
        revision = _decoder().decode(data)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        revision = None
    if revision is not None and json_text.same_data(data, msgspec.json.encode(revision)):
        found = rules.cross_faults(revision.preset) + _own_faults(revision)
        if found:
            raise refusal(found)
        return revision
    return _loads_slowly(data)


def head_of(data: bytes) -> Head | None:
    """What the index needs, or None where the bytes are no revision."""
    try:
        head = _head_decoder().decode(data)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return None
    return head if TIME.fullmatch(head.time) else None


def _loads_slowly(data: bytes) -> Revision:
    tree, found = current(json_text.parse(data, wanted=KIND.wanted), KIND)
    preset_faults: list[Fault] = []
    inner = tree.get("preset")
    if isinstance(inner, dict):
        tree["preset"], preset_faults = current(inner, PRESET_KIND)
    walked = check(tree, Revision)
    found += [Fault(f"preset.{one.where}", one.message) for one in preset_faults]
    found += walked.faults
    if walked.gave_up or found:
        raise refusal(found, walked.fault_count - len(walked.faults))
    revision = msgspec.convert(walked.tree, Revision)
    found = rules.cross_faults(revision.preset) + _own_faults(revision)
    if found:
        raise refusal(found)
    return revision


def _own_faults(revision: Revision) -> list[Fault]:
    if TIME.fullmatch(revision.time):
        return []
    return [Fault("time", "is not written like 2026-11-25T17:06:49Z")]


@cache
def _decoder() -> msgspec.json.Decoder[Revision]:
    return msgspec.json.Decoder(Revision)


@cache
def _head_decoder() -> msgspec.json.Decoder[Head]:
    return msgspec.json.Decoder(Head)
