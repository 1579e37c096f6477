"""Painting without asking twice: grounds that children cover, and styles as the screen shows them.

The compositor asks every widget under a changed row for all of its rows; containers and lines
answer from memory here, and what they remember goes when style, size or filters change.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Self

from rich.segment import Segment
from rich.style import Style
from textual.color import Color
from textual.containers import Container, Vertical
from textual.filter import LineFilter
from textual.geometry import Region
from textual.screen import Screen
from textual.strip import Strip

from xover.tui.painting import Direct, Painter

CROPS = 8
"""How many different parts of a widget are kept."""


def seen(style: Style, filters: Sequence[LineFilter], ground: Color) -> Style:
    """A style as it comes through the screen's filters."""
    segments = [Segment(" ", style)]
    for each in filters:
        segments = each.apply(segments, ground)
    return segments[0].style or style


class Kept(Direct):
    """A widget whose painted rows are kept until it is refreshed, or its style changes."""

    _rows_kept: dict[Region, list[Strip]] | None = None
    _filters_kept: Sequence[LineFilter] = ()
    _look: Style | None = None

    @property
    def look(self) -> Style:
        """The widget's own style as the screen shows it."""
        if self._look is None:
            self._look = seen(self.rich_style, self._filters_kept, self.background_colors[1])
        return self._look

    def notify_style_update(self) -> None:
        """Another theme or class: everything is painted anew."""
        super().notify_style_update()
        self._rows_kept = self._look = None

    def refresh(
        self,
        *regions: Region,
        repaint: bool = True,
        layout: bool = False,
        recompose: bool = False,
    ) -> Self:
        """Paint anew before the next frame."""
        self._rows_kept = None
        return super().refresh(*regions, repaint=repaint, layout=layout, recompose=recompose)

    def render_lines(self, crop: Region) -> list[Strip]:
        """Rows as painted, those that did not change as they were."""
        filters = self.get_line_filters()
        if filters != self._filters_kept:
            self._filters_kept = list(filters)
            self._rows_kept = self._look = None
        if self._rows_kept is None or len(self._rows_kept) > CROPS:
            self._rows_kept = {}
        rows = self._rows_kept.get(crop)
        if rows is None:
            rows = self._rows_kept[crop] = self.paint(crop)
        return rows

    def paint(self, crop: Region) -> list[Strip]:
        """The rows of a region, as the widget itself paints them."""
        return super().render_lines(crop)


class Ground(Kept, Container):
    """A container that shows nothing itself, also before it has children."""

    BLANK = True


class Column(Kept, Vertical):
    """A container, its children one over the other; it shows nothing itself."""

    BLANK = True


class Whole(Kept, Screen[object]):
    """The screen under everything."""

    def __init__(self, name: str | None = None, id: str | None = None) -> None:
        super().__init__(name, id)
        self._compositor = self._painter = Painter()

    def paint_now(self, widgets: Iterable[Direct]) -> None:
        """Paint what these have to show in the turn of the key that changed it.

        Left to the next frame where there is anything else to do than to paint them.
        """
        waits = (
            self.app._batch_count
            or self._layout_required
            or self._scroll_required
            or self._repaint_required
            or self._recompose_required
            or self._dirty_widgets
        )
        if waits or not self.is_current:
            return
        changed: list[Direct] = []
        for widget in widgets:
            widget.freshen()
            if widget._layout_required or widget._scroll_required:
                return
            if widget._repaint_required:
                if not self._painter.can_paint(widget):
                    return
                changed.append(widget)
        for widget in changed:
            widget._repaint_required = False
            self._dirty_widgets.add(widget)
        if changed:
            self._on_timer_update()
