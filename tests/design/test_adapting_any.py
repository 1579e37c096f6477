"""Any legal preset on any processor: nothing raises, what is held is legal, nothing is dropped."""

from __future__ import annotations

import math

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from tests.strategies import everything, presets
from xover.design.adapting.adaptation import Adaptation, adapt
from xover.files.profile_json import load_profile
from xover.model.preset import Preset
from xover.model.processing import Crossover, EqSection, Input, Output
from xover.model.profile import (
    CrossoverSetting,
    EqSetting,
    Grid,
    HighFrequency,
    Profile,
    ShelfWidthSetting,
    Steps,
    WidthSetting,
)
from xover.model.profile_rules import faults as profile_faults
from xover.model.rules import faults
from xover.sheets.cells import width_of
from xover.sheets.device import device_sheet
from xover.sheets.formats import sheet
from xover.sheets.rows import sheet_of
from xover.sheets.since import changes_sheet

SHIPPED = [
    load_profile(f"presets/processors/{name}.json")
    for name in ("kittiwake-8x16", "jetty-4x8", "old-ferry-2x6")
]
KINDS = ("peak", "low_shelf", "high_shelf", "notch", "band_pass", "all_pass", "low_pass")
FIRST = ("low_shelf", "high_shelf", "all_pass")


def grids_between(low: float, high: float) -> st.SearchStrategy[Grid]:
    """One value, octaves, steps that miss the upper end, or a list."""
    return st.sampled_from(
        [
            Grid(values=(high,)),
            Grid(values=(low, math.sqrt(low * high), high)),
            Grid(min=low, max=high, per_octave=0.7),
            Grid(min=low, max=high, per_octave=24.0),
            Grid(min=low, max=high, step=(high - low) / 3.3),
        ]
    )


def steps_between(low: float, high: float) -> st.SearchStrategy[Steps]:
    return st.sampled_from([1.0, 3.3, 97.0]).map(
        lambda many: Steps(min=low, max=high, step=(high - low) / many)
    )


@st.composite
def profiles(draw: st.DrawFn) -> Profile:
    """Processors with few and odd values, some beyond what their rate lets filters do."""
    families = draw(
        st.sampled_from([{}, {"butterworth": (12, 18)}, {"bessel": (24,), "butterworth": (6,)}])
    )
    unit = draw(st.sampled_from(("q", "bandwidth_octaves")))
    widths = (0.1, 60.0) if unit == "q" else (0.05, 4.0)
    equaliser = EqSetting(
        bands_per_output=draw(st.integers(0, 3)),
        bands_per_input=draw(st.integers(0, 1)),
        kinds=tuple(draw(st.lists(st.sampled_from(KINDS), unique=True, min_size=1))),
        first_order_kinds=tuple(draw(st.lists(st.sampled_from(FIRST), unique=True))),
        frequency_hz=draw(grids_between(20.0, 40_000.0)),
        gain_db=draw(steps_between(-80.0, 15.0)),
        width=WidthSetting(
            unit=unit,
            convention=draw(st.sampled_from(("half-gain", "minus-3-db", "constant-q"))),
            values=draw(grids_between(*widths)),
        ),
        shelf_corner=draw(st.sampled_from(("half-gain", "3-db-from-plateau"))),
        shelf_width=draw(
            st.none()
            | st.builds(ShelfWidthSetting, unit=st.just("slope"), values=grids_between(0.2, 2.0))
        ),
        high_frequency=draw(
            st.sampled_from(("bilinear", "bilinear-width-corrected", "analogue-matched", "unknown"))
        ),
    )
    base = draw(st.sampled_from(SHIPPED))
    return replace(
        base,
        sample_rates_hz=draw(st.sampled_from(((44_100.0,), (48_000.0, 192_000.0)))),
        internal_sample_rate_hz=draw(st.sampled_from((None, 96_000.0))),
        name_characters=draw(st.sampled_from((None, 1, 6))),
        full_scale_dbu=draw(st.sampled_from((None, 18.0))),
        gain_db=draw(steps_between(-80.0, 6.0)),
        crossover=CrossoverSetting(
            families=families,
            bessel_normalisation=draw(st.sampled_from(("magnitude", "delay"))),
            frequency_hz=draw(grids_between(20.0, 40_000.0)),
        ),
        eq=equaliser,
    )


def left_unsaid(preset: Preset, answer: Adaptation) -> list[str]:
    """Places of inputs and outputs that are neither typed nor said to be impossible."""
    moved = any("instead, since an output has only" in note for note in answer.notes)
    missing = []
    for key in ("inputs", "outputs"):
        pairs = zip(getattr(preset, key), getattr(answer, key), strict=True)
        for at, (item, one) in enumerate(pairs):
            where = f"{key}[{at}]"
            told = {each.where for each in one.settings} | {each.where for each in one.cannot}
            wanted = [f"{where}.{name}" for name in ("name", "gain_db", "polarity", "delay_ms")]
            wanted += [
                f"{where}.eq[{band}]"
                for band, section in enumerate(item.eq)
                if not section.bypassed and not moved
            ]
            if isinstance(item, Output):
                wanted += [
                    f"{where}.{side}"
                    for side in ("high_pass", "low_pass")
                    if getattr(item, side) is not None
                ]
                limiter = item.limiter
                wanted += [
                    f"{where}.limiter.{kind}"
                    for kind in ("rms", "peak")
                    if limiter is not None and getattr(limiter, kind) is not None
                ]
            missing += [
                place
                for place in wanted
                if not any(each == place or each.startswith(f"{place}.") for each in told)
            ]
    return missing


@settings(
    max_examples=15,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
@given(presets(), presets(), st.sampled_from(SHIPPED) | profiles())
def test_any_preset_on_any_processor(preset: Preset, before: Preset, profile: Profile) -> None:
    assert profile_faults(profile) == []
    answer = adapt(preset, profile)
    assert [str(fault) for fault in faults(answer.preset)] == []
    assert left_unsaid(preset, answer) == []
    for one in (*answer.inputs, *answer.outputs):
        assert math.isfinite(one.largest_db + one.largest_deg + one.rms_db + one.delay_error_ms)
        assert one.rms <= one.naive_rms * (1.0 + 1e-9) + 1e-12
    device = device_sheet(preset, answer)
    since = changes_sheet(before, sheet_of(before), preset, device)
    for made in (device, since):
        for kind in ("txt", "md", "csv", "html"):
            text = sheet(made, kind).decode()
            assert not any(mark in text for mark in "\u202e\u200b\u2066\x1b")
            if kind == "txt":
                assert max(width_of(line) for line in text.splitlines()) <= 80


@pytest.mark.parametrize("profile", SHIPPED, ids=lambda item: item.name)
def test_every_field_at_once(profile: Profile) -> None:
    preset = everything()
    answer = adapt(preset, profile)
    assert faults(answer.preset) == []
    assert left_unsaid(preset, answer) == []


def one_output(rate_hz: float, **fields: object) -> Preset:
    output = Output(name="Out", inputs={"In": 0.0}, **fields)  # type: ignore[arg-type]
    return Preset(title="t", sample_rate_hz=rate_hz, inputs=(Input(name="In"),), outputs=(output,))


@pytest.mark.parametrize("behaviour", ["bilinear", "analogue-matched", "unknown"])
def test_what_lies_above_the_processor_s_rate_is_said(behaviour: HighFrequency) -> None:
    profile = replace(
        SHIPPED[0],
        sample_rates_hz=(48_000.0,),
        internal_sample_rate_hz=None,
        eq=replace(
            SHIPPED[0].eq,
            frequency_hz=Grid(min=20.0, max=40_000.0, per_octave=24.0),
            high_frequency=behaviour,
        ),
    )
    low_pass = Crossover(family="butterworth", slope_db_per_octave=24, frequency_hz=30_000.0)
    preset = one_output(
        96_000.0,
        low_pass=low_pass,
        eq=(EqSection(kind="peak", frequency_hz=35_000.0, gain_db=3.0, q=1.0),),
    )
    answer = adapt(preset, profile)
    assert faults(answer.preset) == []
    reasons = {each.where: each.why for each in answer.outputs[0].cannot}
    for where in ("outputs[0].low_pass", "outputs[0].eq[0]"):
        assert "lies above what filters at 48 kHz can do" in reasons[where]


def test_captures_keep_the_rate_they_were_taken_at() -> None:
    profile = replace(SHIPPED[0], sample_rates_hz=(48_000.0,), internal_sample_rate_hz=None,
                      eq=replace(SHIPPED[0].eq, high_frequency="bilinear"))  # fmt: skip
    preset = everything()
    assert preset.sample_rate_hz == 96_000.0
    taken = replace(preset.measurements[0], captured_sample_rate_hz=None)
    preset = replace(preset, measurements=(taken,))
    held = adapt(preset, profile).preset
    assert held.sample_rate_hz == 48_000.0
    assert held.measurements[0].captured_sample_rate_hz == 96_000.0
