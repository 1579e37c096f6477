"""The read-out under the curves: what each of them reads at the cursor.

Pure. Fitted to the room there is by leaving out kinds of values, then whole curves, which are
counted; never by cutting a figure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from xover.model.names import inert
from xover.model.units import plain, show_hz, show_ms, signed
from xover.sheets.cells import fitted, width_of
from xover.sheets.drawing import CURVE, TEXT
from xover.tui.plot_content import PlotData, Values, values_at

NAME_WIDTH = 16
"""Of a longer name the read-out shows the beginning."""
PENDING = "pending …"
_GAP = "   "

Piece = tuple[str, int]
"""Text and its style number, as in a drawing."""
Line = tuple[Piece, ...]


@dataclass(frozen=True)
class _Item:
    name: str
    style: int
    values: Values


def readout(
    data: PlotData, cursor_hz: float | None, *, width: int, lines: int, pending: bool = False
) -> tuple[Line, ...]:
    """At most `lines` lines of pieces, each at most `width` columns, for the cursor.

    Without a cursor there is only the mark of what is pending, if anything is.
    """
    mark = PENDING if pending and width_of(PENDING) <= width else ""
    room = [width - (width_of(mark) + 2 if mark and not at else 0) for at in range(lines)]
    found: list[list[Piece]] = []
    if cursor_hz is not None and lines > 0:
        found = _fitted(data, cursor_hz, room)
    shown = [list(line) for line in found] or [[]]
    if mark:
        used = sum(width_of(text) for text, _ in shown[0])
        shown[0].append((" " * (width - used - width_of(mark)) + mark, TEXT))
    return tuple(tuple(line) for line in shown[:lines])


def _fitted(data: PlotData, cursor_hz: float, room: Sequence[int]) -> list[list[Piece]]:
    head = f" {show_hz(cursor_hz)}".ljust(11)
    styles = {curve.label: CURVE + curve.order for curve in data.upper}
    items = [
        _Item(
            fitted(name, NAME_WIDTH).rstrip() if width_of(name) > NAME_WIDTH else name,
            styles.get(reading.label, TEXT),
            values_at(reading, cursor_hz),
        )
        for reading in data.readings
        for name in [inert(reading.label)]
    ]
    for kinds in ("dB deg ms γ²", f"dB {data.lower_unit}", "dB"):
        answer = _packed(head, [(item, _figures(item.values, kinds)) for item in items], room)
        if answer is not None:
            return answer
    texts = [(item, _figures(item.values, "dB")) for item in items]
    for kept in range(len(items) - 1, -1, -1):
        more = f"and {len(items) - kept} more"
        answer = _packed(head, [*texts[:kept], (None, more)], room)
        if answer is not None:
            return answer
    return [[(head.rstrip(), TEXT)]] if width_of(head.rstrip()) <= room[0] else []


def _packed(
    head: str, items: Sequence[tuple[_Item | None, str]], room: Sequence[int]
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
        gap = _GAP
    return lines


def _figures(values: Values, kinds: str) -> str:
    """`−3.2 dB +44° 3.41 ms`: the kinds asked for, as far as they are known."""
    wanted = kinds.split()
    parts: list[str] = []
    if math.isnan(values.level_db):
        return "–"
    parts.append("−∞ dB" if math.isinf(values.level_db) else f"{plain(values.level_db, 1)} dB")
    if "deg" in wanted and _known(values.phase_deg):
        parts.append(f"{signed(values.phase_deg or 0.0, 0)}°")
    if "ms" in wanted and _known(values.delay_ms):
        parts.append(show_ms(values.delay_ms or 0.0))
    if "γ²" in wanted and _known(values.coherence):
        parts.append(f"γ² {plain(values.coherence or 0.0, 2)}")
    return " ".join(parts)


def _known(value: float | None) -> bool:
    return value is not None and math.isfinite(value)
