"""Where the columns of the sheet stand: widths that fit their content, and what is in sight.

Pure. Whole columns come first; what is left over at the right shows the beginning of one more, or
goes to the last where that would be next to nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import NamedTuple

from msgspec import Struct

from xover.sheets.cells import width_of
from xover.tui.sheet_view import RowView, SheetView

LEAST = 10
"""The narrowest output, margins included: `inverted` and both of them."""
LEAST_INPUT = 8
"""The narrowest input: `normal` and both margins."""
MOST = 40
_SLIVER = 6
"""The least of a column that is worth showing."""
MARGINS = 2
"""One column before the text of a cell, one behind it for its mark."""


class Span(NamedTuple):
    """One column in sight: its number, where its text field starts, how wide that is."""

    column: int
    x: int
    width: int


class Layout(Struct, frozen=True, dict=True):
    """Everything about places, for one width of the widget and one first column in sight."""

    width: int
    label_width: int
    spans: tuple[Span, ...]
    """Each is preceded by one column for the divider."""
    more_left: bool
    more_right: bool

    @cached_property
    def by_column(self) -> dict[int, Span]:
        """The spans by the number of their column."""
        return {span.column: span for span in self.spans}

    def column_at(self, x: int) -> int | None:
        """The column under a place; None over the labels and right of everything."""
        for span in self.spans:
            if span.x - 1 <= x < span.x + span.width:
                return span.column
        return None


def label_width(rows: Sequence[RowView], width: int) -> int:
    """Columns for the row labels, at most a third of the widget."""
    natural = 1 + max(
        width_of(row.label) + (1 + width_of(row.unit) if row.unit else 0) for row in rows
    )
    return min(natural, width // 3)


def column_widths(
    view: SheetView, width: int, previous: Sequence[int] | None = None
) -> tuple[int, ...]:
    """The width of every column, margins included, in a widget of this width.

    Each fits its content where all of them fit side by side; else long ones give way, but keep
    what is bearable at this size. Columns never get narrower than in `previous`, so that the
    sheet holds still while it is worked on.
    """
    wanted = [
        min(MOST, max(LEAST_INPUT if each.side == "input" else LEAST, each.natural_width + MARGINS))
        for each in view.columns
    ]
    room = width - label_width(view.rows, width)
    room -= len(wanted)  # a divider each
    least = 17 if width < 100 else 18 if width < 140 else 20
    most = MOST
    while most > least and sum(min(most, each) for each in wanted) > room:
        most -= 1
    wanted = [min(most, each) for each in wanted]
    if previous is not None and len(previous) == len(wanted):
        wanted = [max(pair) for pair in zip(wanted, previous, strict=True)]
    return tuple(wanted)


def laid_out(view: SheetView, widths: Sequence[int], width: int, first: int) -> Layout:
    """The layout of a widget `width` columns wide with `first` the first column in sight."""
    labels = label_width(view.rows, width)
    spans: list[Span] = []
    x = labels
    for column in range(first, len(widths)):
        room = width - x - 1
        if room < 1 or (spans and room < min(_SLIVER, widths[column])):
            break
        spans.append(Span(column, x + 1, min(widths[column], room)))
        x += 1 + spans[-1].width
    if not spans:
        return Layout(width, labels, (), first > 0, first < len(widths))
    last = spans[-1]
    more = last.column < len(widths) - 1
    whole = last.width == widths[last.column]
    if more:
        spans[-1] = last._replace(width=width - last.x)
    return Layout(width, labels, tuple(spans), first > 0, more or not whole)


def first_in_sight(
    view: SheetView, widths: Sequence[int], width: int, first: int, column: int
) -> int:
    """The first column in sight, moved no further than `column` needs to be seen whole."""
    if column < first:
        return column
    room = width - label_width(view.rows, width)
    used = sum(1 + each for each in widths[first : column + 1])
    while first < column and used > room:
        used -= 1 + widths[first]
        first += 1
    return first
