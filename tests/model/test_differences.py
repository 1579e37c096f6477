"""Differences between presets: exact both ways, small for small edits, strict about bad values."""

from __future__ import annotations

import json
from collections.abc import Callable

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from msgspec import UNSET
from msgspec.structs import replace

from tests.strategies import everything, presets
from xover.files.preset_json import dumps
from xover.model.changes import rename_output, with_output
from xover.model.differences import (
    Change,
    checked_edit,
    differences,
    with_changes,
    with_value,
)
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import EqSection, Input, Output
from xover.model.rules import faults

PEAK = EqSection(kind="peak", frequency_hz=100.0, gain_db=-3.0, q=2.0)


def small(**fields: object) -> Preset:
    base = {
        "title": "t",
        "inputs": (Input(name="A"), Input(name="B")),
        "outputs": (Output(name="X", inputs={"A": 0.0}, eq=(PEAK,)), Output(name="Y")),
    }
    return Preset(**{**base, **fields})  # type: ignore[arg-type]


def through_json(changes: tuple[Change, ...]) -> list[Change]:
    return msgspec.json.decode(msgspec.json.encode(changes), type=list[Change])


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(presets(), presets())
def test_any_two_presets_and_the_way_between_them(first: Preset, second: Preset) -> None:
    changes = differences(first, second)
    assert dumps(with_changes(first, changes)) == dumps(second)
    assert dumps(with_changes(first, through_json(changes))) == dumps(second)
    assert bool(changes) == (dumps(first) != dumps(second))


def test_a_typed_value_is_one_change() -> None:
    before = small()
    after = with_output(before, "Y", delay_ms=3.5)
    assert differences(before, after) == (Change("outputs[1].delay_ms", 0.0, 3.5),)


def test_sections_put_in_and_taken_out_move_nothing_else() -> None:
    other = replace(PEAK, frequency_hz=400.0)
    before = small()
    after = with_output(before, "X", eq=(other, PEAK))
    assert differences(before, after) == (Change("outputs[0].eq[0]", new=other),)
    assert differences(after, before) == (Change("outputs[0].eq[0]", old=other),)


def test_the_order_of_routes_is_kept() -> None:
    before = small(outputs=(Output(name="X", inputs={"A": 0.0, "B": 0.0}),))
    after = small(outputs=(Output(name="X", inputs={"B": 0.0, "A": 0.0}),))
    assert before == after  # Python compares objects without order, a file does not
    there = with_changes(before, through_json(differences(before, after)))
    assert list(there.outputs[0].inputs) == ["B", "A"]


def test_a_kind_with_other_fields_is_changed_whole() -> None:
    before = small()
    notch = EqSection(kind="notch", frequency_hz=100.0, q=2.0)
    changes = differences(before, with_output(before, "X", eq=(notch,)))
    assert [change.where for change in changes] == ["outputs[0].eq[0]"]


def test_a_negative_zero_is_told_from_zero() -> None:
    before = small()
    after = with_output(before, "X", gain_db=-0.0)
    assert len(differences(before, after)) == 1


def test_changes_that_do_not_fit_are_refused() -> None:
    before = small()
    with pytest.raises(Refused, match="something else stands here"):
        with_changes(before, [Change("outputs[0].gain_db", 1.0, 2.0)])
    with pytest.raises(Refused, match="no such place"):
        with_changes(before, [Change("outputs[7].gain_db", 0.0, 2.0)])
    with pytest.raises(Refused, match="no such place"):
        with_changes(before, [Change('outputs[0].inputs["C"]', 0.0, 2.0)])
    with pytest.raises(Refused, match="no such value belongs here"):
        with_changes(before, [Change("outputs[0].gain_db", 0.0, 61.0)])
    with pytest.raises(Refused, match="no such value belongs here"):
        with_changes(before, [Change("outputs[0].gain_db", old=0.0)])
    with pytest.raises(Refused, match="not a place"):
        with_changes(before, [Change("outputs[", 0.0, 1.0)])


def test_a_value_at_a_place() -> None:
    assert with_value(small(), "air.temperature_c", 28.0).air.temperature_c == 28.0
    everywhere = with_value(everything(), "sources[0].position_m[1]", 4.25)
    assert everywhere.sources[0].position_m[1] == 4.25
    with pytest.raises(Refused, match="no such place"):
        with_value(small(), "outputs[0].eq[3].gain_db", 1.0)


@pytest.mark.parametrize(
    ("where", "value", "message"),
    [
        ("gain_db", 60.5, r"60.5 dB is out of range"),
        ("gain_db", float("nan"), "not a finite number"),
        ("polarity", "sideways", "one of"),
        ("inputs", {"C": 0.0}, "no input “C”"),
        ("eq", (replace(PEAK, frequency_hz=23_900.0),), "too high for a sample rate"),
        ("channel", 0, "out of range"),
    ],
)
def test_bad_values_are_refused_with_their_place(where: str, value: object, message: str) -> None:
    before = small()
    with pytest.raises(Refused, match=message) as caught:
        checked_edit(before, with_output(before, "X", **{where: value}))
    assert all(fault.where.startswith("outputs[0]") for fault in caught.value.faults)


def test_two_outputs_of_one_name_are_refused() -> None:
    before = small()
    with pytest.raises(Refused, match="is the name of outputs"):
        checked_edit(before, replace(before, outputs=(*before.outputs, Output(name="y"))))


def test_every_fault_of_an_edit_is_said() -> None:
    before = small()
    after = with_output(replace(before, sample_rate_hz=1.0), "X", gain_db=99.0, delay_ms=-1.0)
    with pytest.raises(Refused) as caught:
        checked_edit(before, after)
    assert {fault.where for fault in caught.value.faults} == {
        "sample_rate_hz",
        "outputs[0].gain_db",
        "outputs[0].delay_ms",
    }


def test_what_an_edit_leaves_alone_is_shared() -> None:
    before = everything()
    after = checked_edit(before, with_output(before, before.outputs[0].name, gain_db=-3))
    assert after.outputs[1:] == before.outputs[1:]
    assert all(a is b for a, b in zip(after.outputs[1:], before.outputs[1:], strict=True))
    assert after.measurements is before.measurements
    assert type(after.outputs[0].gain_db) is float  # a file would give it so


def test_captures_are_judged_where_their_references_change() -> None:
    before = everything()
    name = before.measurements[0].output
    outputs = tuple(
        replace(item, name="Someone else") if item.name == name else item for item in before.outputs
    )
    wrong = replace(before, outputs=outputs)
    with pytest.raises(Refused, match="no output"):
        checked_edit(before, wrong)
    assert checked_edit(before, rename_output(before, name, "Someone else"))


def test_the_everything_preset_goes_through_its_own_leaves() -> None:
    before = everything()
    assert json.loads(dumps(checked_edit(before, replace(before, notes="new"))))["notes"] == "new"


def _first(key: str, **fields: object) -> Callable[[Preset], Preset]:
    """An edit of the first item of a list."""

    def edit(preset: Preset) -> Preset:
        first, *rest = getattr(preset, key)
        return replace(preset, **{key: (replace(first, **fields), *rest)})

    return edit


@pytest.mark.parametrize(
    "edit",
    [
        lambda preset: replace(preset, sample_rate_hz=16_000.0),  # untouched filters are too high
        lambda preset: replace(preset, title="a\x1bb", venue=" c"),
        lambda preset: replace(preset, groups=(*preset.groups, preset.groups[0])),
        *[_first(key, name="Someone \x07 else") for key in ("inputs", "outputs", "listeners",
          "loudspeakers", "amplifiers", "amplifier_channels", "sources", "groups")],
        _first("outputs", eq=(replace(PEAK, frequency_hz=47_900.0), replace(PEAK, q=UNSET))),
        _first("outputs", locked=("gain", "gain")),
        _first("outputs", inputs={"Nobody": 0.0}),
        _first("loudspeakers", passband_hz=(900.0, 90.0), active=False, power_w=None),
        _first("amplifiers", gain_db=None, sensitivity_dbu=None),
        _first("amplifier_channels", line_v=71.0),
        _first("sources", amplifier_channel="none such"),
    ],
)  # fmt: skip
def test_an_edit_is_judged_as_the_whole_preset_is(edit: Callable[[Preset], Preset]) -> None:
    """What was settled before is not asked again, and nothing is missed for it."""
    before = everything()
    after = edit(before)
    expected = {(fault.where, fault.message) for fault in faults(after)}
    assert expected
    with pytest.raises(Refused) as caught:
        checked_edit(before, after)
    assert {(fault.where, fault.message) for fault in caught.value.faults} == expected
