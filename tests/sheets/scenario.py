"""An invented rig with everything a sheet must survive: long names, markup, formulas, direction."""

from __future__ import annotations

import numpy as np

from xover.model.preset import Preset
from xover.model.processing import (
    Air,
    Crossover,
    EqSection,
    Group,
    Input,
    Limit,
    Limiter,
    Output,
)
from xover.sheets.drawing import Curve

AUX = "Aux to the subwoofers that came from the other truck"
SCRIPT = "<script>alert('Top')</script> & left | a very long name that goes on until it wraps"
FORMULA = "=SUM(A1)\u202egnp.exe"


def rig() -> Preset:
    """Three inputs, three outputs, a group, limiters, locks, and hostile names."""
    sub = Output(
        name="Sub",
        channel=1,
        patch="Snake 3, line 1",
        inputs={"Left": -6.0206, "Right": -6.0206, AUX: 0.0},
        gain_db=2.0,
        high_pass=Crossover(family="butterworth", slope_db_per_octave=24, frequency_hz=32.0),
        low_pass=Crossover(family="linkwitz-riley", slope_db_per_octave=24, frequency_hz=100.0),
        eq=(
            EqSection(kind="peak", frequency_hz=46.0, gain_db=-3.0, q=2.0, bypassed=True),
            EqSection(kind="all_pass", frequency_hz=80.0, q=0.7071),
            EqSection(kind="notch", frequency_hz=63.5, q=8.0),
        ),
        limiter=Limiter(
            rms=Limit(threshold_dbu=8.3, attack_ms=50.0, release_ms=500.0),
            peak=Limit(threshold_dbu=11.25, attack_ms=0.3, release_ms=5.0),
        ),
        locked=("high_pass", "limiter"),
    )
    top = Output(
        name=SCRIPT,
        channel=2,
        inputs={"Left": 0.0},
        polarity="inverted",
        delay_ms=3.4217,
        high_pass=Crossover(family="linkwitz-riley", slope_db_per_octave=24, frequency_hz=100.0),
        eq=(
            EqSection(kind="low_shelf", frequency_hz=250.0, gain_db=1.5, order=1),
            EqSection(kind="peak", frequency_hz=3150.0, gain_db=-2.25, q=1.4142),
        ),
        limiter=Limiter(rms=Limit(threshold_dbu=5.1, attack_ms=10.0, release_ms=100.0)),
    )
    return Preset(
        title="Harbour Hall, main rig",
        venue="<b>Harbour</b> Hall",
        author="=cmd()|' /C calc'!A0",
        notes="First line, *bold* <b>x</b>\n\n1. not a list\n- \u202ereversed\u202c",
        tags=("tour", "spring"),
        air=Air(temperature_c=24.0, relative_humidity_percent=60.0),
        inputs=(
            Input(name="Left", channel=1, nominal_dbu=4.0),
            Input(
                name="Right",
                gain_db=-1.5,
                eq=(EqSection(kind="high_shelf", frequency_hz=8000.0, gain_db=-2.0, q=0.7071),),
            ),
            Input(name=AUX, delay_ms=1.25),
        ),
        outputs=(sub, top, Output(name=FORMULA, muted=True, latency_ms=1.5)),
        groups=(Group(name="Mains", outputs=("Sub", FORMULA), follow=("gain", "delay")),),
    )


def curves() -> tuple[Curve, ...]:
    """Two curves that need no engine: straight lines in dB over log frequency."""
    frequency_hz = 20.0 * 2.0 ** (np.arange(0, 479) / 48.0)
    octaves = np.log2(frequency_hz / 100.0)
    falling = np.where(octaves > 0, -24.0 * octaves, 0.0)
    rising = np.where(octaves < 0, 24.0 * octaves, 0.0)
    rising[200:210] = np.nan
    return (
        Curve("Sub", frequency_hz, falling, "solid", 0),
        Curve(SCRIPT, frequency_hz, rising, "dashed", 1),
    )
