"""What a plot on characters is: the curves going in, and the finished drawing.

A drawing is characters and, for each cell, which curve or part of the axis it shows, so that a
terminal can colour it. It holds no more than what is seen; `curves.plot` makes one.
"""

from __future__ import annotations

import math
from functools import cached_property
from itertools import pairwise

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from xover.sheets.palette import UNSURE, colour

TEXT, AXIS, GRID, SHADE, CURSOR = 0, 1, 2, 3, 4
"""Style numbers of cells that belong to no curve."""
_GAP = 6
"""Columns between two parts that differ which are sent rather than gone over: as long as the code
that would move the cursor."""
CURVE = 16
"""The style of a cell of the curve whose `order` is n is CURVE + n."""


class Curve(Struct, frozen=True, eq=False):
    """One curve: `frequency_hz` (n,) ascending > 0, `values` (n,) with NaN where there is none.

    `order` chooses the colour, `dash` is a name in `palette.DASHES`; `wraps` makes the values
    degrees within ±180, whose jumps are not joined. A `grey` curve is not to be trusted.
    """

    label: str
    frequency_hz: NDArray[np.float64]
    values: NDArray[np.float64]
    dash: str = "solid"
    order: int = 0
    wraps: bool = False
    grey: bool = False


def trusted(curve: Curve, coherence: NDArray[np.float64] | None) -> tuple[Curve, ...]:
    """The curve; where its coherence (n,) is low it is a second one, grey, dotted and named so."""
    if coherence is None:
        return (curve,)
    from xover.dsp.coherence import TRUSTED_FROM

    low = coherence < TRUSTED_FROM
    if not low.any():
        return (curve,)
    # Each part reaches to the next point of the other, so that no gap is left between them.
    beside = low.copy()
    beside[1:] |= low[:-1]
    beside[:-1] |= low[1:]
    sure = replace(curve, values=np.where(low, np.nan, curve.values))
    unsure = replace(
        curve,
        label=f"γ² < ½, {curve.label}",
        values=np.where(beside, curve.values, np.nan),
        dash="wide-dot",
        order=UNSURE,
    )
    return (sure, unsure)


class Drawing(Struct, frozen=True, eq=False, dict=True):
    """A finished plot: `characters` and `styles` (height, width), `shaded` where a band lies.

    A cell may hold a base character with marks combined onto it; the cell after a wide character
    is empty. `left`, `top_row`, `columns` and `rows` say where the plot itself is.
    """

    characters: NDArray[np.str_]
    styles: NDArray[np.int16]
    shaded: NDArray[np.bool_]
    low_hz: float
    high_hz: float
    value_range: tuple[float, float]
    top_row: int
    rows: int
    left: int
    columns: int
    step: float = 0.0
    """Between two ticks of the value axis."""
    unit: str = ""

    @property
    def width(self) -> int:
        """Columns of the whole drawing."""
        return int(self.characters.shape[1])

    @property
    def height(self) -> int:
        """Rows of the whole drawing."""
        return int(self.characters.shape[0])

    def column_of(self, frequency_hz: float) -> int:
        """The column that shows a frequency (it may lie outside the plot)."""
        span = math.log(self.high_hz / self.low_hz)
        dot = math.log(frequency_hz / self.low_hz) / span * (2 * self.columns - 1)
        return self.left + math.floor((dot + 0.5) / 2)

    def frequency_at(self, column: int) -> float:
        """The frequency in Hz at the centre of a column."""
        share = (2 * (column - self.left) + 0.5) / (2 * self.columns - 1)
        return float(self.low_hz * (self.high_hz / self.low_hz) ** share)

    def value_at(self, row: int) -> float:
        """The value at the centre of a row of the plot."""
        bottom, top = self.value_range
        return top - (row - self.top_row) * (top - bottom) / max(1, self.rows - 1)

    def lines(self) -> list[str]:
        """Each row as text, without colour, trailing blanks kept."""
        return ["".join(row) for row in self.characters.tolist()]

    def parts_unlike(self, other: Drawing) -> list[tuple[int, int, int]]:
        """What differs from a drawing of the same size, as (row, first column, column after it).

        No wide character is parted; gaps that cost more than they save are taken in. Whole rows
        where sizes differ.
        """
        if other.characters.shape != self.characters.shape:
            return [(row, 0, self.width) for row in range(self.height)]
        at = np.flatnonzero(self._unlike(other))
        if not at.size:
            return []
        parts: list[tuple[int, int, int]] = []
        width, simple = self.width, self._simple
        begins = np.flatnonzero(np.diff(at, prepend=-_GAP - 2) > _GAP + 1)
        ends = np.append(begins[1:], at.size) - 1
        for first, last in zip(at[begins].tolist(), at[ends].tolist(), strict=True):
            for row in range(first // width, last // width + 1):
                start, stop = max(first - row * width, 0), min(last + 1 - row * width, width)
                part = (row, start, stop) if simple[row] else (row, 0, width)
                if not (parts and parts[-1] == part):
                    parts.append(part)
        return parts

    def _unlike(self, other: Drawing) -> NDArray[np.bool_]:
        """(height, width) which cells differ."""
        mine, others = _wide(self.characters), _wide(other.characters)
        differ = mine[..., 0] != others[..., 0]
        differ |= mine[..., 1] != others[..., 1]
        differ |= self.styles != other.styles
        differ |= self.shaded != other.shaded
        return np.asarray(differ)

    def is_simple(self, row: int) -> bool:
        """Whether each cell of a row holds one character, so that it can be cut anywhere."""
        return self._simple[row]

    def cut(self, row: int, start: int, stop: int) -> tuple[list[str], list[int]]:
        """Some columns of a simple row as texts and looks, as `pieces` has the whole row."""
        part = slice(row * self.width + start, row * self.width + stop)
        text, own = self._text[part], self._looks[part].tolist()
        texts: list[str] = []
        looks: list[int] = []
        begun, look = 0, own[0]
        for at, new in enumerate(own):
            if new != look and (new & 1 or look & 1 or text[at] != " "):
                texts.append(text[begun:at])
                looks.append(look)
                begun, look = at, new
        texts.append(text[begun:])
        looks.append(look)
        return texts, looks

    def runs(self, row: int) -> list[tuple[str, int, bool]]:
        """A row as (text, style, shaded) pieces of equal style, for a terminal to colour.

        Blanks outside the shade look the same in every style and go with the piece before.
        """
        texts, looks = self.pieces[row]
        return [(text, look >> 1, look & 1 > 0) for text, look in zip(texts, looks, strict=True)]

    @cached_property
    def pieces(self) -> list[tuple[list[str], list[int]]]:
        """Each row as `runs` gives it, as texts and looks: twice the style, plus one if shaded."""
        codes = code_points(self.characters)
        first = codes[..., 0]
        blank = (first == ord(" ")) & (codes[..., 1] == 0) & ~self.shaded
        latest = np.arange(first.size).reshape(first.shape)
        latest[:, 1:][blank[:, 1:]] = 0
        np.maximum.accumulate(latest, axis=1, out=latest)
        look = 2 * self.styles.ravel()[latest] + self.shaded
        edge = np.ones_like(self.shaded)
        edge[:, 1:] = look[:, 1:] != look[:, :-1]
        starts = np.flatnonzero(edge)
        looks = look.ravel()[starts].tolist()
        bounds = np.searchsorted(starts, np.arange(self.height + 1) * self.width).tolist()
        at, whole = [*starts.tolist(), look.size], self._text
        texts = [whole[a:b] for a, b in pairwise(at)]
        for row in [row for row, simple in enumerate(self._simple) if not simple]:
            cells, offset = self.characters[row].tolist(), row * self.width
            for piece in range(bounds[row], bounds[row + 1]):
                texts[piece] = "".join(cells[at[piece] - offset : at[piece + 1] - offset])
        return [(texts[a:b], looks[a:b]) for a, b in pairwise(bounds)]

    @cached_property
    def _looks(self) -> memoryview:
        """Twice the style of every cell, plus one where it is shaded, row after row."""
        return memoryview((2 * self.styles + self.shaded).tobytes()).cast("h")

    @cached_property
    def _text(self) -> str:
        """The first character of every cell, row after row."""
        codes = code_points(self.characters)[..., 0]
        return codes.astype("<u4").tobytes().decode("utf-32-le", "replace")

    @cached_property
    def _simple(self) -> list[bool]:
        """For every row, see `is_simple`."""
        codes = code_points(self.characters)
        found: list[bool] = ((codes[..., 0] != 0) & (codes[..., 1] == 0)).all(axis=1).tolist()
        return found

    def to_text(self, *, colour: bool, dark: bool = True) -> str:
        """The plot as lines of text; with `colour` in 24-bit ANSI sequences, else plain.

        Whether a terminal wants colour (`NO_COLOR`, pipes) is for the caller to settle.
        """
        if not colour:
            return "".join(line.rstrip() + "\n" for line in self.lines())
        return "".join(
            "".join(_ansi(*run, dark=dark) for run in self.runs(row)) + "\n"
            for row in range(self.height)
        )


def code_points(characters: NDArray[np.str_]) -> NDArray[np.uint32]:
    """(height, width, 4) the code points of each cell, 0 where there is none.

    Of a whole array of characters this is the same memory, to be written through.
    """
    return np.ascontiguousarray(characters).view(np.uint32).reshape(*characters.shape, -1)


def _wide(characters: NDArray[np.str_]) -> NDArray[np.uint64]:
    """(height, width, 2) the code points of each cell, to be compared."""
    return code_points(characters).view(np.uint64)


def _ansi(text: str, style: int, shaded: bool, *, dark: bool) -> str:
    codes = []
    if style >= CURVE:
        codes.append("38;2;{};{};{}".format(*colour(style - CURVE, dark=dark)))
    elif style in (AXIS, GRID, SHADE):
        codes.append("38;2;128;128;128")
    if shaded:
        text = text.replace("░", " ")
        codes.append("48;2;48;48;48" if dark else "48;2;225;225;225")
    return f"\x1b[{';'.join(codes)}m{text}\x1b[0m" if codes else text


def stack(upper: Drawing, lower: Drawing) -> Drawing:
    """One drawing over another of the same width, as magnitude over phase.

    The axis numbers of the result are the upper's; keep the two for reading cursors.
    """
    if upper.width != lower.width:
        raise ValueError("drawings of different width do not stack")
    return Drawing(
        np.vstack([upper.characters, lower.characters]),
        np.vstack([upper.styles, lower.styles]),
        np.vstack([upper.shaded, lower.shaded]),
        upper.low_hz, upper.high_hz, upper.value_range,
        upper.top_row, upper.rows, upper.left, upper.columns, upper.step, upper.unit,
    )  # fmt: skip
