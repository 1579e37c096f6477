"""Places: taken apart, put together, found, said in words, for every field of the format."""

from __future__ import annotations

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import inspect as types
from msgspec.structs import replace

from tests.strategies import everything
from xover.model.places import (
    FIELD_WORDS,
    Key,
    ancestors,
    at_field,
    at_key,
    form,
    label,
    leaves,
    parse,
    unit,
    value_at,
)
from xover.model.preset import Preset
from xover.model.problems import Refused

EVERYTHING = everything()

# Said by hand, as the command line's contract of places asks.
SAID = {
    "outputs[0].eq[2].gain_db": "Sub, EQ 3, gain",
    "inputs[0].delay_ms": "Left, delay",
    "loudspeakers[0].sensitivity_db": "loudspeaker “Sub 18”, sensitivity",
    'outputs[0].inputs["Left"]': "Sub, route, from Left",
    "outputs[0].limiter.rms.threshold_dbu": "Sub, rms limiter, threshold",
    "outputs[0].limiter.peak.attack_ms": "Sub, peak limiter, attack",
    "outputs[0].limiter": "Sub, limiter",
    "outputs[0].low_pass.slope_db_per_octave": "Sub, low-pass, slope",
    "loudspeakers[0].power_w.peak": "loudspeaker “Sub 18”, power, peak",
    'amplifiers[0].power_w["2.7"]': "amplifier “Two-channel”, power, at 2.7 ohm",
    "sources[0].position_m[1]": "source “Sub left”, position, y",
    "groups[0].outputs[1]": "group “All low”, output 2",
    'stimulus.inputs["Left"]': "stimulus, level, from Left",
    "air.temperature_c": "air, temperature",
    "measurements[0].trace.phase_deg[2]": "measurement of “Sub” at “Row 7”, trace, phase, point 3",
    "measurements[0].captured_settings.inputs[0].gain_db": (
        "measurement of “Sub” at “Row 7”, settings at capture, input Left, gain"
    ),
    'measurements[0].captured_positions_m.sources["Sub left"][0]': (
        "measurement of “Sub” at “Row 7”, positions at capture, sources, Sub left, x"
    ),
    "title": "title",
    "": "the preset",
    "outputs[9].delay_ms": "output 10, delay",
}


@pytest.mark.parametrize("where", SAID)
def test_said_in_words(where):
    assert label(EVERYTHING, where) == SAID[where]


def test_an_input_and_an_output_of_one_name_are_told_apart():
    other = replace(EVERYTHING.outputs[1], name="LEFT")
    preset = replace(EVERYTHING, outputs=(EVERYTHING.outputs[0], other))
    assert label(preset, "inputs[0].gain_db") == "input Left, gain"
    assert label(preset, "outputs[1].gain_db") == "output LEFT, gain"
    assert label(preset, "outputs[0].gain_db") == "Sub, gain"


def test_names_are_shown_inert():
    other = replace(EVERYTHING.outputs[1], name="\u202edelay")
    preset = replace(EVERYTHING, outputs=(EVERYTHING.outputs[0], other))
    assert label(preset, "outputs[1].gain_db") == "\\u202edelay, gain"


def test_every_place_of_the_everything_preset():
    seen = set()
    for where, value in leaves(EVERYTHING):
        assert value_at(EVERYTHING, where) is value or value_at(EVERYTHING, where) == value
        assert form(parse(where)) == where
        words = label(EVERYTHING, where)
        assert words
        assert "_" not in words
        assert words not in seen, f"{words} is said of two places"
        seen.add(words)
        unit(where)
    assert len(seen) > 300


def _fields(kind: types.Type, found: set[str]) -> set[str]:
    if isinstance(kind, types.StructType):
        for field in kind.fields:
            found.add(field.name)
            _fields(field.type, found)
    elif isinstance(kind, types.UnionType):
        for one in kind.types:
            _fields(one, found)
    elif isinstance(kind, types.VarTupleType):
        _fields(kind.item_type, found)
    return found


def test_every_field_of_the_format_has_words_and_no_others():
    assert _fields(msgspec.inspect.type_info(Preset), set()) == set(FIELD_WORDS)


def test_the_everything_preset_uses_every_field():
    used = {step for where, _ in leaves(EVERYTHING) for step in parse(where)}
    assert set(FIELD_WORDS) <= used


@pytest.mark.parametrize(
    ("where", "expected"),
    [
        ("outputs[0].eq[2].gain_db", "dB"),
        ("outputs[0].delay_ms", "ms"),
        ('outputs[0].inputs["x"]', "dB"),
        ("loudspeakers[3].passband_hz", "Hz"),
        ("loudspeakers[3].coverage_deg[1]", "°"),
        ("sources[0].position_m", "m"),
        ("measurements[0].trace.phase_deg", "°"),
        ("measurements[0].captured_positions_m.listener[2]", "m"),
        ("outputs[0].muted", ""),
        ("amplifier_channels[0].cable.area_mm2", "mm²"),
    ],
)
def test_units_come_from_the_format(where, expected):
    assert unit(where) == expected


@pytest.mark.parametrize(
    "where",
    [".", "a..b", "a[", "a[-1]", "a[1", 'a["x]', "a b", "[0]x", "a.", 'a["\\x"]', "1a", "a[x]"],
)
def test_what_is_no_place_is_refused(where):
    with pytest.raises(Refused, match="is not a place in a preset"):
        parse(where)


@pytest.mark.parametrize(
    "where",
    [
        "outputs[7]",
        "nothing",
        "title.x",
        'outputs[0].inputs["Nobody"]',
        "outputs[0].eq[3].gain_db",  # a notch has no gain
        "air[0]",
    ],
)
def test_places_that_the_preset_lacks_are_refused(where):
    with pytest.raises(Refused, match="the preset has no such place") as caught:
        value_at(EVERYTHING, where)
    assert caught.value.faults[0].where == where


def test_units_of_places_that_the_format_lacks_are_refused():
    for where in ("outputs[0].gain", "air[0]", "sources[0].position_m[3]", 'title["x"]'):
        with pytest.raises(Refused, match="the format has no such place"):
            unit(where)


@given(st.text(max_size=120))
def test_any_key_survives(key):
    where = at_key("outputs[0].inputs", key)
    assert parse(where) == ("outputs", 0, "inputs", Key(key))
    assert form(parse(where)) == where
    where.encode("utf-8")


def test_fields_that_are_no_names_are_written_as_keys():
    assert at_field("", "gain_db") == "gain_db"
    assert at_field("outputs[0]", "a b") == 'outputs[0]["a b"]'
    assert len(at_field("", "x" * 10_000)) < 130


def test_ancestors():
    for where, _ in leaves(EVERYTHING):
        steps = parse(where)
        assert list(ancestors(where)) == [form(steps[: n + 1]) for n in range(len(steps))]
    assert list(ancestors('a[0].b["c"]')) == ["a", "a[0]", "a[0].b", 'a[0].b["c"]']
