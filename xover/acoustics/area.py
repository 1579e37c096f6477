"""The area that a level map covers: a level rectangle of points, at the height of ears.

Without figures it is where the listeners are; nothing is guessed where there are none.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.units import short, show_m

Floats = NDArray[np.float64]

MOST_POINTS: Final = 1_000_000
LEAST_WIDTH_M: Final = 0.01


def _even(span_m: tuple[float, float], count: int) -> Floats:
    """Evenly spaced places in metres, to the nanometre: 3.2 and not 3.1999999999999997."""
    return np.round(np.linspace(*span_m, count), 9)


class Area(Struct, frozen=True):
    """A level rectangle of points: x from left to right, y into the audience, at height z."""

    x_m: tuple[float, float]
    y_m: tuple[float, float]
    z_m: float
    columns: int
    rows: int

    @property
    def xs_m(self) -> Floats:
        """(columns,) the points' x."""
        return _even(self.x_m, self.columns)

    @property
    def ys_m(self) -> Floats:
        """(rows,) the points' y, rising."""
        return _even(self.y_m, self.rows)

    @property
    def points_m(self) -> Floats:
        """(rows · columns, 3), row by row."""
        x, y = np.meshgrid(self.xs_m, self.ys_m)
        return np.stack([x.ravel(), y.ravel(), np.full(x.size, self.z_m)], axis=1)


def area_of(
    preset: Preset,
    *,
    x_m: tuple[float, float] | None = None,
    y_m: tuple[float, float] | None = None,
    z_m: float | None = None,
    step_m: float | None = None,
    most: int = 20_000,
) -> Area:
    """The area to map: as given, else where the listeners are.

    Without a range: the listeners' extent and 2 m more on every side, across at least as wide as
    the sources stand apart; without a height that of most listeners. `step_m` is the distance of
    points, chosen for at most `most` of them where not given. Raises `Refused` where there is
    nothing to go by, for a range without width, or for more than a million points.
    """
    seats = [item.position_m for item in preset.listeners]
    if not seats and (x_m is None or y_m is None or z_m is None):
        raise Refused.at(
            "listeners",
            "the preset has no listeners to say where the audience is; give --area X0 X1 Y0 Y1 "
            "and --height Z",
        )
    if x_m is None:
        boxes = [item.position_m[0] for item in preset.sources]
        lows, highs = [seat[0] - 2.0 for seat in seats], [seat[0] + 2.0 for seat in seats]
        x_m = min([*lows, *boxes]), max([*highs, *boxes])
    if y_m is None:
        y_m = min(seat[1] for seat in seats) - 2.0, max(seat[1] for seat in seats) + 2.0
    if z_m is None:
        heights = sorted(seat[2] for seat in seats)
        z_m = max(heights, key=heights.count)
    for name, (low, high) in (("X", x_m), ("Y", y_m)):
        if not high - low >= LEAST_WIDTH_M:
            raise Refused.at(
                "",
                f"the area from {name} {short(low)} to {short(high)} m has no width; give two "
                "different figures, the smaller first",
            )
    width, depth = x_m[1] - x_m[0], y_m[1] - y_m[0]
    if step_m is None:
        step_m = _round_step(math.sqrt(width * depth / most), max(width, depth) / 160.0)
    columns, rows = (max(2, round(size / step_m) + 1) for size in (width, depth))
    if columns * rows > MOST_POINTS:
        raise Refused.at(
            "",
            f"{columns} by {rows} points are more than a million; take a longer step than "
            f"{show_m(step_m)} or a smaller area",
        )
    return Area(x_m, y_m, z_m, columns, rows)


def _round_step(*least_m: float) -> float:
    """The next 1, 2, 2.5 or 5 times a power of ten."""
    least = max(*least_m, 0.01)
    decade = 10.0 ** math.floor(math.log10(least))
    return next(step * decade for step in (1.0, 2.0, 2.5, 5.0, 10.0) if step * decade >= least)
