"""A preset at a glance: one column an output, rows in the order the signal passes.

For the terminal; the full figures are on the entry sheet.
"""

from __future__ import annotations

from xover.model.entry import show
from xover.model.names import inert
from xover.model.preset import Preset
from xover.model.processing import Output
from xover.model.units import plain, show_c, show_hz
from xover.sheets.cells import fitted, width_of

_LABEL = 11
_LEAST = 12
_CELL = 26
_FIGURE = 8
"""The widest that a cell, and a single figure, is shown; what is longer is shortened and marked."""


def overview_text(preset: Preset, width: int) -> str:
    """The sheet as columns that fit `width`, wrapped into several tables where they do not."""
    air = preset.air
    facts = [
        inert(preset.title),
        inert(preset.venue),
        show_c(air.temperature_c),
        f"{plain(air.relative_humidity_percent, 0)} %",
        show_hz(preset.sample_rate_hz),
    ]
    lines = ["   ".join(fact for fact in facts if fact), ""]
    columns = [(inert(output.name), _cells(output)) for output in preset.outputs]
    labels = list(dict.fromkeys(label for _, cells in columns for label in cells))
    labels.sort(key=_order)
    start = 0
    while start < len(columns):
        taken: list[tuple[str, dict[str, str], int]] = []
        left = width - _LABEL
        while start < len(columns):
            name, cells = columns[start]
            wanted = max(_LEAST, width_of(name), *(width_of(text) for text in cells.values())) + 2
            wanted = min(wanted, width - _LABEL)
            if taken and wanted > left:
                break
            taken.append((name, cells, wanted))
            left -= wanted
            start += 1
        lines.append(" " * _LABEL + "".join(_cell(name, size) for name, _, size in taken))
        for label in labels:
            if any(label in cells for _, cells, _ in taken):
                row = "".join(_cell(cells.get(label, "–"), size) for _, cells, size in taken)
                lines.append(f"{label:<{_LABEL}}{row}".rstrip())
        lines.append("")
    return "\n".join(lines)


def _cell(text: str, size: int) -> str:
    text = fitted(text, size - 1)
    return text + " " * (size - width_of(text))


def _order(label: str) -> tuple[int, int]:
    names = ["Route", "Gain", "Polarity", "Delay", "High-pass", "Low-pass"]
    if label in names:
        return names.index(label), 0
    if label.startswith("EQ "):
        return len(names), int(label[3:])
    return len(names) + (1 if label == "RMS limit" else 2), 0


def _cells(output: Output) -> dict[str, str]:
    cells = {
        "Route": ("muted; " if output.muted else "") + show("route", output.inputs),
        "Gain": f"{show('gain', output.gain_db, width=_FIGURE)} dB",
        "Polarity": show("polarity", output.polarity),
        "Delay": f"{show('delay', output.delay_ms, width=_FIGURE)} ms",
        "High-pass": show("high_pass", output.high_pass, width=_CELL),
        "Low-pass": show("low_pass", output.low_pass, width=_CELL),
    }
    for number, section in enumerate(output.eq, start=1):
        cells[f"EQ {number}"] = show("eq", section, width=_CELL)
    if output.limiter is not None:
        cells["RMS limit"] = show("rms", output.limiter.rms, width=_CELL)
        cells["Peak limit"] = show("peak", output.limiter.peak, width=_CELL)
    return cells
