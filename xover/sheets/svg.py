"""A chart of curves over log frequency as vector SVG, written by hand to stand inside a page.

Every label is escaped; the text is the same on every machine. Curves are told apart by dash and
label, colour only helps.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

import numpy as np
from numpy.typing import NDArray

from xover.model.names import inert
from xover.sheets.cells import fitted, width_of
from xover.sheets.drawing import Curve
from xover.sheets.palette import DASHES, hex_colour
from xover.sheets.scales import (
    HIGH_HZ,
    LOW_HZ,
    automatic_range,
    frequency_name,
    frequency_ticks,
    show_tick,
)

WIDTH, HEIGHT = 720, 300
_LEFT, _RIGHT, _TOP, _BOTTOM = 40, 150, 10, 24
_ROWS = 19
_LINE, _LABEL_STEP = 1.5, 12.0
_LABEL_CELLS = 21


def svg_chart(
    curves: Sequence[Curve],
    *,
    unit: str = "dB",
    title: str = "",
    font: str = "sans-serif",
    font_size: float = 10.0,
) -> str:
    """An `<svg>` element, 720 by at least 300 units, of magnitude (or `unit`) over 20 Hz–20 kHz.

    Curves are (n,) arrays with NaN or −∞ where there is nothing; `title` is read to people who
    cannot see the chart; `font_size` is in the same units as the width.
    """
    height = max(HEIGHT, int(_TOP + _BOTTOM + _LABEL_STEP * len(curves)))
    values = [curve.values[np.isfinite(curve.values)] for curve in curves]
    values = [shown for shown in values if shown.size]
    least = min((float(shown.min()) for shown in values), default=0.0)
    most = max((float(shown.max()) for shown in values), default=0.0)
    bottom, top, step = automatic_range(least, most, _ROWS, unit, tick_rows=(2, 3))
    frame = _Frame(height, bottom, top)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" role="img" '
        f'font-family="{font}" font-size="{_number(font_size)}">',
        f"<title>{escape(inert(title))}</title>" if title else "",
        f'<rect width="{WIDTH}" height="{height}" fill="#fff"/>',
        f'<clipPath id="plot"><rect x="{frame.left}" y="{frame.top_y}" '
        f'width="{frame.right - frame.left}" height="{frame.bottom_y - frame.top_y}"/></clipPath>',
        *_grid(frame, unit, step),
    ]
    ends = []
    for curve in curves:
        path, end_y = _path(curve, frame)
        ends.append(end_y)
        stroke = hex_colour(curve.order, dark=False)
        parts.append(
            f'<path clip-path="url(#plot)" d="{path}" fill="none" stroke="{stroke}" '
            f'stroke-width="{_LINE}"{_dash(curve.dash)}/>'
        )
    parts += _labels(curves, ends, frame)
    return "\n".join(part for part in parts if part) + "\n</svg>\n"


class _Frame:
    """Where frequencies and values lie in the picture."""

    def __init__(self, height: int, bottom: float, top: float) -> None:
        self.left, self.right = _LEFT, WIDTH - _RIGHT
        self.top_y, self.bottom_y = _TOP, height - _BOTTOM
        self.bottom, self.top = bottom, top

    def x(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """Horizontal places of frequencies in Hz."""
        share: NDArray[np.float64] = np.log(frequency_hz / LOW_HZ) / np.log(HIGH_HZ / LOW_HZ)
        return self.left + share * (self.right - self.left)

    def y(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Vertical places of values, kept within a page's reach of the plot."""
        share = (self.top - values) / (self.top - self.bottom)
        places: NDArray[np.float64] = self.top_y + share * (self.bottom_y - self.top_y)
        return np.clip(places, -1000.0, 2000.0)


def _grid(frame: _Frame, unit: str, step: float) -> list[str]:
    parts = []
    first, last = np.ceil(frame.bottom / step - 1e-9), np.floor(frame.top / step + 1e-9)
    for tick in np.arange(first, last + 1) * step:
        y = _number(float(frame.y(np.array([tick]))[0]))
        stroke = "#666" if abs(tick) < 1e-9 else "#ccc"
        parts.append(
            f'<path d="M{frame.left} {y}H{frame.right}" stroke="{stroke}" stroke-width=".5"/>'
        )
        figure = show_tick(float(tick), unit, step)
        parts.append(
            f'<text x="{frame.left - 5}" y="{y}" dy="3.5" text-anchor="end">{figure}</text>'
        )
    named = [f for level in frequency_ticks(LOW_HZ, HIGH_HZ) for f in level]
    fine = [m * 10.0**e for e in (1, 2, 3) for m in range(2, 10)]
    for frequency_hz in sorted({*named, *fine}):
        x = _number(float(frame.x(np.array([frequency_hz]))[0]))
        stroke = "#ccc" if frequency_hz in named else "#eee"
        parts.append(
            f'<path d="M{x} {frame.top_y}V{frame.bottom_y}" stroke="{stroke}" stroke-width=".5"/>'
        )
        if frequency_hz in named:
            parts.append(
                f'<text x="{x}" y="{frame.bottom_y + 13}" text-anchor="middle">'
                f"{frequency_name(frequency_hz)}</text>"
            )
    parts.append(f'<text x="4" y="{frame.top_y + 8}">{escape(unit)}</text>')
    parts.append(f'<text x="{frame.right + 16}" y="{frame.bottom_y + 13}">Hz</text>')
    parts.append(
        f'<rect x="{frame.left}" y="{frame.top_y}" width="{frame.right - frame.left}" '
        f'height="{frame.bottom_y - frame.top_y}" fill="none" stroke="#000" stroke-width=".75"/>'
    )
    return parts


def _path(curve: Curve, frame: _Frame) -> tuple[str, float]:
    """The line's path data with gaps where there is no value, and the height where it ends."""
    inside = (curve.frequency_hz >= LOW_HZ) & (curve.frequency_hz <= HIGH_HZ)
    x = frame.x(curve.frequency_hz[inside])
    values = curve.values[inside]
    finite = np.isfinite(values)
    y = frame.y(np.where(finite, values, 0.0))
    pieces, pen = [], "M"
    for index in range(x.size):
        if not finite[index]:
            pen = "M"
            continue
        pieces.append(f"{pen}{_number(x[index])} {_number(y[index])}")
        pen = "L"
    shown = np.flatnonzero(finite)
    end = float(y[shown[-1]]) if shown.size else float(frame.bottom_y)
    return "".join(pieces), min(max(end, frame.top_y + 4.0), frame.bottom_y - 4.0)


def _labels(curves: Sequence[Curve], ends: Sequence[float], frame: _Frame) -> list[str]:
    """A dash sample and a name right of each curve's end, spread so that none overlaps."""
    order = sorted(range(len(curves)), key=lambda index: (ends[index], index))
    places: list[float] = []
    for index in order:
        places.append(max(ends[index], places[-1] + _LABEL_STEP if places else frame.top_y + 4.0))
    limit = frame.bottom_y - 4.0
    for position in range(len(places) - 1, -1, -1):
        places[position] = min(places[position], limit)
        limit = places[position] - _LABEL_STEP
    parts = []
    for index, place in zip(order, places, strict=True):
        curve, y = curves[index], _number(place)
        name = inert(curve.label)
        shown = name if width_of(name) <= _LABEL_CELLS else fitted(name, _LABEL_CELLS).rstrip()
        stroke = hex_colour(curve.order, dark=False)
        parts.append(
            f'<path d="M{frame.right + 4} {y}h22" fill="none" stroke="{stroke}" '
            f'stroke-width="{_LINE}"{_dash(curve.dash)}/>'
            f'<text x="{frame.right + 30}" y="{y}" dy="3.5" unicode-bidi="isolate">'
            f"{escape(shown)}</text>"
        )
    return parts


def _dash(name: str) -> str:
    lengths = " ".join(_number(1.3 * length) for length in DASHES[name])
    return f' stroke-dasharray="{lengths}"' if lengths else ""


def _number(value: float) -> str:
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
