"""Hints at other crossover filters: their figures hold, locks and boxes are respected."""

from __future__ import annotations

import msgspec
import pytest
from msgspec.structs import replace

from tests.design.rigs import crossover, rig, trace
from xover.design.alignment import align
from xover.design.answer import Alignment
from xover.model.preset import Preset
from xover.model.rig import Loudspeaker, Power, Source


def uneven() -> Preset:
    """The rows want delays 3.5 ms apart: lower corners make less of that than any delay can."""
    return rig(
        {"Front": trace(20.0), "Back": trace(40.0)},
        {"Front": trace(20.5), "Back": trace(44.0)},
        sub_filter=crossover(120.0, "linkwitz-riley", 24),
        top_filter=crossover(100.0, "butterworth", 12),
    )


def solve(preset: Preset, **options: object) -> Alignment:
    arguments: dict[str, object] = {
        "move": ["Sub"],
        "to": "Top",
        "listeners": [item.name for item in preset.listeners],
    }
    return align(preset, **{**arguments, **options})  # type: ignore[arg-type]


def taken(preset: Preset, changes: tuple[tuple[str, float | str, float | str], ...]) -> Preset:
    """The preset with the changes written in as a user would, field after field."""
    document = msgspec.to_builtins(preset)
    for where, before, after in changes:
        place, stage, field = where.split(".")
        item = document["outputs"][int(place[8:-1])][stage]
        assert item[field] == before
        item[field] = after
    return msgspec.convert(document, Preset)


def test_a_hint_holds_when_it_is_taken() -> None:
    preset = uneven()
    answer = solve(preset)
    assert answer.hints
    for hint in answer.hints:
        assert hint.instead_of_db == pytest.approx(answer.loss_db, abs=0.1)  # near ties
        assert hint.loss_db <= hint.instead_of_db - 0.3
        better = solve(taken(preset, hint.changes))
        assert better.loss_db == pytest.approx(hint.loss_db, abs=0.1)
        assert f"would lose {hint.loss_db:.2f} dB instead of {hint.instead_of_db:.2f} dB" in (
            hint.sentence
        )


def test_nothing_is_said_where_delay_alone_does() -> None:
    assert solve(rig({"Row 8": trace(20.0)}, {"Row 8": trace(23.5)})).hints == ()


def test_locked_filters_stay() -> None:
    preset = uneven()
    for index, stage in ((0, "low_pass"), (1, "high_pass")):
        outputs = list(preset.outputs)
        outputs[index] = replace(outputs[index], locked=(stage,))  # type: ignore[arg-type]
        for hint in solve(replace(preset, outputs=tuple(outputs))).hints:
            assert not any(stage in where for where, _, _ in hint.changes)
    outputs = [
        replace(preset.outputs[0], locked=("low_pass",)),
        replace(preset.outputs[1], locked=("high_pass",)),
        preset.outputs[2],
    ]
    assert solve(replace(preset, outputs=tuple(outputs))).hints == ()


def test_a_locked_polarity_is_not_turned_by_a_hint() -> None:
    """Filters that sum only with one side turned over are not offered where none may turn."""
    preset = uneven()
    locked = replace(preset.outputs[0], locked=("polarity",))
    preset = replace(preset, outputs=(locked, *preset.outputs[1:]))
    for hint in solve(preset).hints:
        better = solve(taken(preset, hint.changes))
        assert not better.results[0].inverted
        assert better.loss_db == pytest.approx(hint.loss_db, abs=0.1)


def test_a_box_is_not_sent_below_its_range() -> None:
    preset = uneven()
    power = Power(continuous=300.0)
    preset = replace(
        preset,
        loudspeakers=(
            Loudspeaker(
                name="Box", passband_hz=(100.0, 18_000.0), impedance_ohm=8.0, power_w=power
            ),
        ),
        sources=(Source(name="T", output="Top", loudspeaker="Box", position_m=(3.0, 0.0, 3.0)),),
    )
    for hint in solve(preset).hints:
        for where, before, after in hint.changes:
            if where.endswith("high_pass.frequency_hz"):
                assert after > before  # type: ignore[operator]


def test_asking_more_of_a_box_is_said() -> None:
    for hint in solve(uneven()).hints:
        gentler = any(
            "high_pass" in where and isinstance(after, float | int) and after < before  # type: ignore[operator]
            for where, before, after in hint.changes
        )
        assert gentler == ("check what its boxes bear" in hint.sentence)
