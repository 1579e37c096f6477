"""Cells: groups that follow by value and by change, locks, columns that change places."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from tests.session.conftest import LR24, PEAK, rig
from xover.model.changes import with_output
from xover.model.problems import Refused
from xover.model.processing import Limit
from xover.session.cells import (
    Cell,
    Row,
    Value,
    nudged,
    place_of,
    renamed,
    swapped,
    value_of,
    with_value_at,
    with_values,
)

LIMIT = Limit(threshold_dbu=8.0, attack_ms=1.0, release_ms=50.0)


def test_a_value_goes_to_every_follower() -> None:
    after = with_values(rig(), {Cell("Top L", "delay"): 5.0})
    assert [item.delay_ms for item in after.outputs] == [0.0, 5.0, 5.0, 78.1]


def test_a_nudge_gives_every_follower_the_same_change() -> None:
    def later(row: Row, value: Value) -> Value:
        assert isinstance(value, float)
        return value + 0.1

    cells = [Cell("Top L", "delay"), Cell("Top R", "delay")]
    after = nudged(rig(), cells, later)
    assert [round(item.delay_ms, 6) for item in after.outputs] == [0.0, 3.52, 4.02, 78.1]


def test_nothing_to_nudge_is_said() -> None:
    with pytest.raises(Refused, match="high-pass of “Sub” holds nothing to nudge"):
        nudged(rig(), [Cell("Sub", "high_pass")], lambda row, value: value)


@pytest.mark.parametrize(
    ("row", "value"),
    [
        ("gain", -3.0),
        ("polarity", "inverted"),
        ("delay", 7.0),
        ("high_pass", replace(LR24, frequency_hz=80.0)),
        ("high_pass", None),
        ("low_pass", LR24),
        (("eq", 0), replace(PEAK, gain_db=2.0)),
        (("eq", 1), PEAK),
        (("eq", 0), None),
        ("rms", LIMIT),
        ("rms", None),
        ("peak", LIMIT),
        ("route", {"Aux": -6.0}),
        ("mute", True),
    ],
)
def test_every_row_can_be_set(row: Row, value: Value) -> None:
    cell = Cell("Top R", row)
    after = with_values(rig(), {cell: value})
    assert value_of(after, cell) == value
    assert after.output("Sub") == rig().output("Sub")


def test_inputs_have_the_rows_that_inputs_have() -> None:
    cell = Cell("Aux", ("eq", 0), "input")
    after = with_values(rig(), {cell: PEAK, Cell("Aux", "gain", "input"): 2.0})
    assert after.input("Aux").eq == (PEAK,)
    assert after.input("Aux").gain_db == 2.0
    assert place_of(after, cell) == "inputs[1].eq[0]"
    with pytest.raises(Refused, match="an input has no high-pass"):
        value_of(after, Cell("Aux", "high_pass", "input"))


def test_the_last_limit_taken_out_leaves_no_limiter() -> None:
    assert with_values(rig(), {Cell("Top R", "rms"): None}).output("Top R").limiter is None


def test_a_section_beyond_the_next_is_refused() -> None:
    with pytest.raises(Refused, match="“Delay” has 0 EQ sections; the next is EQ 1"):
        with_values(rig(), {Cell("Delay", ("eq", 2)): PEAK})
    with pytest.raises(Refused, match="the next is EQ 1"):
        with_values(rig(), {Cell("Delay", ("eq", -1)): PEAK})


def test_sections_taken_out_together_are_the_ones_named() -> None:
    other = replace(PEAK, frequency_hz=1000.0)
    third = replace(PEAK, frequency_hz=4000.0)
    before = with_output(rig(), "Delay", eq=(PEAK, other, third))
    after = with_values(before, {Cell("Delay", ("eq", 0)): None, Cell("Delay", ("eq", 1)): None})
    assert after.output("Delay").eq == (third,)


def test_locked_stages_refuse() -> None:
    with pytest.raises(Refused, match="the low-pass of “Sub” is locked; unlock it first"):
        with_values(rig(), {Cell("Sub", "low_pass"): None})
    with pytest.raises(Refused, match="the delay of “Sub” is locked"):
        with_value_at(rig(), "outputs[0].delay_ms", 1.0)
    with pytest.raises(Refused, match="the low-pass of “Sub” is locked"):
        with_value_at(rig(), "outputs[0].low_pass.frequency_hz", 90.0)
    assert with_values(rig(), {Cell("Sub", "gain"): 1.0}).output("Sub").gain_db == 1.0


def test_a_locked_follower_refuses_and_says_whose_group() -> None:
    before = with_output(rig(), "Top R", locked=("gain", "delay"))
    with pytest.raises(Refused, match="gain of “Top R” is locked, and a group sets it together"):
        with_values(before, {Cell("Top L", "gain"): 1.0})
    # A locked way moves with its group where delay and polarity are concerned.
    after = with_values(before, {Cell("Top L", "delay"): 1.0})
    assert after.output("Top R").delay_ms == 1.0


def test_cells_tied_together_cannot_differ() -> None:
    with pytest.raises(Refused, match="“Top L” and “Top R” together"):
        with_values(rig(), {Cell("Top L", "gain"): 1.0, Cell("Top R", "gain"): 2.0})


def test_a_place_follows_as_its_cell_does() -> None:
    after = with_value_at(rig(), "outputs[1].eq[0].gain_db", -6.0)
    assert [item.eq[0].gain_db for item in after.outputs[1:3]] == [-6.0, -6.0]
    after = with_value_at(rig(), "outputs[1].channel", 4)
    assert [item.channel for item in after.outputs] == [None, 4, None, None]
    assert with_value_at(rig(), "air.temperature_c", 31.0).air.temperature_c == 31.0


def test_columns_change_places() -> None:
    before = with_output(rig(), "Delay", eq=(PEAK, PEAK), muted=True, channel=7)
    before = replace(before, groups=())
    after = swapped(before, "Top R", "Delay")
    there, here = after.output("Delay"), after.output("Top R")
    was = before.output("Top R")
    assert (there.delay_ms, there.high_pass, there.limiter) == (3.92, LR24, was.limiter)
    assert (there.channel, there.muted, there.eq) == (7, False, (PEAK,))
    assert (here.delay_ms, here.muted, here.limiter, here.eq) == (78.1, True, None, (PEAK, PEAK))
    assert swapped(after, "Top R", "Delay") == before
    with pytest.raises(Refused, match="“Sub” is locked"):
        swapped(before, "Sub", "Delay")


def test_renaming_takes_references_along() -> None:
    after = renamed(rig(), "outputs", "Top L", "  Top left ")
    assert after.groups[0].outputs == ("Top left", "Top R")
    after = renamed(rig(), "inputs", "Left", "FOH")
    assert after.output("Delay").inputs == {"FOH": -3.0}
    with pytest.raises(Refused, match="there is already a name “top r” here"):
        renamed(rig(), "outputs", "Top L", "top r")
    with pytest.raises(Refused, match="a name is empty"):
        with_value_at(rig(), "outputs[1].name", " ")


def test_a_column_that_has_gone_is_said() -> None:
    with pytest.raises(Refused, match="there is no output “Fill” any more"):
        value_of(rig(), Cell("Fill", "gain"))
