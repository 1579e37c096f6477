"""Alignment on presets: known answers, refusals, groups, and the choice between near ties."""

from __future__ import annotations

import numpy as np
import pytest
from msgspec.structs import replace

from tests.design.rigs import BOXES, SOURCES, crossover, rig, trace
from xover.design.alignment import align, apply_alignment
from xover.design.answer import Alignment
from xover.model.drive import drive_of
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import Group, Input
from xover.model.rig import CapturedSettings, Trace


def solve(preset: Preset, **options: object) -> Alignment:
    arguments: dict[str, object] = {
        "move": ["Sub"],
        "to": "Top",
        "listeners": [item.name for item in preset.listeners],
    }
    return align(preset, **{**arguments, **options})  # type: ignore[arg-type]


def test_a_late_top_is_met_by_delaying_the_sub() -> None:
    preset = rig({"Row 8": trace(20.0)}, {"Row 8": trace(23.5)})
    answer = solve(preset)
    result = answer.results[0]
    assert result.delayed_output == "Sub"
    assert result.delay_ms == pytest.approx(3.5, abs=0.001)
    assert result.polarity == "normal"
    assert result.loss_after_db["Row 8"] == pytest.approx(0.0, abs=1e-3)
    assert result.loss_before_db["Row 8"] > 3.0
    assert result.basis == {"Sub": "measured", "Top": "measured"}
    assert not result.ambiguous
    assert answer.settings["Sub"].delay_ms == pytest.approx(3.5, abs=0.001)
    assert answer.settings["Top"].delay_ms == 0.0
    # −20 dB of an LR4 branch pair and the 10 dB rule bound the overlap: |LP/HP| = (f/fc)^4, so
    # 10 dB is a factor 10^(1/8) of frequency either side (closed form).
    low, high = result.bands_hz[0]
    assert low == pytest.approx(100.0 / 10**0.125, rel=0.02)
    assert high == pytest.approx(100.0 * 10**0.125, rel=0.02)


def test_a_late_sub_is_met_by_delaying_everything_else() -> None:
    preset = rig({"Row 8": trace(23.5, inverted=True)}, {"Row 8": trace(20.0)})
    answer = solve(preset)
    result = answer.results[0]
    assert result.delayed_output == "Top"
    assert result.delay_ms == pytest.approx(3.5, abs=0.001)
    assert result.polarity == "inverted"
    assert answer.settings["Top"].delay_ms == pytest.approx(3.5, abs=0.001)
    assert answer.settings["Fill"].delay_ms == pytest.approx(10.5, abs=0.001)
    assert answer.settings["Sub"].delay_ms == 0.0
    assert "everything else is delayed" in answer.notes[0]
    again = solve(apply_alignment(preset, answer)).results[0]
    assert again.delay_ms == pytest.approx(0.0, abs=0.001)
    assert again.polarity == "inverted"
    assert not again.inverted


def test_the_true_polarity_wins_over_the_near_half_cycle() -> None:
    # At 48 dB/oct the overlap is so narrow that the opposite polarity half a period away loses
    # only hundredths of a decibel more; group delay tells them apart.
    steep = crossover(100.0, "linkwitz-riley", 48)
    preset = rig({"Row 8": trace(20.0)}, {"Row 8": trace(20.0)}, sub_filter=steep, top_filter=steep)
    result = solve(preset).results[0]
    assert result.delay_ms == pytest.approx(0.0, abs=0.001)
    assert not result.inverted
    rival = result.alternatives[0]
    assert rival.polarity == "inverted"
    assert rival.delay_ms == pytest.approx(5.0, abs=0.3)
    assert rival.loss_after_db["Row 8"] < 0.5


def test_present_settings_count() -> None:
    preset = rig({"Row 8": trace(20.0)}, {"Row 8": trace(23.5)})
    preset = replace(
        preset,
        outputs=(
            replace(preset.outputs[0], delay_ms=2.0, polarity="inverted"),
            *preset.outputs[1:],
        ),
    )
    answer = solve(preset)
    assert answer.results[0].delay_ms == pytest.approx(1.5, abs=0.001)
    assert answer.results[0].polarity == "normal"
    assert answer.settings["Sub"].delay_ms == pytest.approx(3.5, abs=0.001)


def test_several_listeners_share_one_setting() -> None:
    preset = rig(
        {"Front": trace(20.0), "Back": trace(40.0)}, {"Front": trace(21.0), "Back": trace(43.0)}
    )
    result = solve(preset).results[0]
    assert result.delay_ms == pytest.approx(2.0, abs=0.05)
    assert result.loss_after_db["Front"] == pytest.approx(result.loss_after_db["Back"], abs=0.05)
    worst = solve(preset, criterion="worst").results[0]
    assert max(worst.loss_after_db.values()) <= max(result.loss_after_db.values()) + 1e-5


def test_a_group_that_follows_delay_moves_whole() -> None:
    preset = rig(
        {"Row 8": trace(20.0)},
        {"Row 8": trace(23.5)},
        groups=(Group(name="Lows", outputs=("Sub", "Fill"), follow=("delay",)),),
    )
    answer = solve(preset)
    assert answer.settings["Fill"].delay_ms == pytest.approx(10.5, abs=0.001)
    assert "moved along by their group: Fill" in answer.notes


def test_reference_and_mover_in_one_group_are_refused() -> None:
    preset = rig(
        {"Row 8": trace(20.0)},
        {"Row 8": trace(23.5)},
        groups=(Group(name="All", outputs=("Sub", "Top"), follow=("delay",)),),
    )
    with pytest.raises(Refused, match="one group that follows delay"):
        solve(preset)


@pytest.mark.parametrize(
    ("sub", "top", "sentence"),
    [
        ("evening", "afternoon", "different sessions"),
        (None, "evening", "name no session"),
        (None, None, "name no session"),
    ],
)
def test_sessions_must_be_one(sub: str | None, top: str | None, sentence: str) -> None:
    preset = rig({"Row 8": trace(20.0, session=sub)}, {"Row 8": trace(23.5, session=top)})
    with pytest.raises(Refused, match=sentence):
        solve(preset)
    trusted = solve(preset, assume_shared_zero=True).results[0]
    assert trusted.delay_ms == pytest.approx(3.5, abs=0.001)


def test_a_capture_with_unknown_settings_is_refused() -> None:
    preset = rig({"Row 8": trace(20.0)}, {"Row 8": trace(23.5)})
    preset = replace(
        preset,
        measurements=(replace(preset.measurements[0], captured="unknown"), preset.measurements[1]),
    )
    with pytest.raises(Refused, match="unknown"):
        solve(preset)


def test_a_capture_without_phase_is_refused() -> None:
    preset = rig({"Row 8": trace(20.0, phase=False)}, {"Row 8": trace(23.5)})
    with pytest.raises(Refused, match="no phase"):
        solve(preset)


def test_no_overlap_is_refused_with_the_reason() -> None:
    preset = rig(
        {"Row 8": trace(20.0)},
        {"Row 8": trace(20.0)},
        sub_filter=crossover(40.0, slope=48),
        top_filter=crossover(2000.0, slope=48),
    )
    with pytest.raises(Refused, match="do not overlap at “Row 8”"):
        solve(preset)


def test_captures_that_stop_before_the_crossover_are_sent_to_a_longer_sweep() -> None:
    """What is short here is the captures; the crossover frequencies have nothing to do with it."""
    low, high = trace(20.0), trace(20.0)
    below = [at for at, hz in enumerate(low.frequency_hz) if hz < 95.0]
    above = [at for at, hz in enumerate(low.frequency_hz) if hz > 105.0]

    def cut(whole: Trace, kept: list[int]) -> Trace:
        assert whole.phase_deg is not None
        return replace(
            whole,
            frequency_hz=tuple(whole.frequency_hz[at] for at in kept),
            magnitude_db=tuple(whole.magnitude_db[at] for at in kept),
            phase_deg=tuple(whole.phase_deg[at] for at in kept),
        )

    preset = rig({"Row 8": cut(low, below)}, {"Row 8": cut(high, above)})
    with pytest.raises(Refused, match=r"no frequency in common: .*--beyond 1") as caught:
        solve(preset)
    assert "check the crossover frequencies" not in str(caught.value)


def test_parts_that_play_the_same_range_are_sent_to_distance() -> None:
    preset = rig({"Row 8": trace(20.0)}, {"Row 8": trace(20.0)})
    preset = replace(
        preset, outputs=tuple(replace(o, low_pass=None, high_pass=None) for o in preset.outputs)
    )
    with pytest.raises(Refused, match="xover distance"):
        solve(preset)
    banded = solve(preset, band_hz=(80.0, 160.0)).results[0]
    assert banded.delay_ms == pytest.approx(0.0, abs=0.001)


def test_independent_inputs_cannot_be_aligned() -> None:
    preset = rig({"Row 8": trace(20.0)}, {"Row 8": trace(23.5)})
    preset = replace(
        preset,
        inputs=(Input(name="Main"), Input(name="Aux")),
        outputs=(replace(preset.outputs[0], inputs={"Aux": 0.0}), *preset.outputs[1:]),
    )
    with pytest.raises(Refused, match="nothing to align"):
        solve(preset, drive=drive_of(preset, uncorrelated=True))
    assert solve(preset).results[0].delay_ms == pytest.approx(3.5, abs=0.001)


def test_locked_delay_and_locked_polarity() -> None:
    preset = rig({"Row 8": trace(20.0, inverted=True)}, {"Row 8": trace(23.5)})
    locked = replace(
        preset, outputs=(replace(preset.outputs[0], locked=("polarity",)), *preset.outputs[1:])
    )
    result = solve(locked).results[0]
    assert not result.inverted
    assert "only its delay was sought" in " ".join(result.notes)
    locked = replace(
        preset, outputs=(replace(preset.outputs[0], locked=("delay",)), *preset.outputs[1:])
    )
    with pytest.raises(Refused, match="the delay of “Sub” is locked"):
        solve(locked)


def test_an_odd_order_pair_lists_its_quadrature_setting() -> None:
    # Third-order Butterworth: LP ± HP are both flat (algebraic identity of the two branches), but
    # in quadrature; a setting in phase is up to 3 dB louder at the corner.
    third = crossover(100.0, "butterworth", 18)
    preset = rig({"Row 8": trace(20.0)}, {"Row 8": trace(20.0)}, sub_filter=third, top_filter=third)
    result = solve(preset).results[0]
    flat = next(item for item in result.alternatives if item.kind == "quadrature")
    assert flat.delay_ms == pytest.approx(0.0, abs=0.01)
    # The polarity with the smaller group delay is the inverted one for order 3.
    assert flat.polarity == "inverted"
    # In quadrature |A|+|B| exceeds |A+B| by 3.01 dB where both are equal, less elsewhere.
    assert 2.0 < flat.loss_after_db["Row 8"] < 3.0103
    assert result.loss_after_db["Row 8"] < flat.loss_after_db["Row 8"]
    assert any("quadrature" in note for note in result.notes)


def test_even_orders_list_none() -> None:
    result = solve(rig({"Row 8": trace(20.0)}, {"Row 8": trace(20.0)})).results[0]
    assert all(item.kind == "candidate" for item in result.alternatives)


def modelled() -> Preset:
    preset = rig({"Row 8": trace(20.0)}, {"Row 8": trace(23.5)})
    return replace(
        preset,
        measurements=preset.measurements[1:],
        loudspeakers=BOXES,
        sources=SOURCES,
    )


def test_measured_against_model_needs_to_be_asked_for() -> None:
    with pytest.raises(Refused, match=r"only “Top” is measured|cannot be compared"):
        solve(modelled())


def test_models_give_starting_values_with_a_spread() -> None:
    preset = replace(modelled(), measurements=())
    result = solve(preset).results[0]
    assert result.basis == {"Sub": "model", "Top": "model"}
    assert result.spread_ms is not None
    low, high = result.spread_ms
    assert low <= result.relative_delay_ms - 1.0 + 1e-9
    assert high >= result.relative_delay_ms + 1.0 - 1e-9
    assert any("starting value" in note for note in result.notes)
    assert result.tolerance_c is not None


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({"move": []}, "at least one output"),
        ({"listeners": []}, "at least one listener"),
        ({"move": ["Top"]}, "moved and be the reference"),
        ({"move": ["Sub", "Sub"]}, "given twice"),
        ({"band_hz": (200.0, 100.0)}, "band"),
        ({"max_delay_ms": -1.0}, "largest delay"),
    ],
)
def test_senseless_requests_are_refused(options: dict[str, object], sentence: str) -> None:
    with pytest.raises(Refused, match=sentence):
        solve(rig({"Row 8": trace(20.0)}, {"Row 8": trace(20.0)}), **options)


@pytest.mark.parametrize(("corner_hz", "said"), [(100.0, False), (200.0, True)])
def test_doubtful_frequencies_are_told_where_they_cut_into_the_overlap(
    corner_hz: float, said: bool
) -> None:
    """The high-pass is 20 dB down at 9^(−1/4) of its corner: 58 Hz is outside, 115 Hz inside."""

    def filtered(frequency_hz: np.ndarray) -> np.ndarray:
        s = 1j * frequency_hz / corner_hz
        return np.asarray((s * s / (s * s + np.sqrt(2.0) * s + 1.0)) ** 2)

    preset = rig({"Row 8": trace(20.0)}, {"Row 8": trace(20.0, shape=filtered)})
    then = CapturedSettings(
        output=replace(preset.outputs[1], high_pass=crossover(corner_hz)), inputs=preset.inputs
    )
    sub, top = preset.measurements
    top = replace(top, captured="settings", captured_settings=then)
    result = solve(replace(preset, measurements=(sub, top))).results[0]
    assert any("doubtful there" in note for note in result.notes) == said
    assert (result.bands_hz[0][0] > 110.0) == said


def test_a_muted_part_is_refused() -> None:
    preset = rig({"Row 8": trace(20.0)}, {"Row 8": trace(20.0)})
    preset = replace(preset, outputs=(replace(preset.outputs[0], muted=True), *preset.outputs[1:]))
    with pytest.raises(Refused, match="muted"):
        solve(preset)
