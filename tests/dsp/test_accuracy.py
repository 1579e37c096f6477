"""The promise of the engine, against 40-digit arithmetic (mpmath; see `oracle`).

≤ 1e-8 dB from 20 Hz to min(20 kHz, 0.49·fs) wherever the response is above −120 dB; below that
a complex error ≤ 1e-15 of full scale. The error in dB is that of the complex ratio, so that it
bounds the phase as well.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.dsp.oracle import crossover_response, eq_response, output_response, worst_errors
from xover.dsp.axis import Axis
from xover.dsp.batch import Cascade, cascade_responses
from xover.dsp.biquad import section_of, section_response
from xover.dsp.crossover import HIGH_PASS, LOW_PASS, crossover_sections
from xover.dsp.response import cascade_response, electrical_responses, output_stage
from xover.model.drive import drive_of
from xover.model.preset import Preset
from xover.model.processing import Crossover, EqSection, Input, Output
from xover.model.words import EQ_SHAPES, FAMILY_SLOPES, EqKind

ABOVE_DB = 1e-8
BELOW = 1e-15


def axis_around(*centres_hz: float, sample_rate_hz: float, points: int = 24) -> Axis:
    """A coarse axis over the whole range, with points on and close beside the centres."""
    top = min(20_000.0, 0.49 * sample_rate_hz)
    close = [f * (1 + d) for f in centres_hz for d in (-1e-3, -1e-6, -1e-9, 0, 1e-8, 1e-4)]
    frequency = np.unique([*np.geomspace(20.0, top, points), *close])
    return Axis(frequency[(frequency >= 20.0) & (frequency <= top)], sample_rate_hz)


def check(got: object, exact: list[object]) -> None:
    above, below = worst_errors(got, exact)  # type: ignore[arg-type]
    assert above <= ABOVE_DB
    assert below <= BELOW


def section(kind: EqKind, frequency_hz: float, *, gain_db: float = 6.0, q: float = 2.0, order=2):
    shape = EQ_SHAPES[kind]
    fields: dict[str, float] = {"gain_db": gain_db} if shape.has_gain else {}
    if order == 2:
        fields["q"] = q
    if shape.has_order:
        fields["order"] = order
    return EqSection(kind=kind, frequency_hz=frequency_hz, **fields)  # type: ignore[arg-type]


ALL_KINDS = [(kind, order) for kind, shape in EQ_SHAPES.items() for order in shape.orders]


@pytest.mark.parametrize(("kind", "order"), ALL_KINDS)
@pytest.mark.parametrize("sample_rate_hz", [8_000.0, 48_000.0, 192_000.0, 384_000.0])
def test_every_kind_of_section(kind: EqKind, order: int, sample_rate_hz: float) -> None:
    for frequency_hz in (20.0, 997.0, 0.489 * min(sample_rate_hz, 40_000.0)):
        for q, gain_db in ((0.05, -60.0), (0.7071, 3.0), (100.0, 60.0)):
            item = section(kind, frequency_hz, gain_db=gain_db, q=q, order=order)
            axis = axis_around(frequency_hz, sample_rate_hz=sample_rate_hz, points=8)
            exact = [eq_response(item, f, sample_rate_hz) for f in axis.frequency_hz]
            check(section_response(section_of(item), axis), exact)
            check(cascade_responses([Cascade(1.0, [section_of(item)], [])], axis)[0], exact)


@pytest.mark.parametrize(
    ("family", "slope"), [(f, s) for f, slopes in FAMILY_SLOPES.items() for s in slopes]
)
@pytest.mark.parametrize("sample_rate_hz", [48_000.0, 192_000.0])
def test_every_crossover(family, slope, sample_rate_hz: float) -> None:  # type: ignore[no-untyped-def]
    for frequency_hz in (20.0, 1_250.0, 18_000.0):
        item = Crossover(family=family, slope_db_per_octave=slope, frequency_hz=frequency_hz)
        axis = axis_around(frequency_hz, sample_rate_hz=sample_rate_hz, points=12)
        for side in (LOW_PASS, HIGH_PASS):
            exact = [crossover_response(item, side, f, sample_rate_hz) for f in axis.frequency_hz]
            check(cascade_response(crossover_sections(item, side), axis), exact)


@pytest.mark.parametrize("sample_rate_hz", [48_000.0, 192_000.0])
@pytest.mark.parametrize("frequency_hz", [20.0, 1_000.0])
@pytest.mark.parametrize("gain_db", [-12.0, 12.0])
def test_ten_coincident_sharp_sections(
    frequency_hz: float, sample_rate_hz: float, gain_db: float
) -> None:
    """The case that grouped polynomials get wrong by tens of dB when groups are too large."""
    eq = (section("peak", frequency_hz, gain_db=gain_db / 2, q=30.0),) * 10
    item = Output(name="A", inputs={"L": 0.0}, eq=eq)
    axis = axis_around(frequency_hz, sample_rate_hz=sample_rate_hz)
    exact = [output_response(item, f, sample_rate_hz) for f in axis.frequency_hz]
    check(output_stage(item, axis), exact)
    check(batch(item, axis), exact)


@pytest.mark.parametrize("kind", ["peak", "notch", "all_pass", "high_shelf"])
def test_ten_coincident_sections_of_the_sharpest_there_are(kind: EqKind) -> None:
    eq = (section(kind, 1_000.0, gain_db=6.0, q=100.0),) * 10
    item = Output(name="A", inputs={"L": 0.0}, eq=eq)
    axis = axis_around(1_000.0, sample_rate_hz=48_000.0, points=12)
    exact = [output_response(item, f, 48_000.0) for f in axis.frequency_hz]
    check(output_stage(item, axis), exact)
    check(batch(item, axis), exact)


def test_more_sections_than_one_quotient_takes() -> None:
    """40 sections with extreme corners at both ends: nothing overflows and nothing is lost."""
    eq = tuple(
        section(kind, f, gain_db=-9.0, q=4.0)
        for f in (1.0, 21.0, 400.0, 18_000.0)
        for kind in ("peak", "low_shelf", "high_shelf", "all_pass", "notch")
        for _ in range(2)
    )
    high = Crossover(family="linkwitz-riley", slope_db_per_octave=48, frequency_hz=1.0)
    low = Crossover(family="linkwitz-riley", slope_db_per_octave=48, frequency_hz=19_000.0)
    item = Output(name="A", inputs={"L": 0.0}, eq=eq, high_pass=high, low_pass=low)
    axis = axis_around(21.0, 400.0, sample_rate_hz=48_000.0, points=10)
    exact = [output_response(item, f, 48_000.0) for f in axis.frequency_hz]
    check(output_stage(item, axis), exact)
    check(batch(item, axis), exact)


def test_ten_seconds_of_delay() -> None:
    item = Output(name="A", inputs={"L": 0.0}, delay_ms=9_999.123)
    axis = axis_around(1_000.0, sample_rate_hz=48_000.0)
    exact = [output_response(item, f, 48_000.0) for f in axis.frequency_hz]
    check(output_stage(item, axis), exact)


frequencies = st.floats(1.0, 19_500.0)
sections = st.builds(
    lambda kind_order, f, g, q: section(kind_order[0], f, gain_db=g, q=q, order=kind_order[1]),
    st.sampled_from(ALL_KINDS),
    frequencies,
    st.floats(-60.0, 60.0),
    st.floats(0.05, 100.0),
)
crossovers = st.builds(
    lambda family_slope, f: Crossover(
        family=family_slope[0], slope_db_per_octave=family_slope[1], frequency_hz=f
    ),
    st.sampled_from([(f, s) for f, slopes in FAMILY_SLOPES.items() for s in slopes]),
    frequencies,
)
outputs = st.builds(
    lambda eq, high, low, gain_db, polarity, delay_ms: Output(
        name="A",
        inputs={"L": 0.0},
        eq=tuple(eq),
        high_pass=high,
        low_pass=low,
        gain_db=gain_db,
        polarity=polarity,
        delay_ms=delay_ms,
    ),
    st.lists(sections, max_size=8),
    st.none() | crossovers,
    st.none() | crossovers,
    st.floats(-60.0, 0.0),
    st.sampled_from(["normal", "inverted"]),
    st.floats(0.0, 100.0),
)


@settings(max_examples=40, deadline=None)
@given(outputs, st.sampled_from([44_100.0, 48_000.0, 192_000.0]))
def test_any_output_stage(item: Output, sample_rate_hz: float) -> None:
    """Full scale is 0 dB: where sections boost above it, the floor of the error rises with them."""
    centres = [s.frequency_hz for s in item.eq][:2]
    axis = axis_around(*centres, sample_rate_hz=sample_rate_hz, points=6)
    exact = [output_response(item, f, sample_rate_hz) for f in axis.frequency_hz]
    check(output_stage(item, axis), exact)
    check(batch(item, axis), exact)


def batch(item: Output, axis: Axis) -> np.ndarray:
    """The same output through the batch of a whole rig."""
    preset = Preset(
        title="t",
        inputs=(Input(name="L"),),
        outputs=(item,),
        sample_rate_hz=axis.sample_rate_hz,
    )
    return electrical_responses(preset, axis, drive_of(preset))[0]
