"""Curves inside a dialog: the plot of `sheets.curves` as lines of text."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from textual.content import Content

from xover.model.names import inert
from xover.model.problems import Refused

if TYPE_CHECKING:
    from xover.sheets.drawing import Curve

Band = tuple[float, float, str]


def plot_lines(
    curves: Sequence[Curve],
    height: int,
    width: int,
    *,
    bands: Sequence[Band] = (),
    title: str = "",
    dark: bool = True,
    unit: str = "dB",
    value_range: tuple[float, float] | None = None,
) -> list[Content]:
    """A plot of `height` lines; where there is no room for one, the sentence that says so."""
    from xover.sheets.curves import plot
    from xover.sheets.drawing import AXIS, CURVE, GRID, SHADE
    from xover.sheets.palette import hex_colour

    try:
        drawing = plot(
            curves,
            width=width,
            height=height,
            bands=bands,
            title=title,
            unit=unit,
            value_range=value_range,
        )
    except Refused as refused:
        return [Content(inert(str(refused)))]
    lines = []
    for row in range(drawing.height):
        pieces = []
        for text, style, _ in drawing.runs(row):
            if style >= CURVE:
                pieces.append(Content.styled(text, hex_colour(style - CURVE, dark=dark)))
            elif style in (AXIS, GRID, SHADE):
                pieces.append(Content.styled(text, "dim"))
            else:
                pieces.append(Content(text))
        lines.append(Content("").join(pieces))
    return lines
