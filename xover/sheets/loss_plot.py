"""The loss of an alignment against frequency, before and after: a picture of where it is lost.

One pair of curves for each listener and partner, dotted before, solid after; the same curves for
the terminal and for figure files.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from xover.model.names import inert
from xover.sheets.curves import plot
from xover.sheets.drawing import Curve
from xover.sheets.figures import response_figure

if TYPE_CHECKING:
    from xover.design.answer import Alignment

MOST_CURVES = 9
"""More pairs of curves than this are told apart by nobody; the first ones are drawn."""


def loss_curves(answer: Alignment) -> tuple[list[Curve], float, float]:
    """Curves in dB of loss, 0 at the top, and the range in Hz that holds them all."""
    found: list[Curve] = []
    seen: set[tuple[str, ...]] = set()
    low_hz, high_hz = np.inf, 0.0
    for result in answer.results:
        for curve in result.loss_curves:
            pair = (*sorted((result.move, curve.partner)), curve.listener)
            if pair in seen or len(seen) == MOST_CURVES:
                continue
            seen.add(pair)
            order = len(seen) - 1
            name = curve.listener
            if len(answer.results) > 1:
                name = f"{name}, {result.move}/{curve.partner}"
            frequency_hz, before, after = _with_gaps(
                np.array(curve.frequency_hz),
                np.array(curve.loss_before_db),
                np.array(curve.loss_after_db),
            )
            found.append(Curve(f"{inert(name)} before", frequency_hz, -before, "dotted", order))
            found.append(Curve(f"{inert(name)} after", frequency_hz, -after, "solid", order))
            low_hz = min(low_hz, float(curve.frequency_hz[0]))
            high_hz = max(high_hz, float(curve.frequency_hz[-1]))
    return found, low_hz / 1.2, high_hz * 1.2


def _with_gaps(
    frequency_hz: np.ndarray, before: np.ndarray, after: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Nothing is drawn between the pieces of an overlap: a missing point in every gap."""
    gaps = np.flatnonzero(frequency_hz[1:] > frequency_hz[:-1] * 1.02) + 1
    between = np.sqrt(frequency_hz[gaps] * frequency_hz[gaps - 1])
    return (
        np.insert(frequency_hz, gaps, between),
        np.insert(before, gaps, np.nan),
        np.insert(after, gaps, np.nan),
    )


def title_of(answer: Alignment) -> str:
    """What the picture shows."""
    moved = ", ".join(inert(result.move) for result in answer.results)
    return f"level lost to phase, {moved} to {inert(answer.results[0].to)}"


def terminal_loss_plot(answer: Alignment, width: int, height: int, *, colour: bool = False) -> str:
    """The losses on a grid of characters, without a trailing newline."""
    curves, low_hz, high_hz = loss_curves(answer)
    drawing = plot(
        curves, width=width, height=height, low_hz=low_hz, high_hz=high_hz, title=title_of(answer)
    )
    return drawing.to_text(colour=colour).rstrip("\n")


def loss_figure(answer: Alignment, kind: str) -> bytes:
    """The losses as the bytes of a figure: `kind` is svg, png or pdf."""
    curves, low_hz, high_hz = loss_curves(answer)
    return response_figure(
        [("dB", curves)], format=kind, title=title_of(answer), low_hz=low_hz, high_hz=high_hz
    )
