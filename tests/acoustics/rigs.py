"""Small invented rigs for the acoustics tests: boxes flat enough for sums done by hand."""

from __future__ import annotations

from typing import Any

import numpy as np

from xover.dsp.axis import Axis
from xover.model.drive import Drive, drive_of
from xover.model.preset import Preset
from xover.model.processing import Air, Input, Output
from xover.model.rig import (
    Amplifier,
    AmplifierChannel,
    Listener,
    Loudspeaker,
    Power,
    Source,
    Trace,
)

POINT = Loudspeaker(
    name="Point",
    passband_hz=(1e-6, 900_000.0),
    passband_edge_db=-1.0,
    sensitivity_db=100.0,
    impedance_ohm=8.0,
    power_w=Power(continuous=300.0),
)
"""A box without slopes from 20 Hz to 20 kHz: flat within 1e-5 dB and 0.0002 ms."""
UNITY = Amplifier(name="Unity", gain_db=0.0, power_w={"8": 300.0}, minimum_load_ohm=4.0)
STILL_AIR = Air(temperature_c=20.0)


def axis_at(*frequency_hz: float, sample_rate_hz: float = 48_000.0) -> Axis:
    return Axis(np.array(frequency_hz), sample_rate_hz)


def all_inputs(preset: Preset) -> Drive:
    return drive_of(preset)


def rig(
    places_m: dict[str, tuple[float, float, float]],
    *,
    listener_m: tuple[float, float, float] = (0.0, 0.0, 0.0),
    outputs: dict[str, dict[str, Any]] | None = None,
    sources: dict[str, dict[str, Any]] | None = None,
    box: Loudspeaker = POINT,
    amplifier: Amplifier | None = UNITY,
    channel: dict[str, Any] | None = None,
    **preset: Any,
) -> Preset:
    """One output and one box for each name in `places_m`, all fed by the input “In”."""
    outputs, sources = outputs or {}, sources or {}
    names = tuple(places_m)
    return Preset(
        title="Barn",
        inputs=preset.pop("inputs", (Input(name="In"),)),
        outputs=tuple(
            Output(name=name, **{"inputs": {"In": 0.0}, **outputs.get(name, {})}) for name in names
        ),
        loudspeakers=preset.pop("loudspeakers", (box,)),
        amplifiers=() if amplifier is None else (amplifier,),
        amplifier_channels=tuple(
            AmplifierChannel(
                name=f"Ch {name}", amplifier=amplifier.name, output=name, **(channel or {})
            )
            for name in names
            if amplifier is not None
        ),
        sources=tuple(
            Source(
                **{
                    "name": f"{name} box",
                    "output": name,
                    "loudspeaker": box.name,
                    "position_m": place_m,
                    "amplifier_channel": None if amplifier is None else f"Ch {name}",
                    **sources.get(name, {}),
                }
            )
            for name, place_m in places_m.items()
        ),
        listeners=(Listener(name="Seat", position_m=listener_m),),
        **preset,
    )


def trace_of(frequency_hz: Any, response: Any, **fields: Any) -> Trace:
    """A trace of complex values, dB and unwrapped degrees."""
    return Trace(
        frequency_hz=tuple(np.asarray(frequency_hz, dtype=float).tolist()),
        magnitude_db=tuple((20.0 * np.log10(np.abs(response))).tolist()),
        phase_deg=tuple(np.degrees(np.unwrap(np.angle(response))).tolist()),
        **fields,
    )


def db(response: Any) -> Any:
    return 20.0 * np.log10(np.abs(response))
