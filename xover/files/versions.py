"""What every format of ours asks of a file before its fields: the format, the version, the sum.

A newer version is refused, an older one brought forward step by step. Knows no fields.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, TypeVar

import msgspec
from msgspec import Struct

from xover.files import json_text
from xover.model.names import quoted
from xover.model.problems import Fault, Refused
from xover.model.walk import FAULTS_KEPT, Pairs, check

T = TypeVar("T", bound=Struct)

FAULTS_SAID = 50
"""The most faults that one refusal says; the rest are counted."""

NAMES = {"xover-preset": "a preset", "xover-processor": "a processor profile"}
"""Every format of ours, in words."""

Migrations = dict[int, Callable[[dict[str, Any]], dict[str, Any]]]


class Kind(Struct, frozen=True):
    """One format: what a file of it is in words, its name and version, the way from older ones."""

    wanted: str
    format: str
    version: int
    migrations: Migrations


def format_of(tree: Any) -> str | None:
    """Which of our formats plain data say they are, or None."""
    form = tree.get("format") if isinstance(tree, dict) else None
    return form if isinstance(form, str) and form in NAMES else None


def current(tree: Any, kind: Kind) -> tuple[Any, list[Fault]]:
    """Plain data brought to the present version, and what is wrong with format and version.

    Raises `Refused` where the data are of another format or of a version that is not known.
    """
    what = kind.wanted.removeprefix("a ")
    if not isinstance(tree, dict):
        raise Refused.at(
            "", f"the file is JSON, but not an object; {kind.wanted} is JSON in braces"
        )
    form = tree.get("format")
    if "format" not in tree:
        raise Refused.at(
            "format",
            f"is missing, so this is no {what}; {kind.wanted} says “format”: “{kind.format}”",
        )
    if form != kind.format:
        seen = f"the text {quoted(form)}" if isinstance(form, str) else "something else"
        other = NAMES.get(form) if isinstance(form, str) else None
        found = f"this is {other}, not {kind.wanted}" if other else f"{seen} stands here"
        raise Refused.at("format", f"{found}; {kind.wanted} says “{kind.format}”")
    version = tree.get("version")
    if "version" not in tree:
        return tree, [Fault("version", f"is missing; write {kind.version}, the present version")]
    if isinstance(version, bool) or not isinstance(version, int) or "version" in _repeated(tree):
        return tree, []  # the walker says what is wrong with it
    if version > kind.version:
        raise Refused.at(
            "version",
            f"the {what} is of version {quoted(str(version), 24)}, newer than this program's "
            f"({kind.version}); open it with a newer program",
        )
    while version < kind.version:
        step = kind.migrations.get(version)
        if step is None:
            raise Refused.at(
                "version", f"there is no version {version} of this format; the first is 1"
            )
        version += 1
        moved = Pairs({**step(tree), "version": version})
        moved.repeated = tuple(_repeated(tree))
        tree = moved
    return tree, []


def legal(
    data: bytes, kind: Kind, form: type[T], cross_faults: Callable[..., Sequence[Fault]]
) -> T:
    """What the bytes of a file of `kind` hold, once all of it is legal.

    `cross_faults` are the rules that no field can state alone. Raises `Refused` with every fault.
    """
    tree, found = current(json_text.parse(data, wanted=kind.wanted), kind)
    walked = check(tree, form)
    found += walked.faults
    if walked.gave_up:
        raise refusal(found, walked.fault_count - len(walked.faults))
    whole = msgspec.convert(walked.tree, form)
    found += cross_faults(whole, unsure=walked.unsure)
    if found:
        raise refusal(found, walked.fault_count - len(walked.faults))
    return whole


def refusal(found: Sequence[Fault], unsaid: int = 0) -> Refused:
    """The refusal that says the first faults and counts the others; `unsaid` have no words."""
    said = list(found[:FAULTS_SAID])
    more = len(found) - len(said) + unsaid
    if more:
        at_least = "at least " if more >= FAULTS_KEPT - FAULTS_SAID else ""
        said.append(Fault("", f"and {at_least}{more} more faults"))
    return Refused(said)


def _repeated(tree: dict[str, Any]) -> Sequence[str]:
    repeated: Sequence[str] = getattr(tree, "repeated", ())
    return repeated
