"""Several captures as one response: averaged, or a near one spliced to a far one.

Each file is read and calibrated as if alone, then they are combined, then the result is finished.
The provenance lists every file with its hash.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from msgspec import Struct
from msgspec.structs import replace

from xover.dsp.averaging import Mean, average
from xover.dsp.captured import CapturedResponse
from xover.dsp.coherence import with_coherence_said
from xover.dsp.splicing import spliced
from xover.files.captures import Finish, Read
from xover.model.problems import Refused
from xover.model.rig import Provenance

Reader = Callable[[str | Path], Read]
"""Reads and calibrates one file, without finishing it."""


class Splice(Struct, frozen=True):
    """The far capture, where it takes over from the near one, and over how many octaves."""

    far: str | Path
    at_hz: float
    octaves: float = 1.0


def read_average(
    paths: Sequence[str | Path], of: Mean, read: Reader, *, session: str | None, finish: Finish
) -> Read:
    """The mean of several files. Raises `Refused`, also for a complex one without a session.

    `session` is the user's word that the captures share one time zero.
    """
    if of == "complex" and session is None:
        raise Refused.at(
            "",
            "a complex average means something only among captures of one time zero; name the "
            "session they share with --session, or use --average power",
        )
    if len(paths) < 2:
        raise Refused.at("", "--average needs at least two files")
    parts = [read(path) for path in paths]
    names = _names(parts)
    alone = [name for (part, _), name in zip(parts, names, strict=True) if not part.shares_time]
    if of == "complex" and alone:
        raise Refused.at(
            alone[0],
            "this recording shares no time zero, so no complex average; use --average power",
        )
    return _combined(parts, names, average([part for part, _ in parts], of, names=names), finish)


def read_splice(near: str | Path, splice: Splice, read: Reader, *, finish: Finish) -> Read:
    """A near file below and a far one above. Raises `Refused`."""
    parts = [read(near), read(splice.far)]
    names = _names(parts)
    joined = spliced(
        parts[0][0],
        parts[1][0],
        at_hz=splice.at_hz,
        octaves=splice.octaves,
        names=(names[0], names[1]),
    )
    return _combined(parts, names, joined, finish)


def _names(parts: Sequence[Read]) -> list[str]:
    """The files' names, numbered where they are not all different."""
    names = [provenance.file for _, provenance in parts]
    if len(set(names)) == len(names):
        return names
    return [f"{name} ({number})" for number, name in enumerate(names, start=1)]


def _combined(
    parts: Sequence[Read], names: Sequence[str], combined: CapturedResponse, finish: Finish
) -> Read:
    told = [
        f"{name}: {sentence}"
        for name, (part, _) in zip(names, parts, strict=True)
        for sentence in part.understood
    ]
    done = finish.of(with_coherence_said(combined))
    done = replace(done, understood=(*told, *done.understood))
    done = replace(done, impulse=None, sweep=None, played_dbfs=None)
    provenance = Provenance(
        file=", ".join(each.file for _, each in parts),
        sha256=", ".join(each.sha256 for _, each in parts),
        note="\n".join(done.understood),
    )
    return done, provenance
