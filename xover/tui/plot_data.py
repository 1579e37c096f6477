"""From computed curves to what the plot shows: labels, dashes, panels, bands, readings.

Pure. The sum is solid and first; outputs keep colour and dash whatever else is shown; captures
stand beside what is predicted under a name of their own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from xover.dsp.axis import AXIS_NYQUIST_FRACTION
from xover.model.names import inert
from xover.session import views
from xover.sheets.drawing import Curve, trusted
from xover.sheets.palette import dash_name
from xover.sheets.wording import crossing_words
from xover.tui.flight import flight_ms
from xover.tui.listening import Listening
from xover.tui.plot import PlotData, Reading

if TYPE_CHECKING:
    from xover.design.crossings import Crossing


def plot_data(
    view: views.View,
    at: Listening,
    crossings: Sequence[Crossing] = (),
    *,
    less_ms: float = 0.0,
    sample_rate_hz: float = 48_000.0,
) -> PlotData:
    """What the plot shows of a view; `less_ms` is taken out of every phase."""
    order = {
        curve.name: number
        for number, curve in enumerate(
            (curve for curve in view.curves if curve.kind in ("path", "output")), start=1
        )
    }
    shown = sorted(view.curves, key=lambda curve: curve.kind != "sum")
    problems = [curve.problem for curve in view.curves if curve.kind == "sum" and curve.problem]
    upper: list[Curve] = []
    lower: list[Curve] = []
    readings: list[Reading] = []
    for curve in shown:
        magnitude = curve.magnitude_db
        if not np.isfinite(magnitude).any():
            continue
        number = 0 if curve.kind == "sum" else order.get(curve.name, 1)
        label = "sum" if curve.kind == "sum" else inert(curve.name)
        if curve.kind == "capture":
            label += " captured"
            number += 5
        dash = dash_name(number)
        shown_as = Curve(label, view.frequency_hz, magnitude, dash, number)
        upper += trusted(shown_as, curve.coherence) if curve.kind == "capture" else (shown_as,)
        values = None
        if curve.kind in ("sum", "output") or at.lower == "coherence":
            values = _lower_values(curve, view.frequency_hz, at, less_ms)
        if values is not None:
            wraps = at.lower == "phase"
            lower.append(Curve(label, view.frequency_hz, values, dash, number, wraps=wraps))
        readings.append(
            Reading(
                label,
                view.frequency_hz,
                magnitude,
                partial(_turned, curve, view.frequency_hz, less_ms),
                curve.group_delay_ms,
                curve.coherence,
            )
        )
    spl = any(curve.level == "spl" for curve in view.curves if not curve.problem)
    return PlotData(
        tuple(upper),
        tuple(lower),
        {"phase": "deg", "group delay": "ms", "coherence": "γ²"}[at.lower],
        _bands(crossings),
        at.title(spl=spl, flight_ms=less_ms),
        tuple(readings),
        "" if upper else (inert(problems[0]) if problems else "nothing to be heard here"),
        AXIS_NYQUIST_FRACTION * sample_rate_hz,
    )


def with_other_sum(
    data: PlotData, view: views.View, label: str, at: Listening, *, less_ms: float = 0.0
) -> PlotData:
    """The same with the sum of another view beside it, dashed and under a name of its own."""
    other = next((curve for curve in view.curves if curve.kind == "sum"), None)
    if other is None or not np.isfinite(other.magnitude_db).any():
        return data
    curve = Curve(label, view.frequency_hz, other.magnitude_db, "short-dash", OTHER)
    lower = data.lower
    values = _lower_values(other, view.frequency_hz, at, less_ms)
    if values is not None:
        lower = (*lower, replace(curve, values=values, wraps=at.lower == "phase"))
    reading = Reading(
        label,
        view.frequency_hz,
        other.magnitude_db,
        partial(_turned, other, view.frequency_hz, less_ms),
        other.group_delay_ms,
    )
    return replace(
        data,
        upper=(*data.upper, curve),
        lower=lower,
        readings=(*data.readings, reading),
        bands=(),
    )


OTHER = 4
"""The colour number of a sum that is not the present one."""


def _lower_values(
    curve: views.Curve, frequency_hz: NDArray[np.float64], at: Listening, less_ms: float
) -> NDArray[np.float64] | None:
    if at.lower == "coherence":
        return curve.coherence
    if at.lower == "group delay":
        return curve.group_delay_ms
    return _turned(curve, frequency_hz, less_ms)


def _turned(
    curve: views.Curve, frequency_hz: NDArray[np.float64], less_ms: float
) -> NDArray[np.float64]:
    """The phase in degrees within ±180, less a delay."""
    turned = curve.phase_deg + 0.36 * frequency_hz * less_ms
    return np.asarray((turned + 180.0) % 360.0 - 180.0)


def fitted_flight_ms(view: views.View) -> float | None:
    """The delay to take out of the phase so that it reads: that of the loud top of the sum.

    None where there is no sum with a phase. Wants curves over the whole axis.
    """
    curve = next((item for item in view.curves if item.kind == "sum"), None)
    if curve is None or not curve.has_phase:
        return None
    return flight_ms(view.frequency_hz, curve.response, curve.magnitude_db)


def _bands(crossings: Sequence[Crossing]) -> tuple[tuple[float, float, str], ...]:
    if not crossings:
        return ()
    from xover.design.crossings import shaded

    return tuple(
        (low, high, "" if named is None else crossing_words(named))
        for low, high, named in shaded(crossings)
    )
