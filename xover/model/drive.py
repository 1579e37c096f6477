"""What is played: which inputs carry signal, at which level, together or independently.

A request on the command line comes first, then the preset's own stimulus, then all inputs with
the same signal at 0 dB. Which it was is part of every answer.
"""

from __future__ import annotations

from collections.abc import Mapping

from msgspec import Struct

from xover.model.preset import Preset
from xover.model.problems import Refused


class Drive(Struct, frozen=True):
    """Driven inputs (exact names) with their levels in dB, and whether the signals are one."""

    levels_db: dict[str, float]
    correlated: bool = True
    origin: str = "all inputs"
    """"request", "stimulus" or "all inputs": where the choice came from."""


def drive_of(
    preset: Preset, levels_db: Mapping[str, float] | None = None, *, uncorrelated: bool = False
) -> Drive:
    """Settle what is played.

    `levels_db` maps exact input names to dB and wins when given; `uncorrelated` makes the inputs
    carry independent signals of these levels. Raises `Refused` for an unknown input.
    """
    if levels_db:
        names = {item.name for item in preset.inputs}
        for name in levels_db:
            if name not in names:
                known = ", ".join(item.name for item in preset.inputs)
                raise Refused.at("", f"there is no input “{name}”; the inputs are {known}")
        return Drive(dict(levels_db), not uncorrelated, "request")
    if preset.stimulus is not None and preset.stimulus.inputs:
        correlated = preset.stimulus.correlated and not uncorrelated
        return Drive(dict(preset.stimulus.inputs), correlated, "stimulus")
    correlated = not uncorrelated and (preset.stimulus is None or preset.stimulus.correlated)
    return Drive({item.name: 0.0 for item in preset.inputs}, correlated, "all inputs")
