"""How the cells of a scene of curves look: style numbers to rich styles, rows to strips.

Colours are those of the palette; without colour the shade keeps its characters and every curve
its dash and label.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache, partial
from itertools import repeat
from typing import Any

from rich.color import Color
from rich.segment import Segment
from rich.style import Style
from textual.color import Color as Ground
from textual.filter import LineFilter
from textual.strip import Strip

from xover.sheets.cells import width_of
from xover.sheets.drawing import AXIS, CURSOR, CURVE, GRID, SHADE
from xover.sheets.palette import Rgb, colour
from xover.tui.kept import seen
from xover.tui.plot_scene import Scene

_SHADE: dict[bool, Rgb] = {True: (48, 48, 48), False: (225, 225, 225)}
_QUIET: Rgb = (128, 128, 128)
_SEGMENT: Callable[[tuple[Any, ...]], Segment] = partial(tuple.__new__, Segment)


class Looks:
    """The styles of the plot on one ground: `base` carries the widget's own colours.

    They are as the screen's `filters` make them, so that what is painted need not go through these.
    """

    def __init__(
        self,
        base: Style,
        *,
        dark: bool,
        no_color: bool,
        filters: Sequence[LineFilter] = (),
        ground: Ground | None = None,
    ) -> None:
        self.no_color = no_color
        self._base, self._dark = base, dark
        through = partial(seen, filters=filters, ground=ground or Ground(0, 0, 0))
        self.base = through(base)
        self._styles = _Made(lambda look: through(self._made(look)))

    def style(self, number: int) -> Style:
        """The style of text of a style number."""
        return self._styles[2 * number]

    def segments(self, texts: list[str], looks: list[int]) -> list[Segment]:
        """A row of a drawing, from its pieces."""
        if not self.no_color and any(look & 1 for look in looks):
            texts = [
                text.replace("░", " ") if look & 1 else text
                for text, look in zip(texts, looks, strict=True)
            ]
        # Segments are named tuples; made from tuples directly they cost a third.
        return list(map(_SEGMENT, zip(texts, map(self._styles.__getitem__, looks), repeat(None))))

    def _made(self, look: int) -> Style:
        number, shaded = look >> 1, look & 1
        ground = _color(_SHADE[self._dark]) if shaded else None
        if self.no_color:
            return self._base + Style(bold=True if number == CURSOR else None)
        if number >= CURVE:
            ink = _color(colour(number - CURVE, dark=self._dark))
            return self._base + Style(color=ink, bgcolor=ground)
        if number in (AXIS, GRID, SHADE):
            return self._base + Style(color=_color(_QUIET), bgcolor=ground)
        return self._base + Style(bgcolor=ground, bold=True if number == CURSOR else None)


class _Made(dict[int, Style]):
    """Styles by look, each made once, so that a terminal's codes are made once too."""

    def __init__(self, make: Callable[[int], Style]) -> None:
        super().__init__()
        self._make = make

    def __missing__(self, look: int) -> Style:
        made = self[look] = self._make(look)
        return made


@lru_cache(maxsize=64)
def _color(rgb: Rgb) -> Color:
    return Color.from_rgb(*rgb)


def strip_of(scene: Scene, y: int, looks: Looks) -> Strip:
    """One row of a scene, exactly as wide as it."""
    width = scene.wish.width
    drawing = scene.drawing
    if drawing is not None and y < drawing.height:
        return Strip(looks.segments(*drawing.pieces[y]), width)
    at = y - scene.text_row
    pieces = scene.text[at] if 0 <= at < len(scene.text) else ()
    segments = [Segment(text, looks.style(number)) for text, number in pieces]
    used = sum(width_of(text) for text, _ in pieces)
    return Strip([*segments, Segment(" " * (width - used), looks.base)], width)
