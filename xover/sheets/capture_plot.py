"""Captured responses as a picture: magnitude, phase and coherence, on characters or in a file.

Drawn as a preset would keep them, thinned; grey and thinly dotted where the coherence is low.
Phase is drawn less the bulk delay, which the title names.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from xover.dsp.captured import CapturedResponse, bulk_delay_ms, with_delay_out, wrapped_deg
from xover.dsp.coherence import TRUSTED_FROM
from xover.dsp.thinning import thinned
from xover.model.names import inert
from xover.model.units import plain, show_ms
from xover.sheets.curves import GUTTER, plot, stack
from xover.sheets.drawing import Curve, Drawing
from xover.sheets.figures import response_figure
from xover.sheets.palette import dash_name
from xover.sheets.scales import HIGH_HZ, LOW_HZ

Array = NDArray[np.float64]
Panels = list[tuple[str, list[Curve]]]

COHERENCE = "γ²"
LEAST_ROWS = 7
"""Fewer rows show nothing of coherence or phase, which are then left to a taller picture."""


def panels_of(captures: Sequence[tuple[str, CapturedResponse]]) -> Panels:
    """("dB", …) and, where some capture has them, ("deg", …) and ("γ²", …) with their curves."""
    magnitude: list[Curve] = []
    phase: list[Curve] = []
    coherence: list[Curve] = []
    for order, (name, captured) in enumerate(captures):
        few = thinned(captured)
        frequency_hz, dash = few.frequency_hz, dash_name(order)
        trusted = np.ones(frequency_hz.size, dtype=np.bool_)
        if few.coherence is not None:
            trusted = few.coherence >= TRUSTED_FROM
            coherence.append(Curve(name, frequency_hz, few.coherence, dash, order))
        _add(magnitude, name, frequency_hz, few.magnitude_db, trusted, dash, order)
        if few.phase_deg is not None:
            centred = with_delay_out(few, flight_ms(captured))
            assert centred.phase_deg is not None
            wrapped = wrapped_deg(centred.phase_deg)
            _add(phase, name, frequency_hz, wrapped, trusted, dash, order, wraps=True)
    panels: Panels = [("dB", magnitude)]
    panels += [("deg", phase)] if phase else []
    panels += [(COHERENCE, coherence)] if coherence else []
    return panels


def flight_ms(captured: CapturedResponse) -> float:
    """The delay that the picture leaves out of the phase."""
    return captured.delay_ms or bulk_delay_ms(captured)


def title_of(captures: Sequence[tuple[str, CapturedResponse]]) -> str:
    """Whose curves they are, on which level, and what is left out of the phase."""
    first = captures[0][1]
    levels = {captured.level for _, captured in captures}
    level = "dB SPL" if levels == {"spl"} else "relative dB"
    name = inert(captures[0][0]) if len(captures) == 1 else f"{len(captures)} captures"
    flights = [flight_ms(one) for _, one in captures if one.phase_deg is not None]
    phase = ""
    if first.estimate:
        phase = "; phase: an estimate"
    elif len(flights) == 1 and abs(flights[0]) >= 0.0005:
        phase = f"; phase less {show_ms(flights[0], 3)}"
    elif len(flights) > 1:
        phase = "; phase less each one's bulk delay"
    return f"{name}, {level}{phase}"


def terminal_plot(
    captures: Sequence[tuple[str, CapturedResponse]],
    width: int,
    height: int,
    *,
    colour: bool = False,
) -> str:
    """The panels one over another on a grid of characters, without a trailing newline."""
    panels = panels_of(captures)
    while len(panels) > 1 and height // (len(panels) + 1) < LEAST_ROWS:
        panels.pop()
    low_hz, high_hz = _range(captures)
    rows = [height // (len(panels) + 1)] * len(panels)
    rows[0] = height - sum(rows[1:])
    drawing: Drawing | None = None
    for (unit, curves), tall in zip(panels, rows, strict=True):
        more = drawing is not None
        panel = plot(
            curves,
            width=width,
            height=tall,
            unit=unit,
            low_hz=low_hz,
            high_hz=high_hz,
            value_range=(0.0, 1.0) if unit == COHERENCE else None,
            title="" if more else title_of(captures),
            labels="none" if more else "legend",
            margin=width - GUTTER - drawing.columns if drawing is not None else None,
        )
        drawing = panel if drawing is None else stack(drawing, panel)
    assert drawing is not None
    return drawing.to_text(colour=colour).rstrip("\n")


def figure_of(captures: Sequence[tuple[str, CapturedResponse]], kind: str) -> bytes:
    """The panels as the bytes of a figure: `kind` is svg, png or pdf."""
    low_hz, high_hz = _range(captures)
    return response_figure(
        panels_of(captures), format=kind, title=title_of(captures), low_hz=low_hz, high_hz=high_hz
    )


def _add(
    curves: list[Curve],
    name: str,
    frequency_hz: Array,
    values: Array,
    trusted: NDArray[np.bool_],
    dash: str,
    order: int,
    *,
    wraps: bool = False,
) -> None:
    """The curve where it is trusted, and one in grey where it is not, joined to it."""
    low = ~trusted
    if low.any():
        beside = low.copy()
        beside[1:] |= low[:-1]
        beside[:-1] |= low[1:]
        label = f"{name}, {COHERENCE} < {plain(TRUSTED_FROM, 1)}"
        shown = np.where(beside, values, np.nan)
        curves.append(Curve(label, frequency_hz, shown, "wide-dot", order, wraps, grey=True))
    if trusted.any():
        shown = np.where(trusted, values, np.nan)
        curves.append(Curve(name, frequency_hz, shown, dash, order, wraps))


def _range(captures: Sequence[tuple[str, CapturedResponse]]) -> tuple[float, float]:
    """The audible range, or what there is where that is less."""
    low = min(float(captured.frequency_hz[0]) for _, captured in captures)
    high = max(float(captured.frequency_hz[-1]) for _, captured in captures)
    low, high = max(low, LOW_HZ), min(high, HIGH_HZ)
    if low <= 2.0 * LOW_HZ and high >= 0.5 * HIGH_HZ:
        return LOW_HZ, HIGH_HZ
    return (low, high) if high > low else (LOW_HZ, HIGH_HZ)
