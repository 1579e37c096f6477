"""All-pass sections as part of an alignment: known answers, what they win, groups and locks."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from msgspec.structs import replace

from tests.design.rigs import crossover, rig, trace
from xover.design.alignment import align, apply_alignment
from xover.design.answer import Alignment
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import Group

CORNER_HZ, SHARPNESS = 95.0, 1.8


def second_order(frequency_hz: np.ndarray) -> np.ndarray:
    """(s² − s/Q + 1)/(s² + s/Q + 1), the analogue all-pass, written out."""
    s = 1j * frequency_hz / CORNER_HZ
    return np.asarray((s * s - s / SHARPNESS + 1.0) / (s * s + s / SHARPNESS + 1.0))


def first_order(frequency_hz: np.ndarray) -> np.ndarray:
    s = 1j * frequency_hz / CORNER_HZ
    return np.asarray((1.0 - s) / (1.0 + s))


def room(shape: Callable[[np.ndarray], np.ndarray] | None, **fields: object) -> Preset:
    """A wide overlap (first-order filters) whose top has an all-pass that the sub lacks."""
    gentle = crossover(100.0, "butterworth", 6)
    return rig(
        {"Row 8": trace(20.0)},
        {"Row 8": trace(20.0, shape=shape)},
        sub_filter=gentle,
        top_filter=replace(gentle, family="butterworth"),
        **fields,
    )


def solve(preset: Preset, **options: object) -> Alignment:
    arguments: dict[str, object] = {"move": ["Sub"], "to": "Top", "listeners": ["Row 8"]}
    return align(preset, **{"all_pass": True, **arguments, **options})  # type: ignore[arg-type]


@pytest.mark.parametrize("criterion", ["mean", "energy"])
def test_an_all_pass_that_one_side_lacks_is_found(criterion: str) -> None:
    """With the same section on both sides the pair is what its own filters make of it."""
    preset = room(second_order)
    plain = solve(preset, all_pass=False, criterion=criterion)
    answer = solve(preset, criterion=criterion)
    bare = solve(room(None), all_pass=False, criterion=criterion)
    (result,) = answer.results
    assert result.all_pass is not None
    assert answer.loss_db <= bare.loss_db + 0.11  # near ties may be up to 0.1 dB off the best
    assert result.all_pass.buys_db == pytest.approx(plain.loss_db - answer.loss_db)
    assert result.all_pass.buys_db > 0.3
    assert result.all_pass.loss_after_db == pytest.approx(plain.results[0].loss_after_db)
    assert result.all_pass.delay_ms == pytest.approx(plain.results[0].delay_ms)
    assert result.loss_before_db == pytest.approx(plain.results[0].loss_before_db)


def test_what_is_applied_loses_what_was_said() -> None:
    preset = room(second_order)
    answer = solve(preset)
    applied = apply_alignment(preset, answer)
    section = applied.output("Sub").eq[-1]
    assert section.kind == "all_pass"
    assert answer.results[0].all_pass is not None
    assert section == answer.results[0].all_pass.section
    now = solve(applied, all_pass=False, max_delay_ms=0.0, keep_polarity=True).results[0]
    assert now.loss_before_db == pytest.approx(answer.results[0].loss_after_db, abs=1e-4)
    assert applied.output("Top").eq == ()


def test_the_first_order_is_taken_where_the_second_wins_no_more() -> None:
    found = solve(room(first_order)).results[0].all_pass
    if found is not None:
        assert found.section.effective_order == 1 or found.buys_db > 0.05


def test_where_nothing_is_won_nothing_is_added() -> None:
    preset = rig({"Row 8": trace(20.0)}, {"Row 8": trace(23.5)})
    answer = solve(preset)
    assert answer.sections == {}
    assert answer.results[0].all_pass is None
    assert any("no all-pass on “Sub” would win 0.05 dB" in note for note in answer.notes)
    assert answer.results[0].delay_ms == pytest.approx(3.5, abs=1e-3)


def test_an_eq_group_gets_the_section_whole() -> None:
    preset = room(
        second_order, groups=(Group(name="Lows", outputs=("Sub", "Fill"), follow=("eq",)),)
    )
    applied = apply_alignment(preset, solve(preset))
    assert applied.output("Fill").eq == applied.output("Sub").eq
    assert len(applied.output("Fill").eq) == 1


@pytest.mark.parametrize(
    ("group", "locked", "sentence"),
    [
        ((), ("eq",), "the EQ of “Sub” is locked"),
        (("Sub", "Top"), (), "one group that follows EQ"),
    ],
)
def test_where_no_section_may_be_added(
    group: tuple[str, ...], locked: tuple[str, ...], sentence: str
) -> None:
    groups = (Group(name="Both", outputs=group, follow=("eq",)),) if group else ()
    preset = room(second_order, groups=groups)
    sub = replace(preset.outputs[0], locked=locked)  # type: ignore[arg-type]
    preset = replace(preset, outputs=(sub, *preset.outputs[1:]))
    with pytest.raises(Refused, match=sentence):
        solve(preset)
