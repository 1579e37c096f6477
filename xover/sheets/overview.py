"""A preset at a glance: one column an output, rows in the order the signal passes.

For the terminal; the full figures are on the entry sheet.
"""

from __future__ import annotations

from xover.model.names import inert
from xover.model.preset import Preset
from xover.model.processing import Crossover, EqSection, Limit, Output
from xover.model.units import plain, short, show_c, show_hz, signed
from xover.sheets.cells import fitted, width_of

_FAMILY = {"linkwitz-riley": "LR", "butterworth": "BW", "bessel": "BES"}
_KIND = {
    "peak": "peak",
    "low_shelf": "ls",
    "high_shelf": "hs",
    "notch": "notch",
    "band_pass": "bp",
    "all_pass": "ap",
    "low_pass": "lp",
    "high_pass": "hp",
}
_LABEL = 11
_LEAST = 12


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
    columns = [(inert(output.name), _cells(preset, output)) for output in preset.outputs]
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


def _cells(preset: Preset, output: Output) -> dict[str, str]:
    route = ", ".join(f"{inert(name)} {signed(gain, 1)}" for name, gain in output.inputs.items())
    cells = {
        "Route": ("muted; " if output.muted else "") + (route or "none"),
        "Gain": f"{signed(output.gain_db, 1)} dB",
        "Polarity": output.polarity,
        "Delay": f"{plain(output.delay_ms, 2)} ms",
        "High-pass": _crossover(output.high_pass),
        "Low-pass": _crossover(output.low_pass),
    }
    for number, section in enumerate(output.eq, start=1):
        cells[f"EQ {number}"] = _section(section)
    if output.limiter is not None:
        cells["RMS limit"] = _limit(output.limiter.rms)
        cells["Peak limit"] = _limit(output.limiter.peak)
    return cells


def _crossover(item: Crossover | None) -> str:
    if item is None:
        return "–"
    return f"{_FAMILY[item.family]}{item.slope_db_per_octave} {show_hz(item.frequency_hz)}"


def _section(item: EqSection) -> str:
    parts = [_KIND[item.kind], show_hz(item.frequency_hz)]
    if isinstance(item.gain_db, float | int):
        parts.append(signed(item.gain_db, 1))
    if isinstance(item.q, float | int):
        parts.append(f"q{short(item.q, 2)}")
    return " ".join(parts) + (" (off)" if item.bypassed else "")


def _limit(item: Limit | None) -> str:
    return "–" if item is None else f"{signed(item.threshold_dbu, 1)} dBu"
