"""How the pieces of the sheet look: text, marks and rich styles.

No widget, no app. Every state is told by a mark or an attribute besides its
colour, so that it reads without any.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final

from msgspec import Struct
from rich.cells import cell_len
from rich.color import Color
from rich.style import Style

from xover.model.entry import show
from xover.model.names import inert
from xover.session.cells import Row
from xover.sheets.cells import clusters, fitted, width_of
from xover.sheets.palette import OKABE_ITO, Rgb
from xover.tui.sheet_view import CellView, ColumnView


class Mark:
    """The characters that stand for states."""

    GROUP: Final = "≡"
    MUTED: Final = "M"
    LOCKED: Final = "▪"
    CHANGED: Final = "•"
    FAULT: Final = "!"
    GHOST: Final = "~"
    ARROW: Final = "→"
    LEFT: Final = "‹"
    RIGHT: Final = "›"
    UP: Final = "↑"
    DOWN: Final = "↓"
    DIVIDER: Final = "│"
    DOUBLE: Final = "║"


_BLACK, _ORANGE, _SKY, _GREEN, _YELLOW, _BLUE, _VERMILLION, _PURPLE = OKABE_ITO


class Looks(Struct, frozen=True):
    """The styles of the sheet on one ground."""

    base: Style
    label: Style
    head: Style
    here: Style
    """Label and heading of the cursor's row and column."""
    rule: Style
    nothing: Style
    locked: Style
    changed: Style
    fault: Style
    ghost: Style
    cursor: Style
    part: Style
    """What of the cursor's cell a nudge moves."""
    selected: Style
    resting: Style
    """The cursor while another widget has the keys."""
    editor: Style
    caret: Style


@lru_cache(maxsize=16)
def looks(base: Style, dark: bool) -> Looks:
    """The styles on the ground of `base`, which carries the widget's own two colours."""
    ground = _rgb(base.bgcolor, (18, 18, 18) if dark else (255, 255, 255))
    ink = _rgb(base.color, (230, 230, 230) if dark else (0, 0, 0))
    quiet = _style(_mixed(ink, ground, 0.72), ground)
    faint = _style(_mixed(ink, ground, 0.5), ground)
    accent = _SKY if dark else _BLUE
    near = _ORANGE if dark else _BLUE
    field = _mixed(ground, accent, 0.7)
    return Looks(
        base=base,
        label=quiet,
        head=base + Style(bold=True),
        here=_style(accent, ground) + Style(bold=True),
        rule=faint,
        nothing=faint,
        locked=quiet + Style(italic=True),
        changed=_style(near, ground) + Style(bold=True),
        fault=_style(_VERMILLION, ground) + Style(bold=True, underline=True),
        ghost=_style(_PURPLE if dark else _mixed(_PURPLE, ink, 0.6), ground) + Style(italic=True),
        cursor=_style(accent, ground) + Style(bold=True, reverse=True),
        part=_style(accent, ground) + Style(bold=True, underline=True),
        selected=_style(_mixed(accent, ground, 0.6), ground) + Style(reverse=True),
        resting=Style(underline=True, bold=True),
        editor=_style(ink, field) + Style(underline=True),
        caret=_style(ink, field) + Style(reverse=True, bold=True),
    )


def _style(color: Rgb, ground: Rgb) -> Style:
    return Style(color=Color.from_rgb(*color), bgcolor=Color.from_rgb(*ground))


def _rgb(color: Color | None, otherwise: Rgb) -> Rgb:
    if color is None or color.is_default:
        return otherwise
    return tuple(color.get_truecolor())  # type: ignore[return-value]


def _mixed(one: Rgb, other: Rgb, share: float) -> Rgb:
    """`share` of the first colour, the rest of the second, per 8-bit channel."""
    red, green, blue = (round(share * a + (1 - share) * b) for a, b in zip(one, other, strict=True))
    return red, green, blue


@lru_cache(maxsize=4096)
def steady(text: str) -> str:
    """Text that every part of the screen counts alike.

    Where the screen's own table and ours differ about a character (emoji sequences), what
    combines onto it is left out, or a question mark stands for it.
    """
    if text.isascii():
        return text
    return "".join(_steady_piece(piece, cells) for piece, cells in clusters(text))


def _steady_piece(piece: str, cells: int) -> str:
    for candidate in (piece, piece[0]):
        if cell_len(candidate) == cells == width_of(candidate):
            return candidate
    return "?" * cells


def cell_text(row: Row, cell: CellView, width: int) -> str:
    """What a cell shows in `width` columns, exactly as wide; shortened figures are marked."""
    text = cell.text
    if cell.ghost:
        both = f"{text}{Mark.ARROW}{cell.ghost}"
        text = both if width_of(both) <= width else cell.ghost
    elif len(text) > width:
        text = show(row, cell.value, width=width)
    return fitted(steady(inert(text)), width)


def cell_mark(cell: CellView) -> str:
    """The one character behind a cell that says how it stands."""
    if cell.fault:
        return Mark.FAULT
    if cell.ghost:
        return Mark.GHOST
    if cell.locked:
        return Mark.LOCKED
    return Mark.CHANGED if cell.changed else " "


def cell_style(cell: CellView, styles: Looks) -> Style:
    """How a cell looks where neither cursor nor selection is."""
    if cell.fault:
        return styles.fault
    if cell.ghost:
        return styles.ghost
    if cell.changed:
        return styles.changed
    if cell.locked:
        return styles.locked
    return styles.nothing if cell.nothing else styles.base


def heading(column: ColumnView, width: int) -> str:
    """The name over a column; at the right, where there is room, that it is muted or in a group."""
    name, room = steady(column.label), width - 2
    behind = ""
    for words in ("muted", Mark.MUTED) if column.muted else ("",):
        behind = (words + " " + Mark.GROUP if column.groups else words).strip()
        if width_of(name) + 1 + len(behind) <= room:
            break
    if not behind or len(behind) > room - 2:
        return fitted(f" {fitted(name, max(0, room))} ", width)
    return f" {fitted(name, room - 1 - len(behind))} {behind} "


def row_label(label: str, unit: str, width: int) -> str:
    """A row's label, its unit at the right."""
    if unit and len(label) + 1 + len(unit) < width:
        return label + unit.rjust(width - 1 - len(label)) + " "
    return fitted(label, width)
