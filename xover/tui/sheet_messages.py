"""What people do with the settings sheet, as messages for the app.

Nothing here has been applied: the app asks its session, and shows what comes of it.
"""

from __future__ import annotations

from textual.message import Message

from xover.model.entry import Part
from xover.session.cells import Cell


class Typed(Message, namespace="sheet_grid"):
    """Text was entered for cells of one row."""

    def __init__(self, cells: tuple[Cell, ...], text: str) -> None:
        super().__init__()
        self.cells, self.text = cells, text


class Nudged(Message, namespace="sheet_grid"):
    """Cells of one row are to go up (`steps` > 0) or down by musical steps.

    `part` is what of each moves, where it has parts.
    """

    def __init__(
        self, cells: tuple[Cell, ...], steps: int, coarse: bool, part: Part = "frequency"
    ) -> None:
        super().__init__()
        self.cells, self.steps, self.coarse, self.part = cells, steps, coarse, part


class CursorMoved(Message, namespace="sheet_grid"):
    """The cursor stands on another cell."""

    def __init__(self, cell: Cell) -> None:
        super().__init__()
        self.cell = cell


class Copied(Message, namespace="sheet_grid"):
    """The cursor's cell is to be remembered, to be pasted elsewhere."""

    def __init__(self, cell: Cell) -> None:
        super().__init__()
        self.cell = cell


class Pasted(Message, namespace="sheet_grid"):
    """What was copied is to go into these cells."""

    def __init__(self, cells: tuple[Cell, ...]) -> None:
        super().__init__()
        self.cells = cells


class Swapped(Message, namespace="sheet_grid"):
    """All that is entered into two outputs is to change places; their exact names."""

    def __init__(self, first: str, second: str) -> None:
        super().__init__()
        self.first, self.second = first, second


class Told(Message, namespace="sheet_grid"):
    """One sentence for the person at the keys: what could not be done here; "" takes it back."""

    def __init__(self, sentence: str) -> None:
        super().__init__()
        self.sentence = sentence
