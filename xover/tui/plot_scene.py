"""One picture of the curves at a size: which panels it has, the drawing, the read-out's lines.

Pure: content, size, span and cursor in, a scene out. It keeps scales steady from one scene to the
next and refuses nothing: where there is no room it says what it can.
"""

from __future__ import annotations

from collections.abc import Sequence

from msgspec import Struct
from msgspec.structs import replace

from xover.model.names import inert
from xover.sheets.cells import width_of, wrapped
from xover.sheets.curves import GUTTER, MINIMUM_HEIGHT, MINIMUM_WIDTH, started, together
from xover.sheets.drawing import TEXT, Curve, Drawing, stack
from xover.tui.plot_content import Band, PlotData
from xover.tui.plot_readout import Line, readout
from xover.tui.plot_span import Span
from xover.tui.sheet_paint import steady

TALL = 15
"""From this many rows on, what a terminal of 30 leaves, two panels stand one over the other."""
ROOMY = 20
"""From this many rows on the read-out has two."""

_NAMES = {"deg": "phase", "ms": "group delay", "γ²": "coherence"}
_RANGES = {"deg": (-180.0, 180.0), "γ²": (0.0, 1.0)}


class Wish(Struct, frozen=True):
    """What is to be seen, besides the content; two alike give the same picture of it."""

    width: int
    height: int
    span: Span
    cursor_hz: float | None
    lower: bool
    """The lower panel too; where there is no room for both, in place of the magnitude."""
    pending: bool


class Scene(Struct, frozen=True, eq=False):
    """A picture: the panels, both in one where there are two, and lines of text under them."""

    wish: Wish
    drawing: Drawing | None
    """None where there is no room, or nothing to draw."""
    upper: Drawing | None
    lower: Drawing | None
    text: tuple[Line, ...]

    @property
    def text_row(self) -> int:
        """The row where the lines of text start."""
        return 0 if self.drawing is None else self.drawing.height

    def frequency_at(self, x: int) -> float | None:
        """The frequency in Hz shown in a column; None beside the plot."""
        drawing = self.drawing
        if drawing is None or not drawing.left <= x < drawing.left + drawing.columns:
            return None
        return drawing.frequency_at(x)

    def parts_unlike(self, other: Scene) -> list[tuple[int, int, int]]:
        """What is to be painted again where `other` stands now: row, first column, one after."""
        wide, high = self.wish.width, self.wish.height
        if (wide, high) != (other.wish.width, other.wish.height) or self.text_row != other.text_row:
            return [(row, 0, wide) for row in range(high)]
        parts: list[tuple[int, int, int]] = []
        if self.drawing is not None and other.drawing is not None:
            parts = self.drawing.parts_unlike(other.drawing)
        for at in range(max(len(self.text), len(other.text))):
            if self.text[at : at + 1] != other.text[at : at + 1]:
                parts.append((self.text_row + at, 0, wide))
        return parts


def scene(data: PlotData, wish: Wish, before: Scene | None = None) -> Scene:
    """The picture of `data`; scales of `before` are kept where the curves sit well in them."""
    lines = _text_lines(wish.height)
    body = wish.height - lines
    sentence = data.problem or ("" if data.upper else "no curves are shown")
    if sentence or wish.width < MINIMUM_WIDTH or body < MINIMUM_HEIGHT:
        return Scene(wish, None, None, None, _sentence(sentence or data.title, wish))
    upper, lower = _panels(_shown(data), wish, body, before)
    drawing = upper or lower
    if upper is not None and lower is not None:
        drawing = stack(upper, lower)
    text = readout(data, wish.cursor_hz, width=wish.width, lines=lines, pending=wish.pending)
    return Scene(wish, drawing, upper, lower, text)


def _text_lines(height: int) -> int:
    if height <= MINIMUM_HEIGHT:
        return 0
    return 1 if height < ROOMY else 2


def _sentence(sentence: str, wish: Wish) -> tuple[Line, ...]:
    """A sentence in the upper left, whole or as far as whole words go; nothing where none fits."""
    text = steady(inert(sentence))
    width, height = wish.width - 2, wish.height - (wish.height > 2)
    if height < 1 or any(width_of(word) > width for word in text.split(" ")):
        return ()
    above: tuple[Line, ...] = ((),) if wish.height > 2 else ()
    return above + tuple(((f" {line}", TEXT),) for line in wrapped(text, width)[:height])


def _shown(data: PlotData) -> PlotData:
    """The content with text whose width every part of the screen counts alike."""

    def curves(items: Sequence[Curve]) -> tuple[Curve, ...]:
        return tuple(
            item if item.label.isascii() else replace(item, label=steady(inert(item.label)))
            for item in items
        )

    bands: tuple[Band, ...] = tuple(
        (low, high, steady(inert(label))) for low, high, label in data.bands
    )
    return replace(
        data,
        upper=curves(data.upper),
        lower=curves(data.lower),
        bands=bands,
        title=steady(inert(data.title)),
    )


def _panels(
    data: PlotData, wish: Wish, body: int, before: Scene | None
) -> tuple[Drawing | None, Drawing | None]:
    both = wish.lower and wish.height >= TALL
    under = max(MINIMUM_HEIGHT, 2 * body // 5) if both else 0
    above = below = None
    if both or not wish.lower:
        above = started(
            data.upper,
            width=wish.width,
            height=body - under,
            low_hz=wish.span.low_hz,
            high_hz=wish.span.high_hz,
            bands=data.bands,
            title=data.title,
            cursor_hz=wish.cursor_hz,
            frequency_axis=not both,
            like=before.upper if before is not None else None,
        )
    if wish.lower:
        unit = data.lower_unit
        what = _NAMES.get(unit, "")
        if not data.lower:
            what = f"no {what}: nothing that is shown has any"
        below = started(
            data.lower,
            width=wish.width,
            height=under or body,
            unit=unit,
            low_hz=wish.span.low_hz,
            high_hz=wish.span.high_hz,
            value_range=_RANGES.get(unit),
            bands=[(low, high, "") for low, high, _ in data.bands],
            title=what if both or not data.title else f"{what}, {data.title}",
            cursor_hz=wish.cursor_hz,
            labels="none" if above is not None else "auto",
            margin=wish.width - GUTTER - above.columns if above is not None else None,
            like=before.lower if before is not None else None,
        )
    drawings = iter(together(*(each for each in (above, below) if each is not None)))
    upper = next(drawings) if above is not None else None
    return upper, next(drawings) if below is not None else None
