"""Where two outputs cross over at a listener, and what their sum loses there today.

For pictures and summaries: what can be told without a search. Pairs whose phases cannot be
compared are left out, not refused.
"""

from __future__ import annotations

from collections.abc import Sequence

from msgspec import Struct

from xover.design.alignment import summation_loss
from xover.design.splits import splits
from xover.model.drive import Drive
from xover.model.preset import Preset
from xover.model.problems import Refused


class Crossing(Struct, frozen=True):
    """The overlap of two outputs at a listener: bands in Hz and the mean loss in dB."""

    lower: str
    upper: str
    bands_hz: tuple[tuple[float, float], ...]
    loss_db: float


def shaded(found: Sequence[Crossing]) -> tuple[tuple[float, float, Crossing | None], ...]:
    """Bands to shade, low to high and apart: (low Hz, high Hz, crossing to name there or None).

    Each crossing is named at its widest piece alone; where left and right would cover each other
    the first stands.
    """
    pieces: list[tuple[float, float, Crossing | None]] = []
    for item in found:
        widest = max(item.bands_hz, key=lambda band: band[1] / band[0])
        pieces += [
            (low, high, item if (low, high) == widest else None) for low, high in item.bands_hz
        ]
    kept: list[tuple[float, float, Crossing | None]] = []
    for low, high, named in sorted(pieces, key=lambda piece: piece[:2]):
        if not kept or low > kept[-1][1]:
            kept.append((low, high, named))
    return tuple(kept)


def crossings(
    preset: Preset, listener: str, drive: Drive, *, only: Sequence[str] = ()
) -> tuple[Crossing, ...]:
    """Every hand-over between two outputs heard at `listener`, low frequencies first."""
    found: list[Crossing] = []
    for split in splits(preset, alike=tuple(drive.levels_db) if drive.correlated else ()):
        lower, upper = split.lower.name, split.upper.name
        if only and not {lower, upper} <= set(only):
            continue
        try:
            bands_hz, loss_db = summation_loss(preset, lower, upper, listener, drive, mixed=False)
        except Refused:
            continue
        found.append(Crossing(lower, upper, bands_hz, loss_db))
    return tuple(sorted(found, key=lambda item: item.bands_hz[0]))
