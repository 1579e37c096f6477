"""From an output's terminals to a listener as captured there: settings divided out, re-timed.

Distance, air, amplifier, quantity and latency are in the trace already and are not counted again.
A capture made with unknown settings can be shown, never summed.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from xover.acoustics.air import speed_of_sound_m_s
from xover.acoustics.geometry import distance_m, nearest
from xover.acoustics.loudspeaker import Complexes, complex_trace, range_notes
from xover.acoustics.transfer import Transfer, once
from xover.dsp.axis import AXIS_NYQUIST_FRACTION, Axis
from xover.dsp.response import output_response
from xover.model.drive import Drive
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.rig import Listener, Measurement, Trace
from xover.model.units import ratio_from_db, show_c, signed
from xover.model.words import Level

DOUBTFUL_BELOW_DB: Final = -20.0
"""Captured settings further down than this, re their own maximum, leave a division in doubt."""
RETIMED_FROM_MS: Final = 1e-6
"""Shifts below a nanosecond are rounding, not weather."""


def is_summable(measurement: Measurement | None) -> bool:
    """Whether the measurement exists and states the settings it was captured with."""
    return measurement is not None and measurement.captured != "unknown"


def measured_level(measurement: Measurement) -> Level:
    """SPL only where the trace is in SPL and the input level that gave it is known."""
    absolute = measurement.trace.level == "spl" and measurement.captured_input_dbu is not None
    return "spl" if absolute else "relative"


def measured(preset: Preset, measurement: Measurement, axis: Axis) -> Transfer:
    """The captured path with the captured settings divided out, re-timed to today; (n,).

    Raises `Refused` where the captured settings cannot be divided out: muted, not routed, or
    driven in a way that is not stated.
    """
    listener = preset.listener(measurement.listener)
    whose = f"“{measurement.output}” at “{measurement.listener}”"
    response, estimate = complex_trace(measurement.trace, axis.frequency_hz)
    notes = list(range_notes(measurement.trace, whose, axis.frequency_hz))
    if estimate:
        notes.append(
            f"the trace of {whose} has no phase: minimum phase, an estimate without time of flight"
        )
    doubtful = np.zeros(len(axis), dtype=np.bool_)
    if measurement.captured == "settings":
        settings, doubtful = captured_settings_response(preset, measurement, axis)
        with np.errstate(divide="ignore", invalid="ignore"):
            response = np.where(settings == 0.0, np.nan, response / settings)
        if doubtful.any():
            notes.append(doubtful_words(measurement.output, measurement.listener))
        if np.isnan(settings).any():
            notes.append(f"the capture of {whose} ran at a lower sample rate, which ends its range")
    if measurement.captured_input_dbu is not None and measured_level(measurement) == "spl":
        response = response * ratio_from_db(-measurement.captured_input_dbu)
    shift_ms, said = retiming_ms(preset, measurement, listener)
    notes += said
    if shift_ms:
        response = response * axis.delay_phasor(shift_ms)
    return Transfer(
        output=measurement.output,
        response=response,
        level=measured_level(measurement),
        basis="measured",
        session=measurement.trace.session,
        estimate=estimate,
        missing=_missing(measurement),
        notes=once(notes),
        coherence=coherence_on(measurement.trace, axis.frequency_hz),
        doubtful=doubtful,
    )


def doubtful_words(output: str, listener: str) -> str:
    """The note of a capture that is in doubt at some of its frequencies."""
    return (
        f"in part of its range the settings during the capture of “{output}” at “{listener}” were"
        " more than 20 dB down: doubtful there"
    )


def captured_settings_response(
    preset: Preset, measurement: Measurement, axis: Axis
) -> tuple[Complexes, NDArray[np.bool_]]:
    """The electrical response in force during a capture, (n,), and where it is in doubt, (n,).

    From the captured inputs at the levels of `driven_inputs` through the captured output, at the
    captured sample rate (the preset's own where it is not stated). NaN above that rate's range.
    """
    where = f"measurements[{preset.measurements.index(measurement)}]"
    then, drive = _captured_preset(preset, measurement, where)
    name = then.outputs[0].name
    rate_hz = then.sample_rate_hz
    covered = axis.frequency_hz < AXIS_NYQUIST_FRACTION * rate_hz
    settings = np.full(len(axis), np.nan, dtype=np.complex128)
    if covered.any():
        at = Axis(axis.frequency_hz[covered], rate_hz)
        settings[covered] = output_response(then, name, at, drive)
    wide = np.abs(output_response(then, name, Axis.log(sample_rate_hz=rate_hz), drive))
    largest = max(float(np.max(wide)), float(np.nanmax(np.abs(settings), initial=0.0)))
    if largest == 0.0:
        raise Refused.at(
            f"{where}.captured_settings",
            f"the settings captured with “{measurement.output}” at “{measurement.listener}” let"
            " nothing through (muted, or no driven input routed), so they cannot be divided out;"
            " attach the capture again with the settings that were in force",
        )
    doubtful = ~(np.abs(settings) >= ratio_from_db(DOUBTFUL_BELOW_DB) * largest)
    return settings, doubtful


def retiming_ms(
    preset: Preset, measurement: Measurement, listener: Listener
) -> tuple[float, tuple[str, ...]]:
    """How much later the sound arrives today than in the capture, in ms, and what was done.

    r/c of the source that was nearest then, today less then: other weather, a moved box or a
    moved seat. What the capture does not state counts as unchanged.
    """
    then_air = measurement.captured_air
    weather_changed = then_air is not None and then_air.temperature_c != preset.air.temperature_c
    positions = measurement.captured_positions_m
    then_listener_m = listener.position_m
    if positions is not None and positions.listener is not None:
        then_listener_m = positions.listener
    whose = f"“{measurement.output}” at “{measurement.listener}”"
    sources = preset.sources_of(measurement.output)
    then_m = positions.sources if positions is not None and positions.sources else None
    source = nearest(sources, then_listener_m, then_m)
    if source is None:
        if weather_changed or then_listener_m != listener.position_m or then_m:
            return 0.0, (
                f"the capture of {whose} is not re-timed: the output has no source that was there",
            )
        return 0.0, ()
    then_source_m = then_m[source.name] if then_m is not None else source.position_m
    r_then_m = distance_m(then_source_m, then_listener_m)
    r_now_m = distance_m(source.position_m, listener.position_m)
    c_now = speed_of_sound_m_s(preset.air)
    c_then = c_now if then_air is None else speed_of_sound_m_s(then_air)
    shift_ms = 1000.0 * (r_now_m / c_now - r_then_m / c_then)
    if abs(shift_ms) < RETIMED_FROM_MS:
        return 0.0, ()
    causes = []
    if weather_changed and then_air is not None:
        causes.append(
            f"{show_c(then_air.temperature_c)} then, {show_c(preset.air.temperature_c)} now"
        )
    if r_now_m != r_then_m:
        causes.append(
            f"{signed(r_now_m - r_then_m, 2)} m between it and “{source.name}”, level unchanged"
        )
    return shift_ms, (
        f"the capture of {whose} is re-timed by {signed(shift_ms, 3)} ms ({', '.join(causes)})",
    )


def _captured_preset(preset: Preset, measurement: Measurement, where: str) -> tuple[Preset, Drive]:
    """The captured output and inputs as a preset of their own, and what was driven."""
    settings = measurement.captured_settings
    name = measurement.output
    if settings is None:
        raise Refused.at(
            where,
            f"the capture of “{name}” at “{measurement.listener}” states no settings; attach it"
            " again",
        )
    present = {item.name for item in settings.inputs}
    levels_db: dict[str, float] = dict(measurement.driven_inputs)
    if not levels_db:
        routed = [item for item in settings.output.inputs if item in present]
        if len(routed) > 1:
            raise Refused.at(
                f"{where}.driven_inputs",
                f"several inputs fed “{name}” during its capture at “{measurement.listener}”"
                f" ({', '.join(routed)}); state which were driven",
            )
        levels_db = dict.fromkeys(routed, 0.0)
    for driven in levels_db:
        if driven not in present:
            raise Refused.at(
                f"{where}.driven_inputs",
                f"the input “{driven}” was driven during the capture of “{name}” but its settings"
                " are not among the captured ones; attach the capture again",
            )
    rate_hz = measurement.captured_sample_rate_hz
    then = Preset(
        title="capture",
        sample_rate_hz=preset.sample_rate_hz if rate_hz is None else rate_hz,
        inputs=settings.inputs,
        outputs=(settings.output,),
    )
    return then, Drive(levels_db, True, "request")


def _missing(measurement: Measurement) -> tuple[str, ...]:
    whose = f"the capture of “{measurement.output}” at “{measurement.listener}”"
    if measurement.trace.level != "spl":
        return (f"{whose} is not in SPL",)
    if measurement.captured_input_dbu is None:
        return (f"{whose} states no input level",)
    return ()


def lacks_spl(measurement: Measurement) -> bool:
    """Whether the capture counts as relative: its trace is, or the input level is not stated."""
    return bool(_missing(measurement))


def coherence_on(trace: Trace, frequency_hz: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """Coherence over log frequency, (n,), NaN outside the trace; None where it has none."""
    if trace.coherence is None:
        return None
    return np.interp(
        np.log(frequency_hz),
        np.log(trace.frequency_hz),
        trace.coherence,
        left=np.nan,
        right=np.nan,
    )
