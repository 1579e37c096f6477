"""Low-pass and high-pass bands in an output's free crossovers, against scipy's own designer.

A second-order section of Q 1/√2 is a Butterworth filter, one of Q 1/2 two first-order ones in a
row (S. P. Lipshitz and J. Vanderkooy, “A Family of Linear-Phase Crossover Networks…”, and every
handbook: from memory); `scipy.signal.butter` designs both here.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from msgspec.structs import replace
from scipy import signal

from tests.design.adapting_cases import preset_of
from xover.design.adapting.adaptation import adapt
from xover.dsp.axis import Axis
from xover.dsp.response import output_stage
from xover.files.profile_json import load_profile
from xover.model.processing import Crossover, EqSection, Output
from xover.sheets.device import device_sheet
from xover.sheets.since import changes_sheet

FOLDER = Path(__file__).parents[2] / "presets" / "processors"
OLD = load_profile(FOLDER / "old-ferry-2x6.json")
GRAND = load_profile(FOLDER / "kittiwake-8x16.json")
RATE_HZ = 48_000.0
PEAK = EqSection(kind="peak", frequency_hz=1_000.0, gain_db=-3.0, q=2.0)


def band(kind, q, frequency_hz=40.0):
    return EqSection(kind=kind, frequency_hz=frequency_hz, q=q)


def output(*eq, **fields):
    return Output(name="Way", inputs={"In": 0.0}, eq=eq, **fields)


def butterworth(order, side, frequency_hz, f):
    b, a = signal.butter(order, frequency_hz, side.replace("_", ""), fs=RATE_HZ)
    return signal.freqz(b, a, worN=f, fs=RATE_HZ)[1]


@pytest.mark.parametrize("side", ["high_pass", "low_pass"])
@pytest.mark.parametrize(
    ("q", "family", "order", "power"),
    [(0.7071, "butterworth", 2, 1), (0.5, "linkwitz-riley", 1, 2)],
)
def test_the_same_filter_stands_in_the_free_crossover(side, q, family, order, power):
    preset = preset_of(output(PEAK, band(side, q, 1_000.0)))
    profile = replace(OLD, crossover=replace(OLD.crossover, frequency_hz=GRAND.eq.frequency_hz))
    answer = adapt(preset, profile)
    held = answer.preset.outputs[0]
    crossover = getattr(held, side)
    assert (crossover.family, crossover.slope_db_per_octave) == (family, 12)
    assert answer.outputs[0].cannot == ()
    assert [item.kind for item in held.eq] == ["peak"]
    f = np.geomspace(20.0, 20_000.0, 200)
    both = output_stage(replace(held, eq=()), Axis(f, RATE_HZ))
    expected = butterworth(order, side, crossover.frequency_hz, f) ** power
    # Linkwitz-Riley low-pass and high-pass are squares here; their sign belongs to the crossover.
    assert np.abs(np.abs(both) - np.abs(expected)).max() < 1e-9
    meant = output_stage(
        replace(preset.outputs[0], eq=(band(side, q, crossover.frequency_hz),)), Axis(f, RATE_HZ)
    )
    assert np.abs(both / meant - 1.0).max() < 2e-5
    words = "high-pass" if side == "high_pass" else "low-pass"
    assert [note for note in answer.notes if f"is entered as the {words} of Way" in note]
    assert f"Way, EQ 2, a {words} of Q {q:.3f}".rstrip("0") in " ".join(answer.notes)


@pytest.mark.parametrize(
    ("qs", "family", "slope", "order", "power"),
    [
        ((0.7071, 0.7071), "linkwitz-riley", 24, 2, 2),
        ((1.3066, 0.5412), "butterworth", 24, 4, 1),
    ],
)
def test_two_bands_at_one_frequency_are_one_crossover(qs, family, slope, order, power):
    eq = (PEAK, *(band("high_pass", q, 500.0) for q in qs))
    answer = adapt(preset_of(output(*eq)), OLD)
    held = answer.preset.outputs[0]
    assert (held.high_pass.family, held.high_pass.slope_db_per_octave) == (family, slope)
    assert answer.outputs[0].cannot == ()
    f = np.geomspace(20.0, 20_000.0, 200)
    both = output_stage(replace(held, eq=()), Axis(f, RATE_HZ))
    expected = butterworth(order, "high_pass", held.high_pass.frequency_hz, f) ** power
    assert np.abs(both - expected).max() < 1e-8
    assert "Way, EQ 2 and Way, EQ 3, high-passes of Q" in " ".join(answer.notes)


def test_it_is_typed_on_the_sheet_and_in_the_changes():
    preset = preset_of(output(band("high_pass", 0.7071), PEAK))
    answer = adapt(preset, OLD)
    made = {setting.where: setting for setting in answer.outputs[0].changes}
    assert made["outputs[0].high_pass.family"].meant is None
    assert made["outputs[0].high_pass.family"].typed == "butterworth"
    sheet = device_sheet(preset, answer)
    rows = {entry.label: entry for entry in sheet.outputs[0].entries}
    assert [one.words for one in rows["High-pass"].figures][:2] == ["Butterworth", "12 dB/oct"]
    assert rows["EQ 1"].where == "outputs[0].eq[1]"
    assert rows["EQ 1"].note == "EQ 2 in the preset"
    assert "EQ 2" not in rows
    # Later the band goes up: a high-pass that moves up, by the order of the changes.
    later = preset_of(output(band("high_pass", 0.7071, 80.0), PEAK))
    again = adapt(later, OLD)
    steps = changes_sheet(answer.arranged, sheet, again.arranged, device_sheet(later, again))
    titles = [block.name for block in steps.outputs]
    assert "High-passes in, or up" in titles


@pytest.mark.parametrize(
    "item",
    [
        output(band("high_pass", 0.9)),
        output(band("high_pass", 0.71)),
        output(band("high_pass", 0.7071, 5.0)),
        output(band("high_pass", 0.7071), locked=("high_pass",)),
        output(
            band("high_pass", 0.7071),
            high_pass=Crossover(family="bessel", slope_db_per_octave=12, frequency_hz=60.0),
        ),
    ],
)
def test_what_is_not_the_same_is_lost_and_said(item):
    answer = adapt(preset_of(item), OLD)
    assert [each.where for each in answer.outputs[0].cannot] == ["outputs[0].eq[0]"]
    assert not any("is entered as" in note for note in answer.notes)


def test_of_two_bands_one_finds_room():
    answer = adapt(preset_of(output(band("high_pass", 0.5), band("high_pass", 0.7071))), OLD)
    assert answer.preset.outputs[0].high_pass.family == "butterworth"
    assert [each.where for each in answer.outputs[0].cannot] == ["outputs[0].eq[0]"]


def test_where_the_equaliser_has_the_kind_it_moves_only_for_want_of_bands():
    eq = (band("high_pass", 0.7071), *(replace(PEAK, frequency_hz=100.0 * k) for k in range(1, 5)))
    assert adapt(preset_of(output(*eq)), GRAND).preset.outputs[0].high_pass is None
    few = replace(GRAND, eq=replace(GRAND.eq, bands_per_output=4, bands_per_input=0))
    answer = adapt(preset_of(output(*eq)), few)
    assert answer.preset.outputs[0].high_pass is not None
    assert answer.outputs[0].cannot == ()


def test_a_locked_equaliser_stays_locked_in_the_crossover():
    answer = adapt(preset_of(output(band("high_pass", 0.7071, 41.3), locked=("eq",))), OLD)
    (cannot,) = answer.outputs[0].cannot
    assert cannot.where == "outputs[0].high_pass"
    assert cannot.why.startswith("locked, but the processor's steps do not hold it")
