"""The entry sheet as PDF: the plain text set on A4 pages in one fixed font, and the chart.

Needs no browser. For the finer typography print the HTML; the figures are the same, since both
come from the same rows. The same sheet gives the same bytes.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from xover.sheets.cells import fitted, width_of
from xover.sheets.drawing import Curve
from xover.sheets.figures import draw_panel, house_style, no_dates, shown_in
from xover.sheets.rows import Sheet
from xover.sheets.text import WIDTH, text_sections

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_PAGE_IN = (8.27, 11.69)
"""A4."""
_LINES = 60
_FONT, _FONT_PT = "DejaVu Sans Mono", 9.5
_LEFT, _TOP, _BOTTOM = 0.115, 0.94, 0.045


def pdf_sheet(sheet: Sheet, curves: Sequence[Curve] = ()) -> bytes:
    """The sheet as the bytes of a PDF, A4, a page or more an output, pages numbered."""
    from matplotlib.backends.backend_pdf import PdfPages
    from matplotlib.figure import Figure

    pages = list(_pages(sheet))
    count = len(pages) + bool(curves)
    stream = io.BytesIO()
    title = shown_in(_FONT, sheet.title)
    with (
        house_style(_FONT),
        PdfPages(stream, metadata=no_dates("pdf")) as document,
    ):
        for number, lines in enumerate(pages, start=1):
            figure = Figure(figsize=_PAGE_IN)
            text = "\n".join(shown_in(_FONT, line) for line in lines)
            figure.text(_LEFT, _TOP, text, fontsize=_FONT_PT, va="top", linespacing=1.25)
            _foot(figure, title, number, count)
            document.savefig(figure)
        if curves:
            figure = Figure(figsize=_PAGE_IN)
            axes = figure.add_axes((0.115, 0.55, 0.60, 0.36))
            draw_panel(axes, "dB", curves, legend=True)
            axes.set_xlabel("Frequency in Hz")
            heading = "Electrical magnitude of every output, limiters excluded"
            figure.text(_LEFT, _TOP, heading, fontsize=_FONT_PT + 1, va="top", weight="bold")
            _foot(figure, title, count, count)
            document.savefig(figure)
    return stream.getvalue()


def _pages(sheet: Sheet) -> Iterator[list[str]]:
    """Lines page by page: a new page for every part, a part as long as it needs."""
    for section in text_sections(sheet):
        lines = section[1:] if section and not section[0] else section
        for start in range(0, len(lines), _LINES):
            yield lines[start : start + _LINES]


def _foot(figure: Figure, title: str, number: int, count: int) -> None:
    page = f"Page {number} of {count}"
    room = WIDTH - len(page) - 2
    left = title if width_of(title) <= room else fitted(title, room).rstrip()
    figure.text(_LEFT, _BOTTOM, left, fontsize=_FONT_PT - 1.5)
    figure.text(1.0 - _LEFT, _BOTTOM, page, fontsize=_FONT_PT - 1.5, ha="right")
