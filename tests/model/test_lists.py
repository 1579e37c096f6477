"""Inputs, outputs and listeners that come and go: nothing is left that refers to what is gone."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

import xover
from xover.model import rules
from xover.model.changes import rename_listed
from xover.model.lists import (
    Listed,
    goes_along,
    next_name,
    with_boxes_like,
    with_further,
    without,
)
from xover.model.problems import Refused

HALL = xover.load(xover.default_example())


def names(preset, key: Listed) -> list[str]:
    return [item.name for item in getattr(preset, key)]


def test_a_further_output_has_the_settings_and_nothing_that_is_anothers():
    preset = with_further(HALL, "outputs", "Top L", "  Front fill ")
    assert names(preset, "outputs")[:3] == ["Sub", "Top L", "Front fill"]
    fill, top = preset.output("Front fill"), preset.output("Top L")
    assert (fill.eq, fill.high_pass, fill.inputs) == (top.eq, top.high_pass, top.inputs)
    assert (fill.channel, fill.patch, fill.locked) == (None, "", ())
    assert all("Front fill" not in group.outputs for group in preset.groups)
    assert all(source.output != "Front fill" for source in preset.sources)


def test_boxes_and_amplifier_channels_like_anothers():
    preset = with_boxes_like(with_further(HALL, "outputs", "Top L", "Fill"), "Top L", "Fill")
    assert rules.faults(preset) == []
    (old,) = [one for one in preset.sources if one.output == "Top L"]
    (new,) = [one for one in preset.sources if one.output == "Fill"]
    assert (new.loudspeaker, new.position_m) == (old.loudspeaker, old.position_m)
    (channel,) = [one for one in preset.amplifier_channels if one.output == "Fill"]
    assert new.amplifier_channel == channel.name != old.amplifier_channel
    assert goes_along(preset, "outputs", "Fill") == "1 source, 1 amplifier channel"
    assert without(preset, "outputs", "Fill") == HALL
    bare = without(with_further(HALL, "outputs", "Top L", "Fill"), "outputs", "Top L")
    with pytest.raises(Refused, match="plays no loudspeaker"):
        with_boxes_like(bare, "Fill", "Top R")


def test_the_first_listener_of_all():
    bare = HALL
    for name in names(HALL, "listeners"):
        bare = without(bare, "listeners", name)
    assert bare.listeners == bare.measurements == ()
    assert with_further(bare, "listeners", None, "Desk").listeners[0].position_m == (0, 10, 1.2)


def test_what_goes_along_is_counted():
    assert goes_along(HALL, "outputs", "Sub") == "1 source, 1 amplifier channel, 3 captures"
    assert goes_along(HALL, "listeners", "Row 3") == "5 captures"
    assert goes_along(with_further(HALL, "inputs", "Aux", "Spare"), "inputs", "Spare") == ""


@pytest.mark.parametrize(
    ("do", "sentence"),
    [
        (lambda: with_further(HALL, "outputs", "Sub", "top l"), "already a name"),
        (lambda: with_further(HALL, "outputs", "Nobody", "x"), "no output “Nobody” any more"),
        (lambda: with_further(HALL, "outputs", "Sub", ""), "name"),
        (lambda: without(HALL, "inputs", "Aux"), "captures were driven through"),
        (lambda: without(xover.load("presets/lantern-cafe.json"), "inputs", "x"), "any more"),
    ],
)
def test_what_cannot_be_is_said(do, sentence):
    with pytest.raises(Refused, match=sentence):
        do()


def test_the_last_of_its_kind_stays():
    preset = HALL
    for name in names(HALL, "outputs")[1:]:
        preset = without(preset, "outputs", name)
    with pytest.raises(Refused, match="is the only output"):
        without(preset, "outputs", "Sub")


@settings(max_examples=40)
@given(
    st.lists(
        st.tuples(st.sampled_from(["inputs", "outputs", "listeners"]), st.booleans(),
                  st.integers(0, 30)),
        max_size=12,
    )
)  # fmt: skip
def test_presets_stay_legal(changes):
    preset = HALL
    for key, comes, number in changes:
        known = names(preset, key)
        if not known:
            continue
        name = known[number % len(known)]
        try:
            if comes:
                preset = with_further(preset, key, name, next_name(name, known))
            else:
                preset = without(preset, key, name)
        except Refused:
            continue
        assert rules.faults(preset) == []


def test_free_names_count_on():
    assert next_name("Sub", ["Sub"]) == "Sub 2"
    assert next_name("Row 8", ["Row 8", "row 2"]) == "Row 3"
    assert next_name("8", ["8"]) == "8 2"


def test_the_longest_name_is_cut_for_its_number():
    long = "x" * 120
    assert next_name(long, [long]) == "x" * 118 + " 2"
    channel = HALL.amplifier_channels[0]
    preset = replace(
        rename_listed(HALL, "amplifier_channels", channel.name, long), title="long names"
    )
    grown = with_boxes_like(
        with_further(preset, "outputs", channel.output, "Fill"), channel.output, "Fill"
    )
    assert rules.faults(grown) == []
