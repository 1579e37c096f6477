"""How the cells of a scene of curves look: style numbers to rich styles, rows to strips.

Colours are those of the palette; without colour the shade keeps its characters and every curve
its dash and label.
"""

from __future__ import annotations

from functools import lru_cache

from rich.color import Color
from rich.segment import Segment
from rich.style import Style
from textual.strip import Strip

from xover.sheets.drawing import AXIS, CURSOR, CURVE, GRID, SHADE
from xover.sheets.palette import Rgb, colour
from xover.tui.plot_scene import Scene

_SHADE: dict[bool, Rgb] = {True: (48, 48, 48), False: (225, 225, 225)}
_QUIET: Rgb = (128, 128, 128)


class Looks:
    """The styles of the plot on one ground: `base` carries the widget's own colours."""

    def __init__(self, base: Style, *, dark: bool, no_color: bool) -> None:
        self.base = base
        self.no_color = no_color
        self._dark = dark
        self._styles: dict[tuple[int, bool], Style] = {}

    def style(self, number: int, shaded: bool) -> Style:
        """The style of a cell; the same object for the same question."""
        found = self._styles.get((number, shaded))
        if found is None:
            found = self._styles[number, shaded] = self._made(number, shaded)
        return found

    def _made(self, number: int, shaded: bool) -> Style:
        ground = _color(_SHADE[self._dark]) if shaded else None
        if self.no_color:
            return self.base + Style(bold=True if number == CURSOR else None)
        if number >= CURVE:
            ink = _color(colour(number - CURVE, dark=self._dark))
            return self.base + Style(color=ink, bgcolor=ground)
        if number in (AXIS, GRID, SHADE):
            return self.base + Style(color=_color(_QUIET), bgcolor=ground)
        return self.base + Style(bgcolor=ground, bold=True if number == CURSOR else None)


@lru_cache(maxsize=64)
def _color(rgb: Rgb) -> Color:
    return Color.from_rgb(*rgb)


def strip_of(scene: Scene, y: int, looks: Looks) -> Strip:
    """One row of a scene, exactly as wide as it."""
    width = scene.wish.width
    drawing, style = scene.drawing, looks.style
    if drawing is not None and y < drawing.height:
        segments: list[Segment] = []
        for text, number, shaded in drawing.runs(y):
            if shaded and not looks.no_color:
                text = text.replace("░", " ")
            segments.append(Segment(text, style(number, shaded)))
        return Strip(segments, width)
    at = y - scene.text_row
    pieces = scene.text[at] if 0 <= at < len(scene.text) else ()
    segments = [Segment(text, style(number, False)) for text, number in pieces]
    strip = Strip(segments)
    return strip.adjust_cell_length(width, looks.base)
