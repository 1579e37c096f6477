"""Processor profiles as files: reading with every fault named, writing in one layout.

Never repairs, never drops. What a legal profile is stands in `model.profile` and
`model.profile_rules`, not here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from xover.files import json_text
from xover.files.paths import read_bytes
from xover.files.versions import Kind, Migrations, legal, refusal
from xover.model import profile_rules
from xover.model.profile import FORMAT, VERSION, Profile
from xover.model.walk import tree_of

if TYPE_CHECKING:
    from pathlib import Path

MIGRATIONS: Migrations = {}
"""For each older version, what turns its plain data into those of the next version."""

KIND = Kind("a processor profile", FORMAT, VERSION, MIGRATIONS)


def load_profile(path: str | Path) -> Profile:
    """The profile in a file; "-" is standard input.

    Raises `Refused` with every fault found, each with its place, value, limit and unit, or with
    one sentence where the path or the file as a whole cannot be read.
    """
    return loads_profile(read_bytes(path, limit_bytes=json_text.LIMIT_BYTES))


def loads_profile(data: bytes) -> Profile:
    """The profile in the bytes of a file. Raises `Refused` as `load_profile` does."""
    return legal(data, KIND, Profile, profile_rules.cross_faults)


def dumps_profile(profile: Profile) -> bytes:
    """The bytes of the file that holds a profile; reading them gives an equal one.

    Raises `Refused` for a profile that reading would refuse.
    """
    found = profile_rules.faults(profile)
    if found:
        raise refusal(found)
    return json_text.lay_out(tree_of(profile))
