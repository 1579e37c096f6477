"""Text that is laid out anew for every width, so that nothing is cut at any size.

The lines come from a function of the width; markup is never read.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from textual.content import Content
from textual.geometry import Size
from textual.widget import Widget

Lines = Callable[[int], Sequence[Content]]


class Reflowed(Widget):
    """Shows lines made for its present width; as tall as they are."""

    DEFAULT_CSS = """
    Reflowed { width: 100%; height: auto; }
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._make: Lines = lambda width: ()
        self._made: tuple[int, Content] | None = None

    def show(self, make: Lines) -> None:
        """Show what `make` gives for a width in columns."""
        self._make, self._made = make, None
        self.refresh(layout=True)

    def text(self) -> str:
        """What is shown, without colour."""
        return self._content(self.content_size.width).plain

    def get_content_height(self, container: Size, viewport: Size, width: int) -> int:
        """One row a line."""
        plain = self._content(width).plain
        return plain.count("\n") + 1 if plain else 0

    def render(self) -> Content:
        """The lines for the present width."""
        return self._content(self.content_size.width)

    def _content(self, width: int) -> Content:
        if self._made is None or self._made[0] != width:
            lines = self._make(max(1, width))
            self._made = (width, Content("\n").join(list(lines)))
        return self._made[1]
