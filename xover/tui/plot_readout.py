"""The read-out under the curves: what each of them reads at the cursor.

Pure. Fitted to the room there is by leaving out kinds of values, then whole curves, which are
counted; never by cutting a figure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from msgspec import Struct

from xover.model.names import inert
from xover.model.units import plain, show_hz, show_ms, signed
from xover.sheets.cells import fitted, width_of
from xover.sheets.drawing import CURVE, TEXT
from xover.tui.plot_content import PlotData, Values, values_at
from xover.tui.sheet_paint import steady

NAME_WIDTH = 16
"""Of a longer name the read-out shows the beginning."""
PENDING, PENDING_SHORT = "pending …", " …"
_GAP = "   "

Piece = tuple[str, int]
"""Text and its style number, as in a drawing."""
Line = tuple[Piece, ...]


class _Item(Struct, frozen=True):
    name: str
    style: int
    values: Values


def readout(
    data: PlotData, cursor_hz: float | None, *, width: int, lines: int, pending: bool = False
) -> tuple[Line, ...]:
    """At most `lines` lines of pieces, each at most `width` columns, for the cursor.

    Without a cursor there is only the mark of what is pending, if anything is.
    """
    if lines <= 0:
        return ()
    # The place of the mark is kept free always, so that the figures stay where they are.
    room = [max(0, width - (0 if at else len(PENDING_SHORT))) for at in range(lines)]
    found = _fitted(data, cursor_hz, room) if cursor_hz is not None else []
    shown = found or [[]]
    free = width - sum(width_of(text) for text, _ in shown[0])
    mark = PENDING if len(PENDING) + 2 <= free else PENDING_SHORT
    if pending and len(mark) <= free:
        shown[0].append((mark.rjust(free), TEXT))
    return tuple(tuple(line) for line in shown)


def _fitted(data: PlotData, cursor_hz: float, room: Sequence[int]) -> list[list[Piece]]:
    head = f" {show_hz(cursor_hz)}"
    styles = {curve.label: CURVE + curve.order for curve in data.upper}
    items = [
        _Item(_name(reading.label), styles.get(reading.label, TEXT), values_at(reading, cursor_hz))
        for reading in data.readings
    ]
    if not items:
        return [[(head, TEXT)]] if width_of(head) <= room[0] else []
    whole, one, level = "dB deg ms γ²", f"dB {data.lower_unit}", "dB"
    for first, others in ((whole, whole), (one, one), (whole, level), (whole, ""), (level, level)):
        kinds = [first, *[others] * (len(items) - 1)]
        texts = [
            (item, _figures(item.values, kind)) for item, kind in zip(items, kinds, strict=True)
        ]
        answer = _packed(head.ljust(11), texts, room, _GAP if others else "  ")
        if answer is not None:
            return answer
    bare = [(item, _level(item.values.level_db)) for item in items]
    head += " dB "
    for kept in range(len(items), -1, -1):
        more = [] if kept == len(items) else [(None, f"and {len(items) - kept} more")]
        answer = _packed(head, [*bare[:kept], *more], room, "  ")
        if answer is not None:
            return answer
    return [[(head, TEXT)]] if width_of(head) <= room[0] else []


def _name(label: str) -> str:
    name = steady(inert(label))
    return name if width_of(name) <= NAME_WIDTH else fitted(name, NAME_WIDTH).rstrip()


def _packed(
    head: str, items: Sequence[tuple[_Item | None, str]], room: Sequence[int], between: str
) -> list[list[Piece]] | None:
    """The items in lines, none broken; None where they do not fit."""
    lines: list[list[Piece]] = [[(head, TEXT)]]
    used, gap = width_of(head), ""
    for item, text in items:
        size = width_of(text) + (width_of(item.name) + 1 if item is not None else 0)
        if used + len(gap) + size > room[len(lines) - 1]:
            if len(lines) == len(room):
                return None
            lines.append([(" " * width_of(head), TEXT)])
            used, gap = width_of(head), ""
            if used + size > room[len(lines) - 1]:
                return None
        used += len(gap) + size
        if item is not None:
            lines[-1].append((gap + item.name, item.style))
            gap = " "
        lines[-1].append((gap + text, TEXT))
        gap = between
    return lines


def _figures(values: Values, kinds: str) -> str:
    """`−3.2 dB +44° 3.41 ms`: the kinds asked for, as far as they are known; "": bare decibels."""
    wanted = kinds.split()
    level = _level(values.level_db)
    if level == "–" or not wanted:
        return level
    parts = [f"{level} dB"]
    if "deg" in wanted and _known(values.phase_deg):
        parts.append(f"{signed(values.phase_deg or 0.0, 0)}°")
    if "ms" in wanted and _known(values.delay_ms):
        parts.append(show_ms(values.delay_ms or 0.0))
    if "γ²" in wanted and _known(values.coherence):
        parts.append(f"γ² {plain(values.coherence or 0.0, 2)}")
    return " ".join(parts)


def _level(level_db: float) -> str:
    if math.isnan(level_db):
        return "–"
    return "−∞" if math.isinf(level_db) else plain(level_db, 1)


def _known(value: float | None) -> bool:
    return value is not None and math.isfinite(value)
