"""A response as a picture: the sum at a listener with its parts, or one output, phase below.

The same curves for the terminal and for figure files; what is shaded is where parts cross over,
labelled with what their sum loses there.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from xover.acoustics.field import paths_at
from xover.design.crossings import crossings, shaded
from xover.design.responses import Response
from xover.dsp.axis import Axis
from xover.model.names import inert
from xover.model.preset import Preset
from xover.model.units import show_dbu, show_ms
from xover.sheets.cells import width_of
from xover.sheets.curves import magnitude_over_phase
from xover.sheets.drawing import Curve
from xover.sheets.figures import response_figure
from xover.sheets.palette import dash_name
from xover.sheets.wording import crossing_words

Band = tuple[float, float, str]


def part_curves(preset: Preset, answer: Response, only: Sequence[str] = ()) -> list[Curve]:
    """The magnitude in dB of every output heard at the answer's listener, on its level."""
    axis = Axis(answer.frequency_hz, preset.sample_rate_hz)
    wanted = [item.name for item in preset.outputs if not only or item.name in only]
    curves: list[Curve] = []
    paths = paths_at(
        preset, wanted, answer.name, axis, answer.drive, input_level_dbu=answer.input_level_dbu
    )
    for number, path in enumerate(paths, start=1):
        power = np.sum(np.abs(path.responses) ** 2, axis=0)
        magnitude = np.abs(path.total) if answer.drive.correlated else np.sqrt(power)
        with np.errstate(divide="ignore"):
            values = 20.0 * np.log10(magnitude)
        if np.isfinite(values).any():
            curves.append(
                Curve(path.output, answer.frequency_hz, values, dash_name(number), number)
            )
    return curves


def panels_of(
    preset: Preset, answer: Response, only: Sequence[str] = ()
) -> tuple[list[Curve], list[Curve], list[Band]]:
    """Magnitude curves, phase curves and shaded bands of an answer."""
    label = "sum" if answer.kind == "listener" else answer.name
    magnitude = [Curve(label, answer.frequency_hz, answer.magnitude_db, "solid", 0)]
    phase_deg = answer.phase_without_deg(answer.flight_ms)
    phase = [Curve(label, answer.frequency_hz, phase_deg, "solid", 0, wraps=True)]
    bands: list[Band] = []
    if answer.kind == "listener":
        magnitude += part_curves(preset, answer, only)
        found = crossings(preset, answer.name, answer.drive, only=only)
        bands = [
            (low, high, "" if named is None else crossing_words(named))
            for low, high, named in shaded(found)
        ]
    return magnitude, phase, bands


def title_of(preset: Preset, answer: Response, width: int = 200) -> str:
    """What the picture shows, in one line; the preset's title goes first where it does not fit."""
    if answer.kind == "listener":
        what = f"sum at {inert(answer.name)}"
        level = "relative dB"
        if answer.level == "spl":
            level = f"dB SPL for {show_dbu(answer.input_level_dbu)}"
    else:
        what, level = inert(answer.name), "electrical"
    phase = ""
    if np.isfinite(answer.phase_deg).any() and abs(answer.flight_ms) >= 0.005:
        phase = f"; phase less {show_ms(answer.flight_ms)}"
    text = f"{what}, {level}{phase}"
    whole = f"{inert(preset.title)}: {text}"
    return whole if width_of(whole) <= width else text


def terminal_plot(
    preset: Preset,
    answer: Response,
    width: int,
    height: int,
    *,
    only: Sequence[str] = (),
    colour: bool = False,
) -> str:
    """Magnitude over phase on a grid of characters, without a trailing newline."""
    magnitude, phase, bands = panels_of(preset, answer, only)
    low_hz, high_hz = _range(answer)
    drawing = magnitude_over_phase(
        magnitude,
        phase,
        width=width,
        height=height,
        low_hz=low_hz,
        high_hz=high_hz,
        bands=bands,
        title=title_of(preset, answer, width - 10),
    )
    return drawing.to_text(colour=colour).rstrip("\n")


def figure_of(preset: Preset, answer: Response, kind: str, *, only: Sequence[str] = ()) -> bytes:
    """Magnitude, phase and group delay as the bytes of a figure: `kind` is svg, png or pdf."""
    magnitude, phase, bands = panels_of(preset, answer, only)
    low_hz, high_hz = _range(answer)
    panels: list[tuple[str, Sequence[Curve]]] = [("dB", magnitude)]
    if np.isfinite(answer.phase_deg).any():
        delay = Curve(phase[0].label, answer.frequency_hz, answer.group_delay_ms, "solid", 0)
        panels += [("deg", phase), ("ms", [delay])]
    return response_figure(
        panels,
        format=kind,
        title=title_of(preset, answer),
        bands=bands,
        low_hz=low_hz,
        high_hz=high_hz,
    )


def _range(answer: Response) -> tuple[float, float]:
    """20 Hz to 20 kHz, or what was asked where that is less than an octave of it or outside."""
    low, high = float(answer.frequency_hz[0]), float(answer.frequency_hz[-1])
    if low >= 20.0 and high <= 20_000.0 and (high > 10_000.0 or answer.frequency_hz.size < 2):
        return 20.0, 20_000.0
    return (low, high) if high > low else (low / 2.0, high * 2.0)
