"""A plan of the room to scale on a grid of characters: boxes, listeners, and levels under them.

A cell is taken as twice as high as wide. The plan lies whichever way it becomes larger: the
audience upwards, or turned clockwise with the audience to the right; never mirrored.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from xover.acoustics.area import Area
from xover.acoustics.maps import LevelMap
from xover.model.names import inert
from xover.model.preset import Preset
from xover.model.units import plain, show_m
from xover.sheets.cells import fitted, width_of
from xover.sheets.palette import Rgb

SOURCE, LISTENER = "■", "○"
STEP_DB = 3.0
"""One figure further down the ladder for every 3 dB below the loudest point."""
NEAR_M = 1.0
LADDER = "0123456789"
BEYOND = "·"
CIVIDIS: tuple[Rgb, ...] = (
    (254, 232, 56), (225, 204, 85), (195, 179, 105), (165, 156, 116), (138, 134, 120),
    (112, 113, 115), (87, 93, 109), (59, 73, 108), (18, 53, 112), (0, 34, 78),
)  # fmt: skip
"""Ten steps of cividis, which reads alike with and without full colour vision (Nuñez, 2018)."""


class Plan(Struct, frozen=True):
    """Where places in metres lie on `rows` × `columns` characters."""

    x_m: tuple[float, float]
    y_m: tuple[float, float]
    columns: int
    rows: int
    turned: bool
    """The audience lies to the right instead of upwards."""

    @property
    def metres_per_column(self) -> float:
        """The scale; a row stands for twice as much."""
        low, high = self.y_m if self.turned else self.x_m
        return (high - low) / max(1, self.columns - 1)

    def cell(self, x_m: float, y_m: float) -> tuple[int, int]:
        """Row and column of a place; it may lie outside the plan."""
        across = _share(y_m, self.y_m) if self.turned else _share(x_m, self.x_m)
        down = _share(x_m, self.x_m) if self.turned else 1.0 - _share(y_m, self.y_m)
        return _nearest(down * (self.rows - 1)), _nearest(across * (self.columns - 1))

    def at(self, row: int, column: int) -> tuple[float, float]:
        """The place in metres (x, y) of the middle of a cell."""
        across, down = column / max(1, self.columns - 1), row / max(1, self.rows - 1)
        if self.turned:
            return _between(self.x_m, down), _between(self.y_m, across)
        return _between(self.x_m, across), _between(self.y_m, 1.0 - down)

    def area(self, z_m: float) -> Area:
        """The cells as the points of a level map."""
        columns, rows = (self.rows, self.columns) if self.turned else (self.columns, self.rows)
        return Area(self.x_m, self.y_m, z_m, max(2, columns), max(2, rows))

    def levels(self, level_map: LevelMap) -> NDArray[np.float64]:
        """(rows, columns) the levels of a map of `area`, as they lie on the plan."""
        found = level_map.level_db
        shown = found.T if self.turned else found[::-1]
        return shown[: self.rows, : self.columns]


def _share(value: float, ends: tuple[float, float]) -> float:
    return (value - ends[0]) / (ends[1] - ends[0])


def _between(ends: tuple[float, float], share: float) -> float:
    return ends[0] + (ends[1] - ends[0]) * share


def _nearest(value: float) -> int:
    return math.floor(value + 0.5)


def plan_of(x_m: tuple[float, float], y_m: tuple[float, float], *, width: int, height: int) -> Plan:
    """The largest plan of that range in `width` × `height` characters, at least 2 × 2."""
    width, height = max(2, width), max(2, height)
    found: list[tuple[float, Plan]] = []
    for turned in (False, True):
        across, down = x_m[1] - x_m[0], y_m[1] - y_m[0]
        if turned:
            across, down = down, across
        scale = max(across / (width - 1), down / (2 * (height - 1)))
        columns = max(2, math.floor(across / scale + 1e-6) + 1)
        rows = max(2, math.floor(down / (2 * scale) + 1e-6) + 1)
        found.append((scale, Plan(x_m, y_m, columns, rows, turned)))
    return min(found, key=lambda pair: pair[0])[1]


def extent_of(preset: Preset, margin_m: float = 1.0) -> tuple[tuple[float, float], ...] | None:
    """The ranges of x and y that hold every source and listener; None where there are none."""
    places = [item.position_m for item in preset.sources]
    places += [item.position_m for item in preset.listeners]
    if not places:
        return None
    ranges = []
    for axis in (0, 1):
        values = [place[axis] for place in places]
        ranges.append((min(values) - margin_m, max(values) + margin_m))
    return tuple(ranges)


def ladder_of(levels_db: NDArray[np.float64], top_db: float) -> NDArray[np.int64]:
    """How many steps of 3 dB each level lies below `top_db`; −1 where nothing sounds."""
    with np.errstate(invalid="ignore"):
        steps = np.floor((top_db - levels_db) / STEP_DB + 1e-9)
    return np.where(np.isfinite(steps), np.maximum(steps, 0.0), -1.0).astype(np.int64)


def rung(step: int) -> str:
    """The character of a step: a figure up to nine, a dot beyond."""
    return LADDER[step] if 0 <= step < len(LADDER) else BEYOND


def ground(step: int) -> Rgb:
    """The colour under a step."""
    return CIVIDIS[step if 0 <= step < len(CIVIDIS) else -1]


def ink(step: int) -> Rgb:
    """The colour in which to write on it."""
    red, green, blue = ground(step)
    return (0, 0, 0) if 0.3 * red + 0.59 * green + 0.11 * blue > 110.0 else (255, 255, 255)


def marks_of(preset: Preset, plan: Plan, *, names: bool) -> dict[tuple[int, int], str]:
    """What stands in which cell: sources, listeners and, where there is room, their names."""
    marks: dict[tuple[int, int], str] = {}
    labels: list[tuple[int, int, str]] = []
    things: list[tuple[str, str, Sequence[float]]] = [
        (SOURCE, item.output, item.position_m) for item in preset.sources
    ]
    things += [(LISTENER, item.name, item.position_m) for item in preset.listeners]
    for mark, name, place in things:
        row, column = plan.cell(place[0], place[1])
        if 0 <= row < plan.rows and 0 <= column < plan.columns:
            marks[row, column] = mark
            labels.append((row, column, inert(name)))
    for row, column, name in labels if names else ():
        text = f" {name}"
        cells = [(row, column + 1 + offset) for offset in range(width_of(text))]
        # A name with wide signs would shift its row; its mark stands alone then.
        if len(text) != len(cells) or cells[-1][1] >= plan.columns:
            continue
        if not any(cell in marks for cell in cells):
            marks.update(zip(cells, text, strict=True))
    return marks


def scale_words(plan: Plan) -> str:
    """Which way it lies and what a column stands for."""
    way = (
        "audience to the right, x downwards" if plan.turned else "audience upwards, x to the right"
    )
    return f"{way}; a column is {show_m(plan.metres_per_column)}"


def top_of(level_map: LevelMap, preset: Preset) -> float:
    """The level from which steps are counted: the loudest a metre and more from every source.

    Right at a box levels rise without an end that anybody hears. Where all is nearer, the loudest.
    """
    x_m, y_m = np.meshgrid(level_map.area.xs_m, level_map.area.ys_m)
    apart = np.ones(level_map.level_db.shape, dtype=bool)
    for item in preset.sources:
        apart &= np.hypot(x_m - item.position_m[0], y_m - item.position_m[1]) >= NEAR_M
    levels = level_map.level_db[apart] if apart.any() else level_map.level_db
    return float(np.max(levels))


def ladder_words(level_map: LevelMap, preset: Preset) -> str:
    """What the figures in a map mean."""
    top_db = top_of(level_map, preset)
    unit = "dB SPL" if level_map.level == "spl" else "dB"
    return f"0: {plain(top_db - STEP_DB, 1)} {unit} and more, each figure more 3 dB less"


def terminal_map(level_map: LevelMap, preset: Preset, plan: Plan, *, colour: bool) -> str:
    """A map as lines of text: its figures, on coloured grounds where a terminal shows them."""
    steps = ladder_of(plan.levels(level_map), top_of(level_map, preset))
    marks = marks_of(preset, plan, names=False)
    lines = []
    for row in range(steps.shape[0]):
        pieces: list[str] = []
        for column in range(steps.shape[1]):
            step = int(steps[row, column])
            sign = marks.get((row, column), rung(step))
            if colour:
                back, fore = ground(step), ink(step)
                sign = (
                    f"\x1b[48;2;{back[0]};{back[1]};{back[2]}m"
                    f"\x1b[38;2;{fore[0]};{fore[1]};{fore[2]}m{sign}"
                )
            pieces.append(sign)
        lines.append("".join(pieces) + ("\x1b[0m" if colour else ""))
    lines.append(f"{SOURCE} source  {LISTENER} listener   {ladder_words(level_map, preset)}")
    lines.append(scale_words(plan))
    return "\n".join(lines)


def summary(level_map: LevelMap) -> list[str]:
    """Loudest and quietest place and what lies between, in lines."""
    unit = "dB SPL" if level_map.level == "spl" else "dB relative"
    lines = []
    for word, (x_m, y_m, level_db) in (
        ("loudest", level_map.loudest),
        ("quietest", level_map.quietest),
    ):
        lines.append(
            f"{fitted(word, 8)} {plain(level_db, 1)} {unit} at x {plain(x_m, 1)} m, "
            f"y {plain(y_m, 1)} m"
        )
    lines.append(f"between  {plain(level_map.spread_db, 1)} dB")
    return lines


def map_csv(level_map: LevelMap) -> str:
    """`x_m,y_m,level_db`, a line a point; −∞ as `-inf`."""
    xs_m, ys_m = level_map.area.xs_m.tolist(), level_map.area.ys_m.tolist()
    lines = ["x_m,y_m,level_db"]
    for y_m, row in zip(ys_m, level_map.level_db.tolist(), strict=True):
        lines += [f"{x_m!r},{y_m!r},{level!r}" for x_m, level in zip(xs_m, row, strict=True)]
    return "\n".join(lines) + "\n"
