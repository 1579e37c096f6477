"""Response figures as SVG, PNG or PDF files, for reports; matplotlib, loaded only when asked.

The same curves give the same bytes. Nothing is written here: the bytes go out through
`files.safe_write` by whoever asked.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from contextlib import AbstractContextManager
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np

from xover.model.names import inert
from xover.model.problems import Refused
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

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FORMATS = ("svg", "png", "pdf")
FONT = "DejaVu Sans"
"""Comes with matplotlib, so that figures look alike on every machine."""
GREY = "#999999"
_UNIT_NAMES = {
    "dB": "Magnitude in dB",
    "deg": "Phase in degrees",
    "ms": "Group delay in ms",
    "γ²": "Coherence",
}
_ROWS = {"dB": 17, "deg": 9, "ms": 9}
_LABEL_CELLS = 28


def house_style() -> AbstractContextManager[None]:
    """Settings that hold inside a `with`: one font, no formulas in text, no random names."""
    import matplotlib

    return matplotlib.rc_context(
        {
            "svg.hashsalt": "xover",
            "svg.fonttype": "none",
            "svg.id": "xover",
            "pdf.fonttype": 42,
            "font.family": FONT,
            "font.size": 9.0,
            "axes.unicode_minus": True,
            "text.usetex": False,
            "text.parse_math": False,
            "path.simplify": False,
        }
    )


def response_figure(
    panels: Sequence[tuple[str, Sequence[Curve]]],
    *,
    format: str,
    title: str = "",
    bands: Sequence[tuple[float, float, str]] = (),
    low_hz: float = LOW_HZ,
    high_hz: float = HIGH_HZ,
) -> bytes:
    """The bytes of a figure with one panel under another on a common frequency axis.

    `panels` are (unit, curves) with unit "dB", "deg" or "ms"; `format` is "svg", "png" or "pdf";
    `bands` (low Hz, high Hz, label) are shaded. Raises `Refused` for any other format, and where
    there is nothing to draw.
    """
    if format not in FORMATS:
        raise Refused.at("", f"a figure cannot be {format}; it can be {', '.join(FORMATS)}")
    if not any(np.isfinite(curve.values).any() for _, curves in panels for curve in curves):
        raise Refused.at("", "there is nothing to draw: every curve is silent or empty")
    from matplotlib.figure import Figure

    with house_style():
        heights = [3.0 if unit == "dB" else 1.9 for unit, _ in panels]
        figure = Figure(figsize=(8.6, sum(heights) + 0.9), layout="constrained")
        axes = figure.subplots(len(panels), 1, sharex=True, squeeze=False, height_ratios=heights)
        if title:
            figure.suptitle(shown(title), x=0.02, ha="left", fontsize=11, fontweight="bold")
        for number, (panel, (unit, curves)) in enumerate(zip(axes[:, 0], panels, strict=True)):
            for band_low_hz, band_high_hz, _ in bands:
                panel.axvspan(band_low_hz, band_high_hz, color="#dddddd", linewidth=0.0)
            _draw_panel(panel, unit, curves, low_hz, high_hz, legend=number == 0)
            if number == 0:
                _label_bands(panel, bands)
        axes[-1, 0].set_xlabel("Frequency in Hz")
        stream = io.BytesIO()
        figure.savefig(stream, format=format, dpi=150, metadata=no_dates(format))
    return stream.getvalue()


def no_dates(format: str) -> dict[str, str | None]:
    """The metadata that would change from day to day or version to version, left out."""
    if format == "svg":
        return {"Date": None, "Creator": None}
    if format == "pdf":
        return {"CreationDate": None, "Creator": None, "Producer": None}
    return {"Software": None}


def shown(text: str) -> str:
    """`text` made inert, with what the font has no sign for as `\\uXXXX` instead of a blank box."""
    safe = inert(text)
    if safe.isascii():
        return safe
    signs = _signs()
    return "".join(
        character if ord(character) in signs else ascii(character)[1:-1] for character in safe
    )


@cache
def _signs() -> frozenset[int]:
    from matplotlib.font_manager import findfont, get_font

    return frozenset(get_font(findfont(FONT)).get_charmap())


def _cut(label: str) -> str:
    name = shown(label)
    name = name if width_of(name) <= _LABEL_CELLS else fitted(name, _LABEL_CELLS).rstrip()
    # A legend hides what begins with an underscore; a space of no width keeps it.
    return f"\u200b{name}" if name.startswith("_") else name


def _draw_panel(
    axes: Axes,
    unit: str,
    curves: Sequence[Curve],
    low_hz: float = LOW_HZ,
    high_hz: float = HIGH_HZ,
    *,
    legend: bool,
) -> None:
    """Draw curves, scales, ticks and (where asked) the legend of one panel."""
    finite = [curve.values[np.isfinite(curve.values)] for curve in curves]
    finite = [values for values in finite if values.size] or [np.zeros(1)]
    least = min(float(values.min()) for values in finite)
    most = max(float(values.max()) for values in finite)
    if unit == "deg" and all(curve.wraps for curve in curves):
        bottom, top, step = -180.0, 180.0, 90.0
    elif unit == "γ²":
        bottom, top, step = 0.0, 1.0, 0.5
    else:
        bottom, top, step = automatic_range(least, most, _ROWS.get(unit, 9), unit, tick_rows=(2,))
    for curve in curves:
        values = np.where(np.isfinite(curve.values), curve.values, np.nan)
        frequency_hz = curve.frequency_hz
        if curve.wraps:
            frequency_hz, values = _broken_at_wraps(frequency_hz, values)
        axes.plot(
            frequency_hz,
            values,
            color=GREY if curve.grey else hex_colour(curve.order, dark=False),
            linestyle=_dashes(curve.dash),
            linewidth=1.3,
            label=_cut(curve.label),
        )
    axes.set_xscale("log")
    axes.set_xlim(low_hz, high_hz)
    axes.set_ylim(bottom, top)
    ticks_hz = sorted(f for level in frequency_ticks(low_hz, high_hz) for f in level)
    axes.set_xticks(ticks_hz, [frequency_name(tick) for tick in ticks_hz])
    axes.minorticks_off()
    first, last = np.ceil(bottom / step - 1e-9), np.floor(top / step + 1e-9)
    ticks = np.arange(first, last + 1) * step
    axes.set_yticks(ticks, [show_tick(float(tick), unit, step) for tick in ticks])
    axes.set_ylabel(_UNIT_NAMES.get(unit, unit))
    axes.grid(True, color="#cccccc", linewidth=0.5)
    axes.set_axisbelow(True)
    if legend:
        _legend(axes)


def _broken_at_wraps(frequency_hz: Any, values: Any) -> tuple[Any, Any]:
    """Degrees with a NaN put in at each wrap, so that no line crosses the panel."""
    with np.errstate(invalid="ignore"):
        wraps = np.flatnonzero(np.abs(np.diff(values)) > 180.0) + 1
    return np.insert(frequency_hz, wraps, frequency_hz[wraps]), np.insert(values, wraps, np.nan)


def _dashes(name: str) -> Any:
    lengths = DASHES[name]
    return (0, lengths) if lengths else "solid"


def _legend(axes: Axes) -> None:
    handles, _ = axes.get_legend_handles_labels()
    if handles:
        axes.legend(
            loc="upper left", bbox_to_anchor=(1.01, 1.0), borderaxespad=0.0, frameon=False,
            handlelength=3.6, fontsize=8,
        )  # fmt: skip


def _label_bands(axes: Axes, bands: Sequence[tuple[float, float, str]]) -> None:
    for low_hz, high_hz, label in bands:
        if label:
            axes.text(
                np.sqrt(low_hz * high_hz), 0.02, shown(label), fontsize=8, ha="center",
                va="bottom", transform=axes.get_xaxis_transform(),
            )  # fmt: skip
