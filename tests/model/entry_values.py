"""What the tests of typing share: a context, values in few words, any legal value of a row."""

from __future__ import annotations

import struct

from hypothesis import strategies as st

from tests.strategies import crossovers, eq_sections, limits, number, polarity
from xover.model import ranges
from xover.model.entry import Context, parse
from xover.model.processing import Crossover, EqSection, Limit

RATE_HZ = 48_000.0
SPEED_M_S = 343.2
"""ISO 9613-1:1993, formula A.5, at 20 °C; the tests give it, the code under test is told it."""
INPUTS = ("Left", "Right", "Aux", "Aux 2", "Lectern")


def context(present=None, inputs=INPUTS, where=""):
    return Context(
        sample_rate_hz=RATE_HZ,
        speed_of_sound_m_s=SPEED_M_S,
        present=present,
        inputs=inputs,
        where=where,
    )


def read(row, text, present=None, inputs=INPUTS):
    return parse(row, text, context=context(present, inputs))


def crossover(family, slope, frequency_hz):
    return Crossover(family=family, slope_db_per_octave=slope, frequency_hz=frequency_hz)


def lr(slope, frequency_hz):
    return crossover("linkwitz-riley", slope, frequency_hz)


def bw(slope, frequency_hz):
    return crossover("butterworth", slope, frequency_hz)


def section(kind, frequency_hz, gain_db=None, q=None, order=2, bypassed=False):
    fields = {} if gain_db is None else {"gain_db": gain_db}
    fields |= {} if q is None else {"q": q}
    return EqSection(kind=kind, frequency_hz=frequency_hz, order=order, bypassed=bypassed, **fields)


def limit(threshold_dbu, attack_ms=50.0, release_ms=200.0):
    return Limit(threshold_dbu=threshold_dbu, attack_ms=attack_ms, release_ms=release_ms)


def metres_ms(metres):
    """Time of flight: length over speed, the definition."""
    return metres / SPEED_M_S * 1000.0


VALUES = {
    "gain": number(ranges.Gain),
    "polarity": polarity,
    "mute": st.booleans(),
    "delay": number(ranges.DelayMs),
    "frequency": number(ranges.FilterFrequencyHz, below=0.49 * RATE_HZ),
    "high_pass": st.none() | crossovers(RATE_HZ),
    "low_pass": st.none() | crossovers(RATE_HZ),
    "eq": st.none() | eq_sections(RATE_HZ),
    "rms": st.none() | limits,
    "peak": st.none() | limits,
}
OTHER = {
    "high_pass": bw(18, 77.0),
    "low_pass": lr(48, 5000.0),
    "eq": section("low_shelf", 99.0, 1.0, order=1, bypassed=True),
    "rms": limit(-7.0, 3.0, 33.0),
    "peak": limit(-7.0, 3.0, 33.0),
    "delay": 9.0,
}


def bits(value):
    """A float's bits, a zero without its sign; structures piece by piece."""
    if isinstance(value, float):
        return struct.pack(">d", value + 0.0)
    if hasattr(value, "__struct_fields__"):
        return [bits(getattr(value, name)) for name in value.__struct_fields__]
    return list(map(bits, value.items())) if isinstance(value, dict) else value
