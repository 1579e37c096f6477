"""Presets for the alignment tests: flat captures behind real filters, with known delays."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from xover.model.preset import Preset
from xover.model.processing import Crossover, Input, Output
from xover.model.rig import Listener, Loudspeaker, Measurement, Power, Source, Trace

BOXES = (
    Loudspeaker(
        name="Low box", passband_hz=(35.0, 250.0), impedance_ohm=8.0,
        power_w=Power(continuous=300.0), enclosure="vented", sensitivity_db=98.0,
    ),
    Loudspeaker(
        name="Full box", passband_hz=(70.0, 18_000.0), impedance_ohm=8.0,
        power_w=Power(continuous=300.0), sensitivity_db=98.0,
    ),
)  # fmt: skip
SOURCES = (
    Source(name="S", output="Sub", loudspeaker="Low box", position_m=(0.0, 1.0, 0.4)),
    Source(name="T", output="Top", loudspeaker="Full box", position_m=(3.0, 0.0, 3.0)),
)
"""Boxes and places of the rig, where it is computed from data sheets."""
FREQUENCY_HZ = 15.0 * 2.0 ** (np.arange(48 * 10.5) / 48.0)


def trace(
    delay_ms: float = 0.0,
    *,
    gain_db: float = 0.0,
    inverted: bool = False,
    session: str | None = "evening",
    shape: Callable[[np.ndarray], np.ndarray] | None = None,
    phase: bool = True,
) -> Trace:
    """A flat capture: a delay, a gain and a sign, or what `shape` makes of frequency."""
    response = np.ones(FREQUENCY_HZ.size, dtype=complex) if shape is None else shape(FREQUENCY_HZ)
    response = response * 10.0 ** (gain_db / 20.0) * (-1.0 if inverted else 1.0)
    return Trace(
        frequency_hz=tuple(FREQUENCY_HZ.tolist()),
        magnitude_db=tuple((20.0 * np.log10(np.abs(response))).tolist()),
        phase_deg=tuple(np.degrees(np.unwrap(np.angle(response))).tolist()) if phase else None,
        delay_ms=delay_ms,
        session=session,
    )


def crossover(frequency_hz: float, family: str = "linkwitz-riley", slope: int = 24) -> Crossover:
    return Crossover(family=family, slope_db_per_octave=slope, frequency_hz=frequency_hz)  # type: ignore[arg-type]


def rig(
    sub: dict[str, Trace],
    top: dict[str, Trace],
    *,
    sub_filter: Crossover | None = None,
    top_filter: Crossover | None = None,
    **fields: object,
) -> Preset:
    listeners = list(dict.fromkeys((*sub, *top)))
    base: dict[str, object] = {
        "title": "Test",
        "inputs": (Input(name="Main"),),
        "outputs": (
            Output(name="Sub", inputs={"Main": 0.0}, low_pass=sub_filter or crossover(100.0)),
            Output(name="Top", inputs={"Main": 0.0}, high_pass=top_filter or crossover(100.0)),
            Output(name="Fill", inputs={"Main": 0.0}, delay_ms=7.0),
        ),
        "listeners": tuple(
            Listener(name=name, position_m=(0.0, 10.0 + k, 1.2)) for k, name in enumerate(listeners)
        ),
        "measurements": tuple(
            Measurement(output=output, listener=listener, trace=item, captured="flat")
            for output, traces in (("Sub", sub), ("Top", top))
            for listener, item in traces.items()
        ),
    }
    return Preset(**{**base, **fields})  # type: ignore[arg-type]


def three_ways(
    late_ms: dict[str, tuple[float, float, float]], *, inverted: tuple[bool, bool, bool]
) -> Preset:
    """Sub, Mid and Top behind 24 dB per octave at 100 Hz and 1 kHz, with their flights by listener.

    `inverted` are the legs of Sub, Mid, Top. Sub and Top do not overlap.
    """
    names = ("Sub", "Mid", "Top")
    return Preset(
        title="Three ways",
        inputs=(Input(name="Main"),),
        outputs=(
            Output(name="Sub", inputs={"Main": 0.0}, low_pass=crossover(100.0)),
            Output(
                name="Mid",
                inputs={"Main": 0.0},
                high_pass=crossover(100.0),
                low_pass=crossover(1000.0),
            ),
            Output(name="Top", inputs={"Main": 0.0}, high_pass=crossover(1000.0)),
        ),
        listeners=tuple(
            Listener(name=name, position_m=(0.0, 10.0 + k, 1.2)) for k, name in enumerate(late_ms)
        ),
        measurements=tuple(
            Measurement(
                output=output,
                listener=listener,
                trace=trace(flight, inverted=turned),
                captured="flat",
            )
            for listener, flights in late_ms.items()
            for output, flight, turned in zip(names, flights, inverted, strict=True)
        ),
    )
