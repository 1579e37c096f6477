"""What lies between an output's terminals and one listener, however it is known.

The electrical response of today multiplies it; nothing that is entered into the processor is in
here, so it stays the same while settings are changed.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from xover.model.words import Level

Basis = Literal["measured", "trace", "model", "mixed"]


class Transfer(Struct, frozen=True, eq=False):
    """From one output's terminals to one listener, (n,) on the axis it was computed for."""

    output: str
    response: NDArray[np.complex128]
    """(n,); NaN where nothing is known. "spl": for 0 dBu at the driven inputs, re 20 µPa."""
    level: Level
    basis: Basis
    session: str | None
    """The capture session of a measured path, else None."""
    estimate: bool
    """True where a phase is a minimum-phase estimate."""
    missing: tuple[str, ...]
    """What keeps the level from being absolute, each as a clause; empty for "spl"."""
    notes: tuple[str, ...]
    coherence: NDArray[np.float64] | None
    """(n,) of a measured path whose trace has one, NaN outside the trace's range."""
    doubtful: NDArray[np.bool_]
    """(n,) True where the settings of the capture left too little signal to divide out."""


def once(notes: Iterable[str]) -> tuple[str, ...]:
    """Each sentence once, in the order of first saying."""
    return tuple(dict.fromkeys(notes))
