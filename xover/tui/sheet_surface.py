"""The surface of the settings sheet: what is in sight, where the cursor stands, what is painted.

It keeps painted lines and paints again only what changed. What keys and mouse do is for
`sheet.SheetGrid`.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable

from textual.filter import LineFilter
from textual.geometry import Region, Size
from textual.strip import Strip

from xover.model.entry import Part, parts
from xover.session.cells import Cell
from xover.tui import sheet_messages as says
from xover.tui import sheet_paint as paint
from xover.tui.line_editor import LineEditor
from xover.tui.painting import Direct, Run
from xover.tui.sheet_layout import Layout, column_widths, first_in_sight, laid_out
from xover.tui.sheet_lines import Scene
from xover.tui.sheet_view import SheetView


class SheetSurface(Direct, can_focus=True):
    """A sheet that shows a view, scrolls, and has a cursor and a selection."""

    ALLOW_SELECT = False

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._view: SheetView | None = None
        self._widths: tuple[int, ...] = ()
        self._plan = Layout(0, 0, (), False, False)
        self._settled = Size()
        """The size that all places were found for."""
        self._column = self._anchor = self._row = 0
        self._first_column = self._top_row = 0
        self._moved = False
        self._part: Part = "frequency"
        self._editor: LineEditor | None = None
        self._refused: dict[Cell, tuple[str, str]] = {}
        self._lines: dict[int, Strip] = {}
        self._seen_through: list[LineFilter] = []
        self._looks: paint.Looks | None = None

    # What others ask and tell

    @property
    def cursor(self) -> Cell | None:
        """The cell under the cursor; None before the first view."""
        return None if self._view is None else self._view.cell(self._column, self._row)

    @property
    def selection(self) -> tuple[Cell, ...]:
        """The cells that an entry goes to, left to right: at least the cursor's."""
        if self._view is None:
            return ()
        row = self._view.rows[self._row].id
        cells = tuple(
            self._view.cell(column, self._row)
            for column in self._selected()
            if row in self._view.columns[column].cells
        )
        return cells or (self._view.cell(self._column, self._row),)

    @property
    def part(self) -> Part:
        """What of the cursor's cell a nudge moves: as chosen, where the cell has such a part."""
        known = self._parts()
        return self._part if not known or self._part in known else known[0]

    def _parts(self) -> tuple[Part, ...]:
        cell = self.cursor
        shown = self._view.at(cell) if self._view is not None and cell is not None else None
        return () if shown is None else parts(shown.value)

    @property
    def editing(self) -> bool:
        """Whether text is being typed."""
        return self._editor is not None

    @property
    def typing(self) -> str | None:
        """The text being typed; None where none is."""
        return None if self._editor is None else self._editor.text

    @property
    def sentence(self) -> str:
        """What is wrong at the cursor: why its text was refused, or the value's fault; or ""."""
        cell = self.cursor
        if cell is None or self._view is None:
            return ""
        if cell in self._refused:
            return self._refused[cell][1]
        shown = self._view.at(cell)
        return shown.fault if shown else ""

    def show(self, view: SheetView) -> None:
        """Show `view`; of a view like the last, only cells that differ are painted again."""
        old, self._view = self._view, view
        if old is None or not _alike(old, view):
            self._arrive(old)
            self._settle(keep_widths=old is not None)
            self.refresh()
            return
        touched: list[tuple[int, int]] = []
        for number, (was, now) in enumerate(zip(old.columns, view.columns, strict=True)):
            if was is now:
                continue
            if (was.label, was.groups, was.muted, was.changed) != (
                now.label, now.groups, now.muted, now.changed
            ):  # fmt: skip
                touched.append((number, -1))
            for row, each in enumerate(view.rows):
                before, after = was.cells.get(each.id), now.cells.get(each.id)
                if before is not after and before != after:
                    touched.append((number, row))
                    self._refused.pop(view.cell(number, row), None)
        wider = any(
            now.natural_width > was.natural_width
            for was, now in zip(old.columns, view.columns, strict=True)
            if was is not now
        )
        if wider and column_widths(view, self.size.width, self._widths) != self._widths:
            self._settle(keep_widths=True)
            self.refresh()
        else:
            self._touch(touched)

    def refuse(self, cell: Cell, text: str, sentence: str) -> None:
        """Keep `text` in a cell, marked, until it is typed anew or left with Escape.

        The value stays what it was; `sentence` says what would have been understood.
        """
        if self._view is None or (self._view.at(cell) is None and cell != self.cursor):
            return
        self._refused[cell] = (text, sentence)
        self._touch_cell(cell)

    def go_to(self, cell: Cell) -> bool:
        """Put the cursor on a cell; False where there is no such cell. Typing is left."""
        if self._view is None:
            return False
        column = self._view.column_numbers.get((cell.side, cell.column))
        row = self._view.row_numbers.get(cell.row)
        if column is None or row is None:
            return False
        self._leave()
        self._go(column, row)
        return True

    def _leave(self) -> None:
        if self._editor is not None:
            self._editor = None
            self._touch_row(self._row)

    def _forget(self, cells: tuple[Cell, ...]) -> None:
        """Refused text of these cells goes; their values show again."""
        for cell in cells:
            if self._refused.pop(cell, None) is not None:
                self._touch_cell(cell)

    # Cursor and scrolling

    def _selected(self) -> range:
        low, high = sorted((self._anchor, self._column))
        return range(low, high + 1)

    def _go(self, column: int, row: int, *, extend: bool = False) -> None:
        assert self._view is not None
        before, were = self.cursor, {(at, self._row) for at in self._selected()}
        was_row, was_column = self._row, self._column
        self._column = min(max(column, 0), len(self._view.columns) - 1)
        self._row = min(max(row, 0), len(self._view.rows) - 1)
        if not extend:
            self._anchor = self._column
        self._moved = True
        if not self._keep_in_sight():
            are = {(at, self._row) for at in self._selected()}
            headings = {(was_column, -1), (self._column, -1)}
            labels = {(-1, was_row), (-1, self._row)} if was_row != self._row else set()
            self._touch([*(were | are | headings | labels)])
        cell = self.cursor
        if cell is not None and cell != before:
            self.post_message(says.CursorMoved(cell))

    def _rows_in_sight(self) -> int:
        return max(1, self.size.height - self._header())

    def _header(self) -> int:
        return 1 if self.size.height >= 2 else 0

    def _keep_in_sight(self) -> bool:
        """Scroll just as far as the cursor needs; whether that moved anything."""
        if self._view is None or not self._widths:
            return False  # nothing has been laid out yet
        return self._scroll_sheet(*self._nearest_in_sight())

    def _nearest_in_sight(self) -> tuple[int, int]:
        """First column and row in sight, moved just as far as the cursor needs."""
        assert self._view is not None
        width, tall = self.size.width, self._rows_in_sight()
        top = max(min(self._top_row, self._row), self._row - tall + 1)
        first = first_in_sight(self._view, self._widths, width, self._first_column, self._column)
        return first, top

    def _scroll_sheet(self, first: int, top: int) -> bool:
        """Begin with this column and row, as far as there are such; whether that moved anything."""
        moved = self._begin_at(first, top)
        if moved:
            self._lay_out()
            self.refresh()
        return moved

    def _begin_at(self, first: int, top: int) -> bool:
        assert self._view is not None
        first = min(max(first, 0), self._last_first())
        top = min(max(top, 0), max(0, len(self._view.rows) - self._rows_in_sight()))
        if (first, top) == (self._first_column, self._top_row):
            return False
        self._first_column, self._top_row = first, top
        return True

    def _last_first(self) -> int:
        """The largest first column that wastes no room at the right."""
        assert self._view is not None
        last = len(self._widths) - 1
        return first_in_sight(self._view, self._widths, self.size.width, 0, last)

    def _arrive(self, old: SheetView | None) -> None:
        """Keep cursor, selection and refused text on their cells in a view of another shape."""
        view = self._view
        assert view is not None
        if old is None:
            self._column = self._anchor = view.first_output
            self._row = view.row_numbers["delay"]
            self.post_message(says.CursorMoved(view.cell(self._column, self._row)))
            return
        before = old.cell(self._column, self._row)
        row = view.row_numbers.get(before.row)
        if row is None and isinstance(before.row, tuple):
            row = max(at for at, each in enumerate(view.rows) if isinstance(each.id, tuple))
        self._row = min(self._row, len(view.rows) - 1) if row is None else row
        column = view.column_numbers.get((before.side, before.column))
        if column is None and len(old.columns) != len(view.columns):
            self._editor = None
        self._column = min(self._column, len(view.columns) - 1) if column is None else column
        self._anchor = self._column
        self._refused = {
            cell: kept
            for cell, kept in self._refused.items()
            if (shown := view.at(cell)) is not None and shown == old.at(cell)
        }
        if self.cursor is not None and self.cursor != before:
            self.post_message(says.CursorMoved(self.cursor))

    def _settle(self, *, keep_widths: bool) -> None:
        """Find all places anew: another size, other columns, or one that must be wider."""
        if self._view is None or not self.size:
            return
        self._settled = self.size
        self._widths = column_widths(
            self._view, self.size.width, self._widths if keep_widths else None
        )
        if not self._moved:
            self._first_column = self._opening_column()
        self._begin_at(self._first_column, self._top_row)
        self._begin_at(*self._nearest_in_sight())
        self._lay_out()

    def _opening_column(self) -> int:
        """The first column in sight at the start: inputs too where two outputs fit besides."""
        assert self._view is not None
        outputs = self._view.first_output
        second = min(outputs + 1, len(self._widths) - 1)
        fits = first_in_sight(self._view, self._widths, self.size.width, 0, second) == 0
        return 0 if fits else outputs

    # Painting

    def on_resize(self) -> None:
        """All places are found anew, unless that was painted already."""
        self._fit()

    def _fit(self) -> None:
        """Find all places for the size that there is: it is painted before anyone is told of it."""
        if self.size != self._settled:
            self._settle(keep_widths=False)

    def notify_style_update(self) -> None:
        """Another theme: every line is painted anew."""
        super().notify_style_update()
        self._looks = None
        self._lines.clear()

    def render_line(self, y: int) -> Strip:
        """One painted line, `y` counted from the top of the widget."""
        self._fit()
        return self._scene().line(y)

    def render_lines(self, crop: Region) -> list[Strip]:
        """Painted lines, those that did not change as they were."""
        self._fit()
        filters = list(self.get_line_filters())
        if filters != self._seen_through:
            self._seen_through = filters
            self._lines.clear()
        missing = [y for y in crop.line_range if y not in self._lines]
        if missing:
            scene, ground = self._scene(), self.background_colors[1]
            for y in missing:
                strip = scene.line(y)
                for each in filters:
                    strip = strip.apply_filter(each, ground)
                self._lines[y] = strip
        strips = [self._lines[y] for y in crop.line_range]
        if crop.column_span != (0, self.size.width):
            strips = [strip.crop(*crop.column_span) for strip in strips]
        return strips

    def runs(self, regions: Collection[Region]) -> list[Run]:
        """Single cells without their rows; whatever else was asked for as painted lines."""
        filters = self.get_line_filters()
        if filters != self._seen_through:
            return super().runs(regions)
        scene, found = self._scene(), list[Run]()
        for region in regions:
            cell = scene.cell(region.x, region.y, region.width) if region.height == 1 else None
            if cell is None:
                found += super().runs((region,))
                continue
            for each in filters:
                cell = each.apply(cell, self.background_colors[1])
            found.append((region.x, region.y, cell))
        return found

    def _scene(self) -> Scene:
        if self._looks is None:
            self._looks = paint.looks(self.rich_style, self.app.current_theme.dark)
        return Scene(
            view=self._view,
            plan=self._plan,
            header=self._header(),
            top_row=self._top_row,
            rows=self._rows_in_sight(),
            column=self._column,
            row=self._row,
            selected=self._selected(),
            focused=self.has_focus,
            editor=self._editor,
            refused=self._refused,
            looks=self._looks,
            part=self._part,
        )

    def _row_at(self, y: int) -> int | None:
        row = y - self._header() + self._top_row
        inside = self._view is not None and self._top_row <= row < len(self._view.rows)
        return row if inside else None

    def _lay_out(self) -> None:
        """Where each column stands; every line is made anew."""
        if self._view is not None:
            self._plan = laid_out(self._view, self._widths, self.size.width, self._first_column)
        self._lines.clear()

    def _touch_row(self, row: int) -> None:
        y = row - self._top_row + self._header()
        self._lines.pop(y, None)
        if 0 <= y < self.size.height:
            self.refresh(Region(0, y, self.size.width, 1))

    def _touch_cell(self, cell: Cell) -> None:
        if self._view is not None:
            column = self._view.column_numbers.get((cell.side, cell.column))
            row = self._view.row_numbers.get(cell.row)
            if column is not None and row is not None:
                self._touch([(column, row)])

    def _touch(self, cells: Iterable[tuple[int, int]]) -> None:
        """Paint cells again; column −1 stands for the labels, row −1 for the headings."""
        regions: list[Region] = []
        header = self._header()
        for column, row in cells:
            y = 0 if row < 0 else row - self._top_row + header
            if not (header if row >= 0 else 0) <= y < self.size.height or (row < 0 and not header):
                continue
            self._lines.pop(y, None)
            if column < 0:
                regions.append(Region(0, y, self._plan.label_width, 1))
            elif (span := self._plan.by_column.get(column)) is not None:
                regions.append(Region(span.x, y, span.width, 1))
        if regions:
            self.refresh(*regions)


def _alike(one: SheetView, other: SheetView) -> bool:
    """Whether two views have the same columns and rows, whatever stands in them."""
    return (
        one.rows == other.rows
        and len(one.columns) == len(other.columns)
        and all(
            was is now or (was.side, was.name) == (now.side, now.name)
            for was, now in zip(one.columns, other.columns, strict=True)
        )
    )
