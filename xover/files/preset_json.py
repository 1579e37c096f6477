"""Presets as files: reading with every fault named, writing in one layout, versions.

Never repairs, never drops: what is read is what the file says, or the file is refused. What a
legal preset is stands in `model.ranges` and `model.rules`, not here.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import msgspec

from xover.files import json_text
from xover.files.paths import STANDARD_STREAM, read_bytes
from xover.files.safe_write import write_bytes
from xover.model import rules
from xover.model.names import quoted
from xover.model.preset import FORMAT, VERSION, Preset
from xover.model.problems import Fault, Refused
from xover.model.walk import FAULTS_KEPT, Pairs, check, tree_of

FAULTS_SAID = 50
"""The most faults that one refusal says; the rest are counted."""

MIGRATIONS: dict[int, Callable[[dict[str, Any]], dict[str, Any]]] = {}
"""For each older version, what turns its plain data into those of the next version.

A step must bear any plain data, since these are judged only when they are of the present version.
"""

_OTHER_FORMATS = {"xover-processor": "a processor profile"}


def load(path: str | Path) -> Preset:
    """The preset in a file; "-" is standard input.

    Raises `Refused` with every fault found, each with its place, value, limit and unit, or with
    one sentence where the path or the file as a whole cannot be read.
    """
    return loads(read_bytes(path, limit_bytes=json_text.LIMIT_BYTES))


def loads(data: bytes) -> Preset:
    """The preset in the bytes of a file. Raises `Refused` as `load` does."""
    preset = _decoded(json_text.without_bom(data))
    if preset is not None and json_text.same_data(
        json_text.without_bom(data), msgspec.json.encode(preset)
    ):
        found = rules.cross_faults(preset)
        if found:
            raise _refusal(found)
        return preset
    tree, found = _current(json_text.parse(data, wanted="a preset"))
    walked = check(tree, Preset)
    found += walked.faults
    if walked.gave_up:
        raise _refusal(found, walked.fault_count - len(walked.faults))
    whole = msgspec.convert(walked.tree, Preset)
    found += rules.cross_faults(whole, unsure=walked.unsure)
    if found:
        raise _refusal(found, walked.fault_count - len(walked.faults))
    return whole


def dumps(preset: Preset) -> bytes:
    """The bytes of the file that holds a preset.

    Reading them gives an equal preset and writing that gives the same bytes. Raises `Refused`
    for a preset that reading would refuse.
    """
    found = rules.faults(preset)
    if found:
        raise _refusal(found)
    return json_text.lay_out(tree_of(preset))


def save(preset: Preset, path: str | Path, *, overwrite: bool) -> None:
    """Write a preset to a file, all or nothing; "-" is standard output.

    Raises `Refused` where the preset is not legal, the file exists and may not be overwritten,
    or the system does not let it be written.
    """
    data = dumps(preset)
    if str(path) == STANDARD_STREAM:
        sys.stdout.buffer.write(data)
        sys.stdout.buffer.flush()
    else:
        write_bytes(path, data, overwrite=overwrite)


def _decoded(data: bytes) -> Preset | None:
    """The preset by the fast way, or None where anything at all stands in it."""
    if len(data) > json_text.LIMIT_BYTES:
        return None
    try:
        return _decoder().decode(data)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return None


@cache
def _decoder() -> msgspec.json.Decoder[Preset]:
    return msgspec.json.Decoder(Preset)


def _current(tree: Any) -> tuple[Any, list[Fault]]:
    """Plain data brought to the present version, and what is wrong with format and version.

    Raises `Refused` where the data are of another format or of a version that is not known.
    """
    if not isinstance(tree, dict):
        raise Refused.at("", "the file is JSON, but not an object; a preset is JSON in braces")
    form = tree.get("format")
    if "format" not in tree:
        raise Refused.at(
            "format", f"is missing, so this is no preset; a preset says “format”: “{FORMAT}”"
        )
    if form != FORMAT:
        seen = f"the text {quoted(form)}" if isinstance(form, str) else "something else"
        kind = _OTHER_FORMATS.get(form) if isinstance(form, str) else None
        what = f"this is {kind}, not a preset" if kind else f"{seen} stands here"
        raise Refused.at("format", f"{what}; a preset says “{FORMAT}”")
    version = tree.get("version")
    if "version" not in tree:
        return tree, [Fault("version", f"is missing; write {VERSION}, the present version")]
    if isinstance(version, bool) or not isinstance(version, int) or "version" in _repeated(tree):
        return tree, []  # the walker says what is wrong with it
    if version > VERSION:
        raise Refused.at(
            "version",
            f"the preset is of version {quoted(str(version), 24)}, newer than this program's "
            f"({VERSION}); open it with a newer program",
        )
    while version < VERSION:
        step = MIGRATIONS.get(version)
        if step is None:
            raise Refused.at(
                "version", f"there is no version {version} of this format; the first is 1"
            )
        version += 1
        moved = Pairs({**step(tree), "version": version})
        moved.repeated = tuple(_repeated(tree))
        tree = moved
    return tree, []


def _repeated(tree: dict[str, Any]) -> Sequence[str]:
    repeated: Sequence[str] = getattr(tree, "repeated", ())
    return repeated


def _refusal(found: Sequence[Fault], unsaid: int = 0) -> Refused:
    """The refusal that says the first faults and counts the others; `unsaid` have no words."""
    said = list(found[:FAULTS_SAID])
    more = len(found) - len(said) + unsaid
    if more:
        at_least = "at least " if more >= FAULTS_KEPT - FAULTS_SAID else ""
        said.append(Fault("", f"and {at_least}{more} more faults"))
    return Refused(said)
