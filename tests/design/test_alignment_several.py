"""Several listeners with weights, several movers at once, and what they are refused for."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from tests.design.rigs import BOXES, SOURCES, crossover, rig, three_ways, trace
from xover.design.alignment import align, apply_alignment
from xover.design.answer import Alignment
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import EqSection, Group, Output
from xover.model.rig import Listener, Measurement


def solve(preset: Preset, **options: object) -> Alignment:
    arguments: dict[str, object] = {
        "move": ["Sub"],
        "to": "Top",
        "listeners": [item.name for item in preset.listeners],
    }
    return align(preset, **{**arguments, **options})  # type: ignore[arg-type]


# Weights of listeners


def two_rows() -> Preset:
    """The best delay is 1 ms in the front and 3 ms at the back."""
    return rig(
        {"Front": trace(20.0), "Back": trace(40.0)}, {"Front": trace(21.0), "Back": trace(43.0)}
    )


def test_a_weight_draws_the_answer_to_its_listener() -> None:
    even = solve(two_rows()).results[0].relative_delay_ms
    assert even == pytest.approx(2.0, abs=0.05)
    before = even
    for weight in (2.0, 5.0, 50.0):
        answer = solve(two_rows(), weights={"Back": weight})
        assert answer.weights == {"Front": 1.0, "Back": weight}
        assert before < answer.results[0].relative_delay_ms <= 3.0
        before = answer.results[0].relative_delay_ms
    alone = solve(two_rows(), weights={"Front": 0.0}).results[0]
    assert alone.relative_delay_ms == pytest.approx(3.0, abs=1e-3)
    assert alone.loss_after_db["Back"] == pytest.approx(0.0, abs=1e-3)
    assert alone.loss_after_db["Front"] is not None  # shown, but it does not count
    assert alone.loss_after_db["Front"] > 1.0


def test_twice_the_weight_is_the_listener_named_twice() -> None:
    # Two listeners with one capture are one listener of weight 2: the definition of a mean.
    twice = rig(
        {"Front": trace(20.0), "Back": trace(40.0), "Back too": trace(40.0)},
        {"Front": trace(21.0), "Back": trace(43.0), "Back too": trace(43.0)},
    )
    for criterion in ("mean", "energy"):
        weighed = solve(two_rows(), weights={"Back": 2.0}, criterion=criterion).results[0]
        doubled = solve(twice, criterion=criterion).results[0]
        assert weighed.relative_delay_ms == pytest.approx(doubled.relative_delay_ms, abs=1e-4)


def test_the_worst_weighs_the_losses() -> None:
    answer = solve(two_rows(), weights={"Back": 2.0}, criterion="worst", keep_polarity=True)
    losses = answer.results[0].loss_after_db
    assert losses["Front"] == pytest.approx(2.0 * losses["Back"], abs=1e-3)  # type: ignore[operator]


@pytest.mark.parametrize(
    ("weights", "sentence"),
    [
        ({"Nowhere": 1.0}, "has a weight but is not among the listeners"),
        ({"Front": -1.0}, "between 0 and 1000"),
        ({"Front": float("nan")}, "between 0 and 1000"),
        ({"Front": 0.0, "Back": 0.0}, "every listener has the weight 0"),
    ],
)
def test_senseless_weights_are_refused(weights: dict[str, float], sentence: str) -> None:
    with pytest.raises(Refused, match=sentence):
        solve(two_rows(), weights=weights)


# Several movers


LOOSE_S = 2.0 * np.sqrt(2.0) / (2.0 * np.pi)
"""Phase delay of a 24 dB per octave Linkwitz-Riley low-pass far below a corner of 1 Hz, 2·√2/ω₀
from the first-order terms of its four poles; the high-pass far above leads by that times (ω₀/ω)²
(closed forms)."""
MID_LATE_MS = LOOSE_S / 1000.0 * 1e3
MID_EARLY_MS = LOOSE_S / 100.0 * (100.0 / 1000.0) ** 2 * 1e3
"""The mid's low-pass at 1 kHz delays it at 100 Hz, its high-pass at 100 Hz leads at 1 kHz."""


def chain(**options: object) -> tuple[Preset, Alignment]:
    preset = three_ways(
        {"Row 8": (20.0, 23.0, 26.5), "Row 9": (23.0, 26.0, 29.5)}, inverted=(True, False, False)
    )
    return preset, solve(preset, **{"move": ["Mid", "Sub"], **options})


def test_a_chain_is_solved_through_the_middle() -> None:
    """The sub does not overlap with the top, but with the mid, which moves as well.

    The mid's far filters delay it a little where it meets a neighbour, see `MID_LATE_MS`.
    """
    preset, answer = chain()
    mid, sub = answer.results
    assert mid.relative_delay_ms == pytest.approx(3.5 + MID_EARLY_MS, abs=4e-3)
    assert sub.relative_delay_ms == pytest.approx(6.5 + MID_EARLY_MS + MID_LATE_MS, abs=8e-3)
    assert (mid.polarity, sub.polarity) == ("normal", "inverted")
    assert answer.loss_db == pytest.approx(0.0, abs=0.01)
    assert set(sub.basis) == {"Top", "Mid", "Sub"}
    assert {curve.partner for curve in sub.loss_curves} == {"Mid"}
    assert {curve.partner for curve in mid.loss_curves} == {"Top", "Sub"}
    assert answer.settings["Sub"].delay_ms == pytest.approx(sub.delay_ms, abs=1e-4)
    assert answer.settings["Top"].delay_ms == 0.0
    again = solve(apply_alignment(preset, answer), move=["Mid", "Sub"])
    assert all(abs(one.relative_delay_ms) < 2e-3 for one in again.results)
    assert not any(one.inverted for one in again.results)


def test_the_order_of_naming_changes_nothing() -> None:
    _, one = chain()
    _, two = chain(move=["Sub", "Mid"])
    assert one.loss_db == pytest.approx(two.loss_db, abs=1e-9)
    for first, second in zip(one.results, reversed(two.results), strict=True):
        assert first.move == second.move
        assert first.relative_delay_ms == pytest.approx(second.relative_delay_ms, abs=1e-5)
        assert first.polarity == second.polarity


def test_movers_earlier_and_later_leave_no_negative_delay() -> None:
    preset = three_ways({"Row 8": (30.0, 23.0, 26.5)}, inverted=(False, True, False))
    answer = solve(preset, move=["Mid", "Sub"])
    mid, sub = answer.results
    assert mid.relative_delay_ms == pytest.approx(3.5 + MID_EARLY_MS, abs=4e-3)
    assert sub.relative_delay_ms == pytest.approx(-3.5 + MID_EARLY_MS + MID_LATE_MS, abs=8e-3)
    assert (mid.delayed_output, sub.delayed_output) == ("Mid", "Top")
    settings = answer.settings
    assert settings["Sub"].delay_ms == 0.0
    assert settings["Top"].delay_ms == pytest.approx(sub.delay_ms, abs=1e-4)
    assert settings["Mid"].delay_ms == pytest.approx(mid.delay_ms + sub.delay_ms, abs=2e-4)
    assert any("everything else is delayed" in note for note in answer.notes)


def test_movers_that_meet_the_reference_alone_are_as_if_moved_alone() -> None:
    preset = three_ways({"Row 8": (20.0, 23.0, 26.5)}, inverted=(False, False, False))
    together = solve(preset, move=["Sub", "Top"], to="Mid").results
    for result in together:
        alone = solve(preset, move=[result.move], to="Mid").results[0]
        assert result.relative_delay_ms == pytest.approx(alone.relative_delay_ms, abs=1e-3)
        assert result.polarity == alone.polarity


def test_a_group_is_one_mover() -> None:
    preset = three_ways({"Row 8": (20.0, 23.0, 26.5)}, inverted=(True, True, False))
    preset = replace(
        preset,
        groups=(Group(name="Lows", outputs=("Sub", "Mid"), follow=("delay", "polarity")),),
    )
    mid, sub = solve(preset, move=["Mid", "Sub"]).results
    assert mid.relative_delay_ms == sub.relative_delay_ms
    assert mid.inverted
    assert sub.inverted
    # What the group holds between them cannot change and does not count.
    assert mid.loss_after_db["Row 8"] == pytest.approx(0.0, abs=0.02)
    assert sub.loss_after_db == {"Row 8": None}


def test_a_polarity_shared_with_the_reference_stays() -> None:
    preset = rig(
        {"Row 8": trace(20.0, inverted=True)},
        {"Row 8": trace(23.5)},
        groups=(Group(name="Both", outputs=("Sub", "Top"), follow=("polarity",)),),
    )
    result = solve(preset).results[0]
    assert not result.inverted
    assert any("only the delay was sought" in note for note in result.notes)


def test_runners_up_are_settings_of_all_and_can_be_entered() -> None:
    _, answer = chain()
    assert answer.runners_up
    losses = [entry.loss_db for entry in answer.runners_up]
    assert losses == sorted(losses)
    assert losses[0] > answer.loss_db
    # Within 1 dB of the best for the sum over the pairs, two for a listener here.
    assert all(2.0 * (loss - answer.loss_db) <= 1.0 for loss in losses[1:])
    for index, result in enumerate(answer.results):
        shares = [entry.parts[index].relative_delay_ms for entry in answer.runners_up]
        listed = [
            entry.delay_ms if entry.delayed_output == result.move else -entry.delay_ms
            for entry in result.alternatives
        ]
        assert listed == shares


@pytest.mark.parametrize("all_pass", [False, True])
def test_what_is_applied_to_several_loses_what_was_said(all_pass: bool) -> None:
    preset = three_ways(
        {"Row 8": (20.0, 23.0, 26.5), "Row 9": (23.3, 26.0, 29.2)}, inverted=(True, False, True)
    )
    for name, peak_hz in (("Sub", 90.0), ("Top", 1100.0)):  # phase that no delay makes good
        section = EqSection(kind="all_pass", frequency_hz=peak_hz, q=2.5)
        outputs = [replace(o, eq=(section,)) if o.name == name else o for o in preset.outputs]
        preset = replace(preset, outputs=tuple(outputs))
    answer = solve(preset, move=["Mid", "Sub"], all_pass=all_pass)
    assert (len(answer.sections) > 0) == all_pass
    applied = apply_alignment(preset, answer)
    now = solve(applied, move=["Mid", "Sub"], max_delay_ms=0.0, keep_polarity=True)
    for then, here in zip(answer.results, now.results, strict=True):
        assert here.loss_before_db == pytest.approx(then.loss_after_db, abs=2e-3)
        assert (then.all_pass is not None) == (then.move in answer.sections)
    plain = solve(preset, move=["Mid", "Sub"])
    assert answer.loss_db <= plain.loss_db + 1e-9


def test_the_others_are_held_when_one_drifts() -> None:
    """Two partners above and below: the tolerance is that of the more delicate one, as a mean."""
    _, answer = chain()
    mid, sub = answer.results
    assert sub.tolerance_ms[0] is not None
    assert mid.tolerance_ms[0] is not None
    assert mid.tolerance_ms[0] < 0.3 < sub.tolerance_ms[0]


def test_left_and_right_do_not_count_against_each_other() -> None:
    preset = rig({"Row 8": trace(20.0)}, {"Row 8": trace(23.5)})
    left, right = preset.outputs[1], replace(preset.outputs[1], name="Right")
    preset = replace(
        preset,
        outputs=(preset.outputs[0], left, right),
        measurements=(
            *preset.measurements,
            Measurement(output="Right", listener="Row 8", trace=trace(25.0), captured="flat"),
        ),
    )
    answer = solve(preset, move=["Top", "Right"], to="Sub")
    assert [one.relative_delay_ms for one in answer.results] == pytest.approx(
        [-3.5, -5.0], abs=2e-3
    )
    assert any("play the same range" in note for note in answer.results[0].notes)
    with pytest.raises(Refused, match="xover distance"):
        solve(preset, move=["Sub", "Right"], to="Top")


def test_what_hangs_on_nothing_is_refused() -> None:
    preset = three_ways({"Row 8": (20.0, 23.0, 26.5)}, inverted=(False, False, False))
    with pytest.raises(Refused, match="do not overlap at “Row 8”"):
        solve(preset, move=["Sub"])
    fourth = replace(
        preset,
        outputs=(
            *preset.outputs,
            Output(name="Rumble", inputs={"Main": 0.0}, low_pass=crossover(25.0, slope=48)),
        ),
        measurements=(
            *preset.measurements,
            Measurement(output="Rumble", listener="Row 8", trace=trace(9.0), captured="flat"),
        ),
    )
    with pytest.raises(
        Refused, match="“Rumble” overlaps with “Top” at none of the listeners that count"
    ):
        solve(fourth, move=["Mid", "Rumble"])
    with pytest.raises(Refused, match="too many to solve together"):
        align(preset, move=[f"O{k}" for k in range(9)], to="Top", listeners=["Row 8"])


def test_a_mover_heard_only_where_nothing_counts_is_refused() -> None:
    preset = three_ways(
        {"Row 8": (20.0, 23.0, 26.5), "Side": (20.0, 23.0, 26.5)}, inverted=(False, False, False)
    )
    muffled = trace(20.0, gain_db=-60.0)
    preset = replace(
        preset,
        measurements=tuple(
            replace(item, trace=muffled)
            if (item.output, item.listener) == ("Sub", "Row 8")
            else item
            for item in preset.measurements
        ),
    )
    both = solve(preset, move=["Mid", "Sub"])
    assert both.results[1].loss_after_db["Row 8"] is None
    assert both.results[1].loss_after_db["Side"] is not None
    with pytest.raises(Refused, match="“Sub” overlaps with “Top” at none of the listeners that"):
        solve(preset, move=["Mid", "Sub"], weights={"Side": 0.0})


def test_a_delay_beyond_what_can_be_entered_is_refused() -> None:
    preset = rig({"Row 8": trace(20.0)}, {"Row 8": trace(23.5)})
    preset = replace(preset, outputs=(replace(preset.outputs[0], delay_ms=9_999.0),
                                      *preset.outputs[1:]))  # fmt: skip
    preset = replace(
        preset,
        measurements=(
            replace(preset.measurements[0], trace=trace(-9_978.0)),
            preset.measurements[1],
        ),
    )
    with pytest.raises(Refused, match=r"would need 10001\.\d+ ms of delay, the limit is 10000 ms"):
        solve(preset)


# Computed parts, places


def computed(positions_m: dict[str, tuple[float, float, float]]) -> Preset:
    preset = rig({}, {})
    return replace(
        preset,
        outputs=preset.outputs[:2],
        listeners=tuple(Listener(name=n, position_m=p) for n, p in positions_m.items()),
        loudspeakers=BOXES,
        sources=SOURCES,
    )


def test_a_listener_inside_a_box_is_refused() -> None:
    preset = computed({"Row 8": (0.0, 10.0, 1.2), "On the sub": (0.0, 1.05, 0.42)})
    with pytest.raises(Refused, match="“On the sub” is inside a box: the source “S”") as caught:
        solve(preset)
    assert caught.value.faults[0].where == "listeners[1].position_m"


def test_one_point_under_two_names_is_refused() -> None:
    preset = computed({"Row 8": (0.0, 10.0, 1.2), "Again": (0.0, 10.0, 1.2)})
    with pytest.raises(Refused, match="are the same point, so it would count twice"):
        solve(preset)


def test_captures_at_some_listeners_only_have_to_be_accepted() -> None:
    preset = computed({"Row 8": (0.0, 10.0, 1.2), "Row 9": (0.0, 11.0, 1.2)})
    preset = replace(
        preset,
        measurements=tuple(
            Measurement(output=name, listener="Row 8", trace=trace(20.0), captured="flat")
            for name in ("Sub", "Top")
        ),
    )
    with pytest.raises(Refused, match="“Top” is measured at “Row 8” but only computed at “Row 9”"):
        solve(preset)
    result = solve(preset, mixed=True).results[0]
    assert result.basis == {"Top": "mixed", "Sub": "mixed"}
    assert result.basis_at == {
        "Row 8": {"Top": "measured", "Sub": "measured"},
        "Row 9": {"Top": "model", "Sub": "model"},
    }
    assert result.spread_ms is not None


def test_how_far_a_listener_may_move_is_where_a_decibel_more_is_lost() -> None:
    """Moved that far, the answer's own loss there is 1 dB more; levels change little over it."""
    preset = computed({"Row 8": (0.5, 10.0, 1.2)})
    answer = solve(preset)
    result = answer.results[0]
    assert result.tolerance_movement_m is not None
    far = result.tolerance_movement_m["Row 8"]
    assert far["x"] is not None
    applied = apply_alignment(preset, answer)
    losses = []
    for way in (-1.0, 1.0):
        place = (0.5 + way * far["x"], 10.0, 1.2)
        moved = replace(applied, listeners=(Listener(name="Row 8", position_m=place),))
        losses.append(solve(moved, max_delay_ms=0.0, keep_polarity=True).results[0])
    grown = max(one.loss_before_db["Row 8"] or 0.0 for one in losses)
    assert grown - (result.loss_after_db["Row 8"] or 0.0) == pytest.approx(1.0, abs=0.1)


def test_captures_without_places_say_so() -> None:
    result = solve(rig({"Row 8": trace(20.0)}, {"Row 8": trace(23.5)})).results[0]
    assert result.tolerance_movement_m is None
    assert result.tolerance_c is None
    assert any("how far a listener may move cannot be told" in note for note in result.notes)


def test_the_loss_against_frequency_averages_to_the_loss() -> None:
    result = solve(two_rows()).results[0]
    assert [curve.listener for curve in result.loss_curves] == ["Front", "Back"]
    for curve in result.loss_curves:
        # The points are even steps in log frequency, so the plain mean is that over log frequency.
        assert np.mean(curve.loss_before_db) == pytest.approx(result.loss_before_db[curve.listener])
        assert np.mean(curve.loss_after_db) == pytest.approx(result.loss_after_db[curve.listener])
        assert np.all(np.diff(curve.frequency_hz) > 0.0)


# Rooms with known answers


@settings(max_examples=6, deadline=None, phases=(Phase.explicit, Phase.reuse, Phase.generate))
@given(
    late_ms=st.floats(-24.0, 24.0),
    turned=st.booleans(),
    flights_ms=st.lists(st.floats(5.0, 60.0), min_size=1, max_size=9),
    slope=st.sampled_from([12, 24, 48]),
    seed=st.integers(0, 2**31),
)
def test_a_known_room_comes_back(
    late_ms: float, turned: bool, flights_ms: list[float], slope: int, seed: int
) -> None:
    """A sub late by one figure everywhere, perhaps miswired, captured with some noise."""
    rng = np.random.default_rng(seed)

    def noisy(frequency_hz: np.ndarray) -> np.ndarray:
        rough = rng.normal(size=(frequency_hz.size, 2)) @ np.array([1.0, 1.0j])
        return np.asarray(1.0 + 0.02 * rough)

    flights = {f"Row {k}": flight for k, flight in enumerate(flights_ms)}
    preset = rig(
        {
            name: trace(30.0 + flight + late_ms, inverted=turned, shape=noisy)
            for name, flight in flights.items()
        },
        {name: trace(30.0 + flight, shape=noisy) for name, flight in flights.items()},
        sub_filter=crossover(100.0, slope=slope),
        top_filter=crossover(100.0, slope=slope),
    )
    result = solve(preset).results[0]
    # Order 2 has its sides half a turn apart at the corner: one of them wants turning over.
    assert result.inverted == (turned != (slope == 12))
    assert result.relative_delay_ms == pytest.approx(-late_ms, abs=0.1)
    assert max(value or 0.0 for value in result.loss_after_db.values()) < 0.1
