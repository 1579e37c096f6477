"""Presets as files: reading with every fault named, writing in one layout, versions.

Never repairs, never drops: what is read is what the file says, or the file is refused. What a
legal preset is stands in `model.ranges` and `model.rules`, not here.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import cache
from typing import TYPE_CHECKING, Any

import msgspec

from xover.files import json_text
from xover.files.paths import STANDARD_STREAM, read_bytes
from xover.files.safe_write import write_bytes
from xover.files.versions import Kind, legal, refusal
from xover.model import rules
from xover.model.preset import FORMAT, VERSION, Preset
from xover.model.walk import tree_of

if TYPE_CHECKING:
    from pathlib import Path

MIGRATIONS: dict[int, Callable[[dict[str, Any]], dict[str, Any]]] = {}
"""For each older version, what turns its plain data into those of the next version.

A step must bear any plain data, since these are judged only when they are of the present version.
"""

KIND = Kind("a preset", FORMAT, VERSION, MIGRATIONS)


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
            raise refusal(found)
        return preset
    return legal(data, KIND, Preset, rules.cross_faults)


def dumps(preset: Preset) -> bytes:
    """The bytes of the file that holds a preset.

    Reading them gives an equal preset and writing that gives the same bytes. Raises `Refused`
    for a preset that reading would refuse.
    """
    found = rules.faults(preset)
    if found:
        raise refusal(found)
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
