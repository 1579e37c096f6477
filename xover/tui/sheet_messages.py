"""What people do with the settings sheet, as messages for the app.

Nothing here has been applied: the app asks its session, and shows what comes of it.
"""

from __future__ import annotations

from dataclasses import dataclass

from textual.message import Message

from xover.model.entry import Part
from xover.session.cells import Cell


@dataclass
class Typed(Message, namespace="sheet_grid"):
    """Text was entered for cells of one row."""

    cells: tuple[Cell, ...]
    text: str


@dataclass
class Nudged(Message, namespace="sheet_grid"):
    """Cells of one row are to go up (`steps` > 0) or down by musical steps."""

    cells: tuple[Cell, ...]
    steps: int
    coarse: bool
    part: Part = "frequency"
    """What of each moves, where it has parts."""


@dataclass
class CursorMoved(Message, namespace="sheet_grid"):
    """The cursor stands on another cell."""

    cell: Cell


@dataclass
class Copied(Message, namespace="sheet_grid"):
    """The cursor's cell is to be remembered, to be pasted elsewhere."""

    cell: Cell


@dataclass
class Pasted(Message, namespace="sheet_grid"):
    """What was copied is to go into these cells."""

    cells: tuple[Cell, ...]


@dataclass
class Swapped(Message, namespace="sheet_grid"):
    """All that is entered into two outputs is to change places; their exact names."""

    first: str
    second: str


@dataclass
class Told(Message, namespace="sheet_grid"):
    """One sentence for the person at the keys: what could not be done here; "" takes it back."""

    sentence: str
