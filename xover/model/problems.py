"""What went wrong, in words: a place, a sentence, and nothing else.

A fault names the place by its path in the file (`outputs[0].eq[2].gain_db`). `Refused` is the
one exception that the doors turn into a sentence and exit code 2; anything else is a bug.
"""

from __future__ import annotations

from collections.abc import Iterable

from msgspec import Struct


class Fault(Struct, frozen=True):
    """One thing wrong: `where` is a path in the file ("" for the whole), `message` a sentence."""

    where: str
    message: str

    def __str__(self) -> str:
        return f"{self.where}: {self.message}" if self.where else self.message


class Refused(Exception):
    """The request could not be done; carries every fault found, each with place and remedy."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults: tuple[Fault, ...] = tuple(faults)
        super().__init__("; ".join(str(fault) for fault in self.faults))

    @classmethod
    def at(cls, where: str, message: str) -> Refused:
        """A refusal with a single fault."""
        return cls([Fault(where, message)])


class Finding(Struct, frozen=True):
    """One piece of advice about a valid preset.

    `severity` is "error", "warning" or "note"; `caution` is a sentence where someone can be hurt
    or equipment damaged, else "". `also` are further places that the same sentence is about.
    """

    code: str
    severity: str
    where: str
    message: str
    caution: str = ""
    also: tuple[str, ...] = ()
