"""A box at one metre in free field, driven with 2.83 V: from its own trace, else its data sheet.

A trace says nothing outside its range, so the response is NaN there; nothing is extended in
silence. The data-sheet model is a starting value: two slopes and a level, no resonances, no
directivity.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final, Literal

import msgspec
import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from xover.acoustics.air import speed_of_sound_m_s
from xover.dsp.axis import Axis
from xover.dsp.interpolation import trace_on
from xover.dsp.minimum_phase import minimum_phase
from xover.model.processing import Air
from xover.model.rig import Loudspeaker, Trace
from xover.model.units import db_from_ratio, ratio_from_db, short, show_hz, volts_from_dbu
from xover.model.words import Level

Complexes = NDArray[np.complex128]
Basis = Literal["trace", "model"]

REFERENCE_DRIVE_V: Final = 2.83
"""The drive that sensitivities and traces are referred to: 1 W into 8 ohm, rounded as usual."""
HALF_SPACE_DB: Final = 20.0 * math.log10(2.0)
"""A rigid plane doubles the pressure of a small source in front of it."""
SINE_CREST_DB: Final = 20.0 * math.log10(math.sqrt(2.0))
"""Peak over rms of a sine."""
HIGH_PASS_ORDER: Final = {"sealed": 2, "unknown": 2, "vented": 4}
LOW_PASS_ORDER: Final = 2
LEAST_CORNER_HZ: Final = 1e-12
"""Corners below this leave audible frequencies as they are (or nothing of them) to 26 digits; held
there, squares of f/f_c stay within what a number holds."""
STANDARD_AIR: Final = Air()
"""20 °C, the model's default weather."""


class BoxResponse(Struct, frozen=True, eq=False):
    """A box at 1 m, free field, for 2.83 V at its terminals (an active box: at its input).

    The box's own `polarity` is in it, latency is not.
    """

    response: Complexes
    """(n,) complex; NaN where a trace says nothing. "spl": magnitude in dB re 20 µPa."""
    level: Level
    basis: Basis
    estimate: bool
    """True where the phase is a minimum-phase estimate for a trace without phase."""
    own_level_db: float
    """The level of the pass band that is part of `response`: divide by it for a box at 0 dB."""
    notes: tuple[str, ...]


def response_at_1m(box: Loudspeaker, axis: Axis, *, air: Air = STANDARD_AIR) -> BoxResponse:
    """The box at 1 m in free field for 2.83 V: its own trace where it has one, else the model.

    `air` (20 °C by default) gives the speed of sound for a trace whose time of flight is still in
    its phase, and serves nothing else. Level is "spl" where the trace says so, or where the model
    knows a sensitivity (an active box: `max_spl_db` and `sensitivity_dbu`), else "relative".
    """
    if box.response is not None:
        return _from_trace(box, axis, air)
    return _from_data_sheet(box, axis)


def free_field_db(box: Loudspeaker) -> float:
    """What brings the box's published levels to free field: −6.02 dB from half space, else 0."""
    return -HALF_SPACE_DB if box.sensitivity_space == "half-space" else 0.0


def sensitivity_at_1m_db(box: Loudspeaker) -> float | None:
    """Free-field rms SPL at 1 m for 2.83 V rms (an active box: at its input), or None.

    For an active box `max_spl_db` is the peak that a sine of `sensitivity_dbu` reaches, so the
    rms level of that sine is 3.01 dB below it; the box is linear up to there.
    """
    if not box.active:
        if box.sensitivity_db is None:
            return None
        return box.sensitivity_db + free_field_db(box)
    if box.max_spl_db is None or box.sensitivity_dbu is None:
        return None
    drive_db = db_from_ratio(REFERENCE_DRIVE_V / volts_from_dbu(box.sensitivity_dbu))
    return box.max_spl_db - SINE_CREST_DB + drive_db + free_field_db(box)


def corner_hz(edge_hz: float, edge_db: float, order: int, *, high_pass: bool) -> float:
    """The −3.01 dB corner of the analogue Butterworth slope that is `edge_db` down at `edge_hz`.

    |H|² = 1/(1 + (f_c/f)^2n) for a high-pass, solved for f_c; f/f_c for a low-pass. S. Butterworth,
    *Experimental Wireless* 7, 1930.
    """
    exponent = (1.0 if high_pass else -1.0) / (2.0 * order)
    return float(edge_hz * (10.0 ** (-edge_db / 10.0) - 1.0) ** exponent)


def butterworth(ratio: NDArray[np.float64], order: int, *, high_pass: bool) -> Complexes:
    """Analogue Butterworth response (n,) of even `order` at f/f_c, not bilinear."""
    s = 1j * ratio
    response = np.ones(ratio.shape, dtype=np.complex128)
    numerator = s * s if high_pass else np.ones_like(s)
    for k in range(order // 2):
        damping = 2.0 * math.sin((2 * k + 1) * math.pi / (2 * order))
        response *= numerator / (s * s + damping * s + 1.0)
    return response


def complex_trace(trace: Trace, frequency_hz: NDArray[np.float64]) -> tuple[Complexes, bool]:
    """A trace at `frequency_hz`, (n,) with NaN outside its range, and whether phase is estimated.

    Without a phase column the phase is the minimum phase of the magnitude.
    """
    if trace.phase_deg is None:
        return trace_on(_with_minimum_phase(trace), frequency_hz), True
    return trace_on(trace, frequency_hz), False


def range_notes(trace: Trace, whose: str, frequency_hz: NDArray[np.float64]) -> tuple[str, ...]:
    """A sentence where `frequency_hz` reaches beyond what the trace covers, else nothing."""
    low_hz, high_hz = trace.frequency_hz[0], trace.frequency_hz[-1]
    if not frequency_hz.size or (low_hz <= frequency_hz[0] and frequency_hz[-1] <= high_hz):
        return ()
    return (
        f"the trace of {whose} covers {show_hz(low_hz)} to {show_hz(high_hz)} and says nothing"
        " outside that range",
    )


def _from_trace(box: Loudspeaker, axis: Axis, air: Air) -> BoxResponse:
    own = box.response
    assert own is not None
    trace = own.trace
    response, estimate = complex_trace(trace, axis.frequency_hz)
    to_reference_db = db_from_ratio(own.distance_m) + db_from_ratio(REFERENCE_DRIVE_V / own.drive_v)
    notes = list(range_notes(trace, f"the box “{box.name}”", axis.frequency_hz))
    if trace.level == "spl":
        to_reference_db += free_field_db(box)
        if box.sensitivity_space == "half-space":
            notes.append(f"the trace of the box “{box.name}” is brought to free field: −6.02 dB")
        if box.active:
            notes.append(
                f"the trace of the active box “{box.name}” is taken to be for"
                f" {short(own.drive_v)} V at its input"
            )
    response = response * (_polarity(box) * ratio_from_db(to_reference_db))
    if estimate:
        notes.append(
            f"the box “{box.name}” has a trace without phase: minimum phase with the slopes at its"
            " ends continued, an estimate"
        )
    if not own.flight_removed and (trace.delay_ms or not estimate):
        # The flight to the microphone is still in the phase (a minimum phase never held it).
        flight_ms = 1000.0 * own.distance_m / speed_of_sound_m_s(air)
        response = response * axis.delay_phasor(-flight_ms)
    return BoxResponse(
        response=response,
        level=trace.level,
        basis="trace",
        estimate=estimate,
        own_level_db=_passband_level_db(trace, box.passband_hz) + to_reference_db,
        notes=tuple(notes),
    )


def _from_data_sheet(box: Loudspeaker, axis: Axis) -> BoxResponse:
    low_hz, high_hz = box.passband_hz
    order = HIGH_PASS_ORDER[box.enclosure]
    low_corner_hz = corner_hz(low_hz, box.passband_edge_db, order, high_pass=True)
    high_corner_hz = corner_hz(high_hz, box.passband_edge_db, LOW_PASS_ORDER, high_pass=False)
    low_corner_hz = max(low_corner_hz, LEAST_CORNER_HZ)
    high_corner_hz = max(high_corner_hz, LEAST_CORNER_HZ)
    frequency_hz = axis.frequency_hz
    response = butterworth(frequency_hz / low_corner_hz, order, high_pass=True)
    response *= butterworth(frequency_hz / high_corner_hz, LOW_PASS_ORDER, high_pass=False)
    sensitivity_db = sensitivity_at_1m_db(box)
    notes = [
        f"the box “{box.name}” is modelled from its data sheet: {_slope_words(box)} at"
        f" {show_hz(low_hz)}, 12 dB per octave at {show_hz(high_hz)}"
    ]
    if box.sensitivity_space == "half-space" and sensitivity_db is not None:
        notes.append(f"the level of the box “{box.name}” is brought to free field: −6.02 dB")
    if box.active and sensitivity_db is not None:
        notes.append(
            f"the active box “{box.name}”: a sine at its input sensitivity is taken to reach"
            " max_spl_db as its peak, 3.01 dB above its rms level"
        )
    level_db = 0.0 if sensitivity_db is None else sensitivity_db
    return BoxResponse(
        response=response * (_polarity(box) * ratio_from_db(level_db)),
        level="relative" if sensitivity_db is None else "spl",
        basis="model",
        estimate=False,
        own_level_db=level_db,
        notes=tuple(notes),
    )


def _slope_words(box: Loudspeaker) -> str:
    slope = 6 * HIGH_PASS_ORDER[box.enclosure]
    kind = "enclosure unknown, as sealed" if box.enclosure == "unknown" else box.enclosure
    return f"{slope} dB per octave ({kind})"


def _polarity(box: Loudspeaker) -> float:
    return -1.0 if box.polarity == "inverted" else 1.0


def _passband_level_db(trace: Trace, passband_hz: tuple[float, float]) -> float:
    """Mean dB over log frequency inside the pass band; over the whole trace if they never meet."""
    low_hz = max(passband_hz[0], trace.frequency_hz[0])
    high_hz = min(passband_hz[1], trace.frequency_hz[-1])
    if low_hz >= high_hz:
        low_hz, high_hz = trace.frequency_hz[0], trace.frequency_hz[-1]
    points = np.geomspace(low_hz, high_hz, 480)
    magnitude_db = np.interp(np.log(points), np.log(trace.frequency_hz), trace.magnitude_db)
    return float(np.mean(magnitude_db))


@lru_cache(maxsize=32)
def _with_minimum_phase(trace: Trace) -> Trace:
    phase_deg = minimum_phase(np.array(trace.frequency_hz), np.array(trace.magnitude_db))
    return msgspec.structs.replace(trace, phase_deg=tuple(phase_deg.tolist()))
