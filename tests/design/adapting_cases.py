"""Random outputs for adaptation: crossovers of a way and the bands one would set in it."""

from __future__ import annotations

import numpy as np

from xover.model.preset import Preset
from xover.model.processing import Crossover, EqSection, Input, Output


def random_output(rng: np.random.Generator, most: int) -> Output:
    """One output with 3 to `most` bands around its pass band, none on a grid."""
    low_hz = float(np.exp(rng.uniform(np.log(30.0), np.log(300.0))))
    high_hz = min(16_000.0, low_hz * float(2.0 ** rng.uniform(2.5, 6.0)))
    slope = int(rng.choice([12, 24]))
    bands = []
    for _ in range(int(rng.integers(3, most + 1))):
        kind = str(rng.choice(["peak", "peak", "peak", "peak", "low_shelf", "high_shelf"]))
        f = float(np.exp(rng.uniform(np.log(low_hz / 1.2), np.log(high_hz * 1.2))))
        bands.append(
            EqSection(
                kind=kind,  # type: ignore[arg-type]
                frequency_hz=min(max(f, 25.0), 15_000.0),
                gain_db=float(np.clip(rng.normal(0.0, 4.0), -12.0, 6.0)),
                q=float(2.0 ** rng.uniform(-1.0, 3.0)) if kind == "peak" else 0.7071,
            )
        )
    return Output(
        name="Way",
        inputs={"In": 0.0},
        high_pass=Crossover(
            family="linkwitz-riley", slope_db_per_octave=slope, frequency_hz=low_hz
        ),
        low_pass=Crossover(
            family="linkwitz-riley", slope_db_per_octave=slope, frequency_hz=high_hz
        ),
        eq=tuple(bands),
    )


def preset_of(*outputs: Output, rate_hz: float = 48_000.0) -> Preset:
    return Preset(
        title="t", sample_rate_hz=rate_hz, inputs=(Input(name="In"),), outputs=tuple(outputs)
    )
