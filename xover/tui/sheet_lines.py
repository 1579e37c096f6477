"""The lines of the sheet, put together from its pieces for one state of the widget.

It paints what it is given and remembers nothing; finding out what changed is the widget's part.
"""

from __future__ import annotations

from collections.abc import Mapping

from msgspec import Struct
from rich.segment import Segment
from rich.style import Style
from textual.strip import Strip

from xover.model.entry import Part, part_span, parts
from xover.model.names import inert
from xover.session.cells import Cell
from xover.sheets.cells import fitted
from xover.tui.line_editor import LineEditor
from xover.tui.sheet_layout import Layout, Span
from xover.tui.sheet_paint import (
    Looks,
    Mark,
    cell_mark,
    cell_style,
    cell_text,
    heading,
    row_label,
    steady,
)
from xover.tui.sheet_view import SheetView


class Scene(Struct, frozen=True, eq=False):
    """All that a line depends on."""

    view: SheetView | None
    plan: Layout
    header: int
    """Lines that the headings take: 1, or 0 where there is no room for them."""
    top_row: int
    rows: int
    """How many rows are in sight."""
    column: int
    row: int
    selected: range
    focused: bool
    editor: LineEditor | None
    refused: Mapping[Cell, tuple[str, str]]
    looks: Looks
    part: Part = "frequency"
    """What of the cursor's cell a nudge moves, where it has such a part."""

    def line(self, y: int) -> Strip:
        """The line `y` of the widget, exactly as wide as it is."""
        width = self.plan.width
        row = y - self.header + self.top_row
        if self.view is None or row >= len(self.view.rows):
            return Strip.blank(width, self.looks.base)
        segments = self._headings() if y < self.header else self._row(row)
        strip = Strip(segments).adjust_cell_length(width, self.looks.base)
        if y < self.header and self.plan.more_right and width:
            mark = Strip([Segment(Mark.RIGHT, self.looks.rule)], 1)
            return Strip.join([strip.crop(0, width - 1), mark])
        field = self.field()
        if field is not None and field[0] == y:
            _, x, wide = field
            return Strip.join([strip.crop(0, x), self._edited(wide), strip.crop(x + wide, width)])
        return strip

    def cell(self, x: int, y: int, width: int) -> list[Segment] | None:
        """The cell that stands just there; None where there is none, or something is typed."""
        row = y - self.header + self.top_row
        if self.view is None or y < self.header or not 0 <= row < len(self.view.rows):
            return None
        field = self.field()
        if field is not None and field[0] == y:
            return None
        for span in self.plan.spans:
            if (span.x, span.width) == (x, width):
                return self._whole_cell(span, row)
        return None

    def field(self) -> tuple[int, int, int] | None:
        """Where text is being typed: line, first column, width; None where none is in sight.

        It grows to the right with its text, over the neighbours, as far as the widget goes.
        """
        if self.editor is None or (span := self.plan.by_column.get(self.column)) is None:
            return None
        if not self.top_row <= self.row < self.top_row + self.rows:
            return None
        wanted = max(span.width, self.editor.width + 1)
        return (
            self.row - self.top_row + self.header,
            span.x,
            min(wanted, self.plan.width - span.x),
        )

    def _headings(self) -> list[Segment]:
        assert self.view is not None
        styles = self.looks
        above = self.top_row > 0
        below = self.top_row + self.rows < len(self.view.rows)
        arrows = (Mark.UP if above else " ") + (Mark.DOWN if below else " ")
        corner = arrows.ljust(max(0, self.plan.label_width - 1))
        corner += Mark.LEFT if self.plan.more_left else " "
        segments = [Segment(fitted(corner, self.plan.label_width), styles.rule)]
        for span in self.plan.spans:
            column = self.view.columns[span.column]
            style = styles.here if span.column == self.column else styles.head
            if column.changed:
                style += Style(color=styles.changed.color)
            segments.append(self._divider(span))
            segments.append(Segment(heading(column, span.width), style))
        return segments

    def _row(self, row: int) -> list[Segment]:
        assert self.view is not None
        _, label, unit = self.view.rows[row]
        style = self.looks.here if row == self.row else self.looks.label
        segments = [Segment(row_label(label, unit, self.plan.label_width), style)]
        for span in self.plan.spans:
            segments.append(self._divider(span))
            segments += self._whole_cell(span, row)
        return segments

    def _whole_cell(self, span: Span, row: int) -> list[Segment]:
        cell = self._cell(span, row)
        if row == self.row and span.column == self.column and self.focused:
            return self._with_part(cell, span, row)
        return [cell]

    def _with_part(self, cell: Segment, span: Span, row: int) -> list[Segment]:
        """The cursor's cell with the part that a nudge moves set off, where it has parts."""
        assert self.view is not None
        shown = self.view.columns[span.column].cells.get(self.view.rows[row].id)
        known = parts(shown.value) if shown is not None and not shown.ghost else ()
        if shown is None or not known or self.view.cell(span.column, row) in self.refused:
            return [cell]
        part = self.part if self.part in known else known[0]
        text = cell.text
        found = part_span(shown.value, part, text)
        if found is None:
            return [cell]
        start, end = found
        style = self.looks.part
        pieces = ((text[:start], cell.style), (text[start:end], style), (text[end:], cell.style))
        return [Segment(piece, look) for piece, look in pieces if piece]

    def _divider(self, span: Span) -> Segment:
        assert self.view is not None
        double = span.column == self.view.first_output > 0
        return Segment(Mark.DOUBLE if double else Mark.DIVIDER, self.looks.rule)

    def _cell(self, span: Span, row: int) -> Segment:
        assert self.view is not None
        styles, room = self.looks, max(0, span.width - 2)
        column, id = self.view.columns[span.column], self.view.rows[row].id
        shown = column.cells.get(id)
        text, mark, style = " " * room, " ", styles.base
        if shown is not None:
            known = column.fitted.get((id, room))
            if known is None:
                known = column.fitted[id, room] = cell_text(id, shown, room)
            text, mark, style = known, cell_mark(shown), cell_style(shown, styles)
        if self.refused and (cell := self.view.cell(span.column, row)) in self.refused:
            text = fitted(steady(inert(self.refused[cell][0])), room)
            mark, style = Mark.FAULT, styles.fault
        if row == self.row and span.column in self.selected:
            here = span.column == self.column
            if not self.focused:
                style += styles.resting if here else Style(underline=True)
            else:
                style = styles.cursor if here else styles.selected
        whole = f" {text}{mark}"  # as wide as its column, but for one that is hardly there
        return Segment(whole if span.width > 1 else fitted(whole, span.width), style)

    def _edited(self, width: int) -> Strip:
        assert self.editor is not None
        if width < 2:
            return Strip([Segment(" " * width, self.looks.caret)], width)
        before, under, after = self.editor.in_sight(width - 1)
        segments = [
            Segment(" " + steady(before), self.looks.editor),
            Segment(steady(under), self.looks.caret),
            Segment(steady(after), self.looks.editor),
        ]
        return Strip(segments).adjust_cell_length(width, self.looks.editor)
