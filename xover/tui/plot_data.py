"""From computed curves to what the plot shows: labels, dashes, panels, bands, readings.

Pure. The sum is solid and first; outputs keep colour and dash whatever else is shown; captures
stand beside what is predicted under a name of their own.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from xover.dsp.axis import AXIS_NYQUIST_FRACTION
from xover.model.names import inert
from xover.session import views
from xover.sheets.drawing import Curve, trusted
from xover.sheets.palette import dash_name
from xover.sheets.wording import crossing_words
from xover.tui.flight import flight_ms
from xover.tui.listening import Listening, Lower
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
        number = 0 if curve.kind == "sum" else order.get(curve.name, 1)
        parts = _parts(curve, number, at.lower, less_ms, view.frequency_hz)
        if parts is not None:
            upper += parts.upper
            readings.append(parts.reading)
            if parts.lower is not None:
                lower.append(parts.lower)
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


class _Parts(NamedTuple):
    """What is made of one curve."""

    upper: tuple[Curve, ...]
    lower: Curve | None
    reading: Reading


_Key = tuple[views.Curve, int, Lower, float]
_kept: OrderedDict[_Key, tuple[NDArray[np.float64], _Parts | None]] = OrderedDict()
"""The last few with the frequencies they are for: an edit leaves most curves as they were."""
KEPT = 64


def _parts(
    curve: views.Curve, number: int, lower: Lower, less_ms: float, hz: NDArray[np.float64]
) -> _Parts | None:
    """The same objects for the same curve; None where there is nothing to be seen of it."""
    key = (curve, number, lower, less_ms)
    known = _kept.get(key)
    if known is not None and known[0] is hz:
        _kept.move_to_end(key)
        return known[1]
    made = _parts_made(curve, number, lower, less_ms, hz)
    _kept[key] = hz, made
    if len(_kept) > KEPT:
        _kept.popitem(last=False)
    return made


def _parts_made(
    curve: views.Curve, number: int, lower: Lower, less_ms: float, hz: NDArray[np.float64]
) -> _Parts | None:
    magnitude = curve.magnitude_db
    if not np.isfinite(magnitude).any():
        return None
    label = "sum" if curve.kind == "sum" else inert(curve.name)
    if curve.kind == "capture":
        label += " captured"
        number += 5
    dash = dash_name(number)
    values = None
    if curve.kind in ("sum", "output") or lower == "coherence":
        values = _lower_values(curve, hz, lower, less_ms)
    under = None
    if values is not None:
        under = Curve(label, hz, values, dash, number, wraps=lower == "phase")
    turned = partial(_turned, curve, hz, less_ms)
    reading = Reading(label, hz, magnitude, turned, curve.group_delay_ms, curve.coherence)
    shown_as = Curve(label, hz, magnitude, dash, number)
    upper = trusted(shown_as, curve.coherence) if curve.kind == "capture" else (shown_as,)
    return _Parts(tuple(upper), under, reading)


def with_other_sum(
    data: PlotData, view: views.View, label: str, at: Listening, *, less_ms: float = 0.0
) -> PlotData:
    """The same with the sum of another view beside it, dashed and under a name of its own."""
    other = next((curve for curve in view.curves if curve.kind == "sum"), None)
    if other is None or not np.isfinite(other.magnitude_db).any():
        return data
    curve = Curve(label, view.frequency_hz, other.magnitude_db, "short-dash", OTHER)
    lower = data.lower
    values = _lower_values(other, view.frequency_hz, at.lower, less_ms)
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
    curve: views.Curve, frequency_hz: NDArray[np.float64], lower: Lower, less_ms: float
) -> NDArray[np.float64] | None:
    if lower == "coherence":
        return curve.coherence
    if lower == "group delay":
        return curve.group_delay_ms
    return _turned(curve, frequency_hz, less_ms)


def _turned(
    curve: views.Curve, frequency_hz: NDArray[np.float64], less_ms: float
) -> NDArray[np.float64]:
    """The phase in degrees within ±180, less a delay."""
    turned = curve.phase_deg + 0.36 * frequency_hz * less_ms
    turned = np.asarray((turned + 180.0) % 360.0 - 180.0)
    turned.flags.writeable = False
    return turned


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
