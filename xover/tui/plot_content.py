"""What the plot is given to show, and what its curves read at a frequency.

Pure data and arithmetic, no screen. Values are read from the arrays, never from the picture.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from xover.sheets.drawing import Curve
from xover.sheets.scales import HIGH_HZ

Band = tuple[float, float, str]
"""Low Hz, high Hz, and what is written beside the shade."""


class Reading(Struct, frozen=True, eq=False):
    """The arrays behind one curve, for the read-out at the cursor; every shape (n,).

    Frequencies ascend; NaN where nothing is known; `phase_deg` within ±180.
    """

    label: str
    frequency_hz: NDArray[np.float64]
    magnitude_db: NDArray[np.float64]
    phase_deg: NDArray[np.float64] | Callable[[], NDArray[np.float64]] | None = None
    """Also as what computes it, where it is seldom asked for."""
    group_delay_ms: NDArray[np.float64] | None = None
    coherence: NDArray[np.float64] | None = None


class PlotData(Struct, frozen=True, eq=False):
    """All that is shown: curves of both panels, bands to shade, what they are."""

    upper: tuple[Curve, ...] = ()
    """Magnitudes in dB."""
    lower: tuple[Curve, ...] = ()
    lower_unit: str = "deg"
    """"deg" (phase), "ms" (group delay) or "γ²" (coherence)."""
    bands: tuple[Band, ...] = ()
    title: str = ""
    readings: tuple[Reading, ...] = ()
    """In the order of `upper`."""
    problem: str = ""
    """Why there are no curves, as a sentence."""
    limit_hz: float = HIGH_HZ
    """Half the sample rate: how far up one may look."""


class Values(NamedTuple):
    """What one curve reads: NaN where it is not known, None where it is not a matter."""

    level_db: float
    phase_deg: float | None
    delay_ms: float | None
    coherence: float | None


def values_at(reading: Reading, at_hz: float) -> Values:
    """The values of a curve at a frequency in Hz."""
    frequency_hz = reading.frequency_hz

    def of(values: NDArray[np.float64] | None, *, wraps: bool = False) -> float | None:
        return None if values is None else value_at(frequency_hz, values, at_hz, wraps=wraps)

    return Values(
        value_at(frequency_hz, reading.magnitude_db, at_hz),
        of(reading.phase_deg() if callable(reading.phase_deg) else reading.phase_deg, wraps=True),
        of(reading.group_delay_ms),
        of(reading.coherence),
    )


def value_at(
    frequency_hz: NDArray[np.float64],
    values: NDArray[np.float64],
    at_hz: float,
    *,
    wraps: bool = False,
) -> float:
    """The value at `at_hz`, linear over log frequency between two points; NaN outside.

    `wraps`: the values are degrees, taken the shorter way round, and come back within ±180. Beside
    a gap only the points themselves have a value.
    """
    count = frequency_hz.size
    if count == 0 or not frequency_hz[0] * (1 - 1e-9) <= at_hz <= frequency_hz[-1] * (1 + 1e-9):
        return math.nan
    right = min(max(int(np.searchsorted(frequency_hz, at_hz, side="right")), 1), count - 1)
    left = max(right - 1, 0)
    before, after = float(values[left]), float(values[right])
    if left == right:
        return before
    low_hz, high_hz = float(frequency_hz[left]), float(frequency_hz[right])
    share = math.log(at_hz / low_hz) / math.log(high_hz / low_hz)
    if share <= 1e-9:
        return before
    if share >= 1.0 - 1e-9:
        return after
    if wraps and math.isfinite(after - before):
        turned = before + share * math.remainder(after - before, 360.0)
        return math.remainder(turned, 360.0)
    return before * (1.0 - share) + after * share
