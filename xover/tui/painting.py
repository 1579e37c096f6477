"""What changed, straight to the terminal: no row is cut and put together anew that nothing covers.

The toolkit's compositor asks every widget under a changed row for all its rows and cuts them at
every border. Where all that changed belongs to widgets that nothing lies over, their cells are
written as they are, in one piece; everything else is left to the toolkit.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable

from rich.console import Console, ConsoleOptions, RenderableType, RenderResult
from rich.control import Control
from rich.segment import Segment
from textual._compositor import ChopsUpdate, Compositor, CompositorUpdate
from textual.app import App
from textual.geometry import Region
from textual.message import Message
from textual.message_pump import MessagePump
from textual.messages import Prompt
from textual.screen import Screen
from textual.widget import Widget

Run = tuple[int, int, Iterable[Segment]]
"""Column, row, and the cells that stand from there on."""

SYNC_START, SYNC_END = "\x1b[?2026h", "\x1b[?2026l"
"""DEC private mode 2026, synchronised output: nothing is shown until all of it is there."""


def has_more(pump: MessagePump) -> bool:
    """Whether anything waits to be obeyed besides the reminder to paint."""
    waiting: Iterable[Message] = getattr(pump._message_queue, "values", ())
    return any(not isinstance(each, Prompt) for each in waiting)


class Direct(Widget):
    """A widget that gives finished cells: its own ground in them, and seen through the filters."""

    def freshen(self) -> None:
        """Ask for what is to be painted, where that is put off until all wishes are there."""

    def runs(self, regions: Collection[Region]) -> list[Run]:
        """The cells of parts of it, counted from its upper left."""
        return [
            (region.x, region.y + at, strip)
            for region in regions
            for at, strip in enumerate(self.render_lines(region))
        ]


class Runs(CompositorUpdate):
    """Cells to be written where they belong."""

    def __init__(self, runs: list[Run]) -> None:
        self.runs = runs

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        for x, y, cells in self.runs:
            yield Control.move_to(x, y).segment
            yield from cells

    def render_segments(self, console: Console) -> str:
        """What is sent to the terminal."""
        system = console._color_system
        parts: list[str] = []
        for x, y, cells in self.runs:
            parts.append(f"\x1b[{y + 1};{x + 1}H")
            for text, style, _ in cells:
                parts.append(text if style is None else style.render(text, color_system=system))
        return "".join(parts)


class Painter(Compositor):
    """A compositor that lets widgets under nothing else paint directly."""

    def __init__(self) -> None:
        super().__init__()
        self._free: frozenset[Widget] = frozenset()
        self._free_among: object = None
        self._asked: list[tuple[Direct, list[Region]]] = []
        """Who is to paint, and which parts of itself."""
        self._asked_for: set[Region] = set()
        """The same parts on the screen."""

    def update_widgets(self, widgets: set[Widget]) -> None:
        """Note what is to be painted, and whether all of it can be painted directly."""
        self._asked = []
        direct = not self._dirty_regions and widgets <= self._on_top()
        if direct:
            for widget in widgets:
                assert isinstance(widget, Direct)
                self._asked.append((widget, list(widget._repaint_regions)))
        super().update_widgets(widgets)
        if direct:
            self._asked_for = self._dirty_regions.copy()

    def render_partial_update(self) -> ChopsUpdate | Runs | None:  # type: ignore[override]
        """What was noted, if there is nothing else; what the toolkit makes of it otherwise."""
        asked, self._asked = self._asked, []
        shown, found = self.visible_widgets, []
        # What was to be painted may have been hidden since.
        gone = any(widget not in shown for widget, _ in asked)
        if not asked or gone or self._dirty_regions != self._asked_for:
            return super().render_partial_update()
        self._dirty_regions.clear()
        for widget, parts in asked:
            left, top, width, height = shown[widget][0]
            area = Region(0, 0, width, height)
            whole = [part for part in (area.intersection(part) for part in parts) if part]
            found += [(left + x, top + y, cells) for x, y, cells in widget.runs(whole)]
        return Runs(found)

    def can_paint(self, widget: Widget) -> bool:
        """Whether a widget can paint directly."""
        return widget in self._on_top()

    def _on_top(self) -> frozenset[Widget]:
        """The widgets that can paint directly, whole and under no other."""
        shown = self.visible_widgets
        if shown is not self._free_among:
            before: list[Region] = []
            free: list[Widget] = []
            for widget, (region, clip) in shown.items():  # what lies on top comes first
                seen = region.intersection(clip)
                if (
                    isinstance(widget, Direct)
                    and seen == region
                    and self.size.region.contains_region(region)
                    and not any(region.overlaps(other) for other in before)
                ):
                    free.append(widget)
                before.append(seen)
            self._free, self._free_among = frozenset(free), shown
        return self._free


class Painted(App[int]):
    """An app that sends what is painted directly in one piece."""

    def _display(self, screen: Screen[object], renderable: RenderableType | None) -> None:
        driver = self._driver
        if (
            not isinstance(renderable, Runs)
            or driver is None
            or self._batch_count
            or self._closed
            or not self._running
            or self.is_headless
            or self.is_inline
        ):
            super()._display(screen, renderable)
            return
        x, y = at = self.screen.outer_size.clamp_offset(self.cursor_position)
        self._previous_cursor_position = at
        start, end = (SYNC_START, SYNC_END) if self._sync_available else ("", "")
        # Each write wakes the thread that writes; one is enough.
        sent = renderable.render_segments(self.console)
        driver.write(f"{start}{sent}\x1b[{y + 1};{x + 1}H{end}")
        driver.flush()
        self.post_display_hook()
