"""Captures for the examples, made in the demonstration room and attached as a user would."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from msgspec.structs import replace

from tests.examples.room import (
    Complexes,
    Driver,
    Floats,
    Room,
    bins_hz,
    captured,
    electrical,
    heard,
)
from xover.design.captures import attach_measurement, to_trace
from xover.dsp.captured import CapturedResponse
from xover.model.preset import Preset
from xover.model.rig import Provenance, Trace
from xover.model.words import Captured


@dataclass(frozen=True)
class Place:
    """A room with the boxes that stand in it; `gains_db` is the voltage gain to each source."""

    room: Room
    drivers: Mapping[str, Driver]
    gains_db: Mapping[str, float]

    def heard(
        self, preset: Preset, output: str, listener: str, *, temperature_c: float
    ) -> Complexes:
        """One output at one listener for 0 dBu at the output, on the bins, without noise."""
        return heard(
            self.room,
            self.drivers,
            preset.sources_of(output),
            self.gains_db,
            preset.listener(listener).position_m,
            bins_hz(),
            temperature_c=temperature_c,
        )


def capture(
    preset: Preset,
    place: Place,
    output: str,
    listener: str,
    *,
    state: Captured,
    driven: str,
    input_dbu: float,
    session: str | None,
    captured_at: str,
    generator: np.random.Generator,
    temperature_c: float | None = None,
    phase: bool = True,
) -> Preset:
    """`preset` with one more measurement, through its own settings unless `state` is "flat".

    `temperature_c` is the air's during the capture, today's where it is None.
    """
    weather_c = preset.air.temperature_c if temperature_c is None else temperature_c
    frequency_hz = bins_hz()
    pressure = place.heard(preset, output, listener, temperature_c=weather_c)
    if state != "flat":
        pressure = pressure * electrical(preset, output, {driven: 0.0}, frequency_hz)
    pressure = pressure * 10.0 ** (input_dbu / 20.0)
    measured, coherence = captured(pressure, frequency_hz, generator)
    frequency_hz, measured, coherence, late_ms = exported(frequency_hz, measured, coherence)
    name = f"{output} at {listener}".lower().replace(" ", "-") + ".txt"
    response = CapturedResponse(
        frequency_hz=frequency_hz,
        magnitude_db=20.0 * np.log10(np.abs(measured)),
        phase_deg=np.degrees(np.angle(measured)) if phase else None,
        coherence=coherence if phase else None,
        delay_ms=late_ms if phase else 0.0,
        level="spl",
    )
    trace = rounded(
        to_trace(
            response,
            session=session,
            provenance=Provenance(
                file=name,
                sha256=hashlib.sha256(name.encode()).hexdigest(),
                note="invented: computed in a room of six walls",
                captured_at=captured_at,
            ),
        )
    )
    several = len(preset.output(output).inputs) > 1
    attached = attach_measurement(
        preset,
        output=output,
        listener=listener,
        trace=trace,
        captured=state,
        driven={driven: 0.0} if state == "settings" and several else None,
        captured_input_dbu=input_dbu if state != "unknown" else None,
    )
    if temperature_c is None:
        return attached
    air = replace(preset.air, temperature_c=temperature_c)
    return replace(
        attached,
        measurements=tuple(
            replace(one, captured_air=air)
            if (one.output, one.listener) == (output, listener)
            else one
            for one in attached.measurements
        ),
    )


def exported(
    frequency_hz: Floats, response: Complexes, coherence: Floats
) -> tuple[Floats, Complexes, Floats, float]:
    """A dense capture at 48 points an octave, means over ±1/96, and its bulk delay in ms.

    The time of the largest impulse is turned out before the mean and stays out: at 48 points an
    octave nothing could tell it from a shorter one.
    """
    step_hz = frequency_hz[1] - frequency_hz[0]
    impulse = np.fft.ifft(response, 8 * response.size)
    late_s = float(np.argmax(np.abs(impulse))) / (8 * response.size * step_hz)
    turn = np.exp(2j * np.pi * frequency_hz * late_s)
    group = np.floor(48.0 * np.log2(frequency_hz / 20.0) + 0.5)
    starts = np.flatnonzero(np.diff(group, prepend=-np.inf))
    counts = np.diff(np.append(starts, frequency_hz.size))
    few_hz = np.add.reduceat(frequency_hz, starts) / counts
    few = np.asarray(np.add.reduceat(response * turn, starts) / counts, np.complex128)
    return few_hz, few, np.add.reduceat(coherence, starts) / counts, 1000.0 * float(late_s)


def rounded(trace: Trace) -> Trace:
    """The trace with as many decimals as a reader needs."""

    def at(values: tuple[float, ...], decimals: int) -> tuple[float, ...]:
        return tuple(round(value, decimals) + 0.0 for value in values)

    return replace(
        trace,
        frequency_hz=at(trace.frequency_hz, 2),
        magnitude_db=at(trace.magnitude_db, 2),
        phase_deg=None if trace.phase_deg is None else at(trace.phase_deg, 1),
        coherence=None if trace.coherence is None else at(trace.coherence, 3),
        delay_ms=round(trace.delay_ms, 3),
    )
