"""The one chain behind `xover verify` and the workbench: inputs, places, what it refuses."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from msgspec.structs import replace
from scipy.signal import bilinear, lfilter

import xover
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import EqSection
from xover.session import processors
from xover.session.verifying import Capture, Reading, driver_of, drivers, outputs_of, verify

FERRY = "Old Ferry 2×6 (invented)"
RATE_HZ = 48_000


def hall() -> Preset:
    return xover.load(xover.default_example())


def fed(preset: Preset, name: str, inputs: dict[str, float]) -> Preset:
    outputs = tuple(
        replace(item, inputs=inputs) if item.name == name else item for item in preset.outputs
    )
    return replace(preset, outputs=outputs)


def test_the_driving_input_is_the_only_one_or_the_one_named() -> None:
    preset = fed(hall(), "Sub", {"Left": 0.0, "Right": 0.0})
    assert drivers(preset) == ("Left", "Right")
    assert driver_of(preset, "Top L", (), how="here") == "Left"
    assert driver_of(preset, "Sub", ("aux", "right"), how="here") == "Right"
    with pytest.raises(Refused, match="fed by “Left”, “Right”; name the one that carried"):
        driver_of(preset, "Sub", (), how="here")
    with pytest.raises(Refused, match="“Sub” is not fed by “Aux”"):
        driver_of(preset, "Sub", ("Aux",), how="here")
    with pytest.raises(Refused, match="fed by no input"):
        driver_of(fed(preset, "Sub", {}), "Sub", (), how="here")
    assert drivers(hall()) == ()


def test_outputs_that_are_muted_or_not_fed_cannot_be_captured() -> None:
    preset = fed(hall(), "Sub", {})
    top, *_ = (item for item in preset.outputs if item.name == "Top R")
    outputs = tuple(replace(item, muted=True) if item is top else item for item in preset.outputs)
    names = outputs_of(replace(preset, outputs=outputs))
    assert "Sub" not in names
    assert "Top R" not in names
    assert "Top L" in names


def test_bands_are_named_by_their_places_in_the_preset(tmp_path: Path) -> None:
    """The Old Ferry has no all-pass: its first band is the preset's second, and is called so."""
    peak = EqSection(kind="peak", frequency_hz=1_000.0, gain_db=6.0, q=1.41)
    eq = (EqSection(kind="all_pass", frequency_hz=400.0, q=0.7), peak)
    base = hall()
    output = replace(base.output("Top L"), eq=eq, high_pass=None, low_pass=None)
    preset = replace(base, groups=(), inputs=base.inputs, outputs=(output,), sources=())
    profile = processors.profile_named(FERRY)
    assert profile is not None
    # The peak with its gain turned, by the cookbook's formulas and scipy's filter; no all-pass.
    w, a = 2.0 * np.pi * 1_000.0 / RATE_HZ, 10.0 ** (-6.0 / 40.0)
    alpha = np.sin(w) / (2.0 * 1.41)
    b = [1.0 + alpha * a, -2.0 * np.cos(w), 1.0 - alpha * a]
    impulse = np.zeros(RATE_HZ)
    impulse[100] = 0.5
    samples = lfilter(b, [1.0 + alpha / a, -2.0 * np.cos(w), 1.0 - alpha / a], impulse)
    samples += 1e-7 * np.random.default_rng(1).standard_normal(samples.size)
    soundfile.write(tmp_path / "top.wav", samples, RATE_HZ, subtype="DOUBLE")
    capture = Capture("Top L", str(tmp_path / "top.wav"), "Left")
    (one,) = verify(preset, profile, [capture])
    assert [slip.where for slip in one.explanations[0].slips] == ["outputs[0].eq[1].gain_db"]
    assert (
        one.explanations[0]
        .slips[0]
        .sentence.startswith("Top L, EQ 2 (EQ 1 on the processor) gain: meant +6")
    )


def test_a_shelf_typed_in_the_other_order_is_named(tmp_path: Path) -> None:
    """The prototype (A²s + A)/(s + A) of the format's page, by scipy's bilinear transform."""
    shelf = EqSection(kind="high_shelf", frequency_hz=2_000.0, gain_db=6.0, q=0.7071)
    base = hall()
    output = replace(base.output("Top L"), eq=(shelf,), high_pass=None, low_pass=None)
    preset = replace(base, groups=(), outputs=(output,), sources=())
    a, rate = 10.0 ** (6.0 / 40.0), 2.0 * RATE_HZ * np.tan(np.pi * 2_000.0 / RATE_HZ)
    b, den = bilinear([a * a, a * rate], [1.0, a * rate], fs=RATE_HZ)
    impulse = np.zeros(RATE_HZ // 2)
    impulse[100] = 0.5
    samples = lfilter(b, den, impulse)
    samples += 1e-7 * np.random.default_rng(1).standard_normal(samples.size)
    soundfile.write(tmp_path / "top.wav", samples, RATE_HZ, subtype="DOUBLE")
    capture = Capture("Top L", str(tmp_path / "top.wav"), "Left")
    (one,) = verify(preset, None, [capture])
    assert one.explanations[0].slips[0].sentence == "Top L, EQ 1 order: meant 2, looks like 1"


def test_what_cannot_be_asked() -> None:
    capture = Capture("Sub", "nowhere.wav", "Aux")
    with pytest.raises(Refused, match="named twice"):
        verify(hall(), None, [capture, capture])
    with pytest.raises(Refused, match="belongs to --sweep"):
        verify(hall(), None, [capture], reading=Reading(time_zero="file"))
    with pytest.raises(Refused, match="there is no such file"):
        verify(hall(), None, [capture])
