"""Preset files: exact round trips, one layout, every fault at once with place, value and limit."""

from __future__ import annotations

import io
import json
import sys
from types import SimpleNamespace

import pytest
from hypothesis import given, settings
from msgspec.structs import replace

from tests.strategies import everything, minimal, presets
from tests.trees import GONE, changed, faults_in, faults_of
from xover.files import json_text, preset_json
from xover.files.preset_json import dumps, load, loads, save
from xover.model.problems import Refused
from xover.model.processing import Input, Output

WHOLE = dumps(everything())


# Round trips and layout


@given(presets())
@settings(max_examples=60, deadline=None)
def test_any_preset_survives_to_the_byte(preset):
    data = dumps(preset)
    again = loads(data)
    assert again == preset
    assert repr(again) == repr(preset)  # tells −0.0 from 0.0
    assert dumps(again) == data


@given(presets())
@settings(max_examples=20, deadline=None)
def test_python_reads_the_same_figures(preset):
    # The standard library's json as an independent reader of what was written.
    tree = json.loads(dumps(preset))
    assert [one["gain_db"] for one in tree["outputs"]] == [one.gain_db for one in preset.outputs]
    assert tree["notes"] == preset.notes


def test_what_it_wrote_is_read_the_fast_way(monkeypatch):
    monkeypatch.setattr(json_text, "parse", lambda *_, **__: pytest.fail("took the slow way"))
    assert loads(WHOLE) == everything()
    assert loads(b"\xef\xbb\xbf" + WHOLE) == everything()


def test_layout():
    text = dumps(everything()).decode()
    lines = text.split("\n")
    assert lines[:4] == [
        "{",
        '  "format": "xover-preset",',
        '  "version": 1,',
        '  "title": "Everything “quoted” \\\\ back",',
    ]
    assert '      "position_m": [-4, 0.5, -0.0],' in lines
    assert '        "magnitude_db": [-12, -0.0, 3.5],' in lines
    assert '        "phase_deg": [-720.5, 0, 0.00001],' in lines
    assert '      "inputs": {\n        "Left": -3,\n        "Aux ö": 0\n      },' in text
    assert '  "processor": "House processor"\n}\n' in text
    assert not any(line != line.rstrip() for line in lines)
    assert text.endswith("}\n")
    small = dumps(minimal()).decode()
    assert '"tags": [],' in small
    assert '"inputs": {},' in small


def test_keys_stand_in_the_order_of_the_format():
    # The order of the output's keys as the format's description gives it.
    order = [
        *("name", "channel", "patch", "inputs", "gain_db", "polarity", "delay_ms", "latency_ms"),
        *("muted", "high_pass", "low_pass", "eq", "limiter", "locked"),
    ]
    assert list(json.loads(WHOLE)["outputs"][0]) == order


def test_eq_fields_stand_only_where_the_kind_has_them():
    sections = json.loads(WHOLE)["outputs"][0]["eq"]
    common = {"kind", "frequency_hz", "bypassed"}
    extra = [set(section) - common for section in sections]
    assert extra == [
        {"gain_db", "q"},
        {"gain_db", "q", "order"},
        {"gain_db", "order"},
        {"q"},
        {"q"},
        {"order"},
        {"q", "order"},
        {"q"},
        {"q"},
    ]


@pytest.mark.parametrize(
    ("value", "text"),
    [(20.0, "20"), (0.1, "0.1"), (-0.0, "-0.0"), (1 / 3, "0.3333333333333333"), (0.5, "0.5")],
)
def test_shortest_number_that_reads_back(value, text):
    preset = replace(minimal(), outputs=(Output(name="Out", gain_db=value),))
    assert f'"gain_db": {text},'.encode() in dumps(preset)
    assert repr(loads(dumps(preset)).outputs[0].gain_db) == repr(value)


@pytest.mark.parametrize(
    ("value", "text"),
    [(1e22, "1e22"), (5e-324, "5e-324"), (1e15, "1000000000000000"), (-2.0, "-2")],
)
def test_numbers_of_any_size(value, text):
    for tree in (value, [value], [value, value], {"a": value}):
        data = json_text.lay_out(tree)
        assert text in data.decode()
        assert json.loads(data) == tree


def test_the_same_file_by_another_hand():
    tree = json.loads(WHOLE)
    for data in (
        json.dumps(tree).encode(),
        json.dumps(tree, indent=4, ensure_ascii=True).encode(),
        json.dumps(dict(reversed(tree.items()))).encode(),
        json.dumps(tree, separators=(",", ":")).encode(),
        WHOLE.replace(b"\n", b"\r\n"),
        WHOLE.replace(b'"gain_db": 1.5', b'"gain_db": 1.50e0'),
    ):
        assert loads(data) == everything()
        assert dumps(loads(data)) == WHOLE


def test_defaults_are_filled_in_and_written():
    data = b"""{"format": "xover-preset", "version": 1, "title": "t",
        "inputs": [{"name": "In"}], "outputs": [{"name": "Out"}]}"""
    preset = loads(data)
    # Defaults as the format's description names them.
    assert preset.sample_rate_hz == 48_000
    assert preset.air.temperature_c == 20
    assert preset.air.relative_humidity_percent == 50
    assert preset.air.pressure_kpa == 101.325
    assert preset.outputs[0].polarity == "normal"
    assert preset.outputs[0].inputs == {}
    assert b'"sample_rate_hz": 48000,' in dumps(preset)


# Saying what is wrong


def test_all_faults_together():
    tree = changed(
        {
            "outputs[0].gain_db": 75,
            "outputs[0].low_pass.frequency_hz": "100",
            "outputs[0].high_pass.family": "butterwroth",
            "outputs[1].gain": 3,
            "outputs[1].eq_sections": 3,
            "groups[0].follow": GONE,
            "groups[0].follows": [],
            "inputs[0].channel": 1.5,
            "air.relative_humidity_percent": -1,
            "listeners[0].position_m": [1, 2],
            "outputs[1].muted": 1,
            "loudspeakers[0].name": GONE,
            "sources[1].output": "Dely",
            "inputs[0].eq[0].q": GONE,
            "notes": None,
            "tags": "a",
            "sources[0].aim_deg": [0, 0],
        }
    )
    assert faults_of(tree) == {
        "notes": "null stands where text belongs",
        "tags": "the text “a” stands where a list belongs",
        "air.relative_humidity_percent": ("−1 % is out of range; it must lie between 0 and 100 %"),
        "inputs[0].channel": (
            "the number 1.5 stands where a whole number belongs; write it without a decimal point"
        ),
        "outputs[0].gain_db": "75 dB is out of range; it must lie between −60 and 60 dB",
        "outputs[0].high_pass.family": (
            "the text “butterwroth” stands where one of “bessel”, “butterworth”, “linkwitz-riley” "
            "belongs; did you mean “butterworth”?"
        ),
        "outputs[0].low_pass.frequency_hz": ("the text “100” stands where a number in Hz belongs"),
        "outputs[1].gain": (
            "there is no field of this name here, and “gain_db” is given already; take it out"
        ),
        "outputs[1].eq_sections": "there is no field of this name here; take it out",
        "groups[0].follows": "there is no field of this name here; did you mean “follow”?",
        "outputs[1].muted": "the number 1 stands where true or false belongs",
        "loudspeakers[0].name": "is missing; text belongs here",
        "sources[0].aim_deg": "a list stands where an object belongs",
        "listeners[0].position_m": "has 2 values; a list of 3: a number in m each belongs here",
        "inputs[0].eq[0].q": "is missing; a peak section of order 2 needs a Q",
        "sources[1].output": (
            "there is no output “Dely”; did you mean “Delay”?; there is “Sub”, “Delay”"
        ),
    }


@pytest.mark.parametrize(
    ("changes", "where"),
    [
        # What rests on a faulty value is not said on top of it.
        ({"outputs[0].eq[0].kind": "bell"}, "outputs[0].eq[0].kind"),
        ({"outputs[0].name": 5}, "outputs[0].name"),
        ({"outputs[0].name": GONE}, "outputs[0].name"),
        ({"outputs[0]": None}, "outputs[0]"),
        ({"outputs": None}, "outputs"),
        ({"inputs": GONE}, "inputs"),
        ({"sample_rate_hz": 10}, "sample_rate_hz"),
        ({"loudspeakers[1].active": "yes"}, "loudspeakers[1].active"),
        ({"loudspeakers[0].power_w": 5}, "loudspeakers[0].power_w"),
        ({"amplifiers[0].gain_db": "x"}, "amplifiers[0].gain_db"),
        ({"amplifiers[0].bridgeable": None}, "amplifiers[0].bridgeable"),
        ({"measurements[0].captured": "flat-ish"}, "measurements[0].captured"),
        ({"measurements[0].trace.frequency_hz": 3}, "measurements[0].trace.frequency_hz"),
        ({"measurements[0].trace.frequency_hz[1]": -3}, "measurements[0].trace.frequency_hz[1]"),
        ({"measurements[0].captured_settings": 3}, "measurements[0].captured_settings"),
        ({"outputs[0].high_pass.family": GONE}, "outputs[0].high_pass.family"),
        ({"listeners[0].name": "x" * 121}, "listeners[0].name"),
        ({"loudspeakers[0].passband_hz": ["a", 5]}, "loudspeakers[0].passband_hz[0]"),
        ({"outputs[0].eq[2].q": None}, "outputs[0].eq[2].q"),
        ({"amplifiers[0].power_w": {"8": 0}}, 'amplifiers[0].power_w["8"]'),
        ({"inputs[0].name": ""}, "inputs[0].name"),
        ({"version": GONE}, "version"),
        ({"version": True}, "version"),
        ({"version": "1"}, "version"),
        ({"version": 1.0}, "version"),
    ],
)
def test_one_slip_is_one_fault(changes, where):
    assert list(faults_of(changed(changes))) == [where]


def test_a_null_that_should_be_left_out():
    found = faults_of(changed({"outputs[0].eq[2].q": None}))
    assert found["outputs[0].eq[2].q"] == (
        "null stands where a number belongs; leave the field out instead"
    )


@pytest.mark.parametrize(
    ("where", "low", "high", "unit"),
    # Ranges as the format's description gives them.
    [
        ("outputs[0].gain_db", -60, 60, "dB"),
        ('outputs[0].inputs["Left"]', -120, 20, "dB"),
        ("outputs[0].delay_ms", 0, 10_000, "ms"),
        ("outputs[0].eq[0].q", 0.05, 100, ""),
        ("sample_rate_hz", 8_000, 384_000, "Hz"),
        ("air.temperature_c", -30, 60, "°C"),
        ("air.relative_humidity_percent", 0, 100, "%"),
        ("air.pressure_kpa", 50, 120, "kPa"),
        ("loudspeakers[0].passband_edge_db", -30, -1, "dB"),
        ("listeners[0].position_m[2]", -10_000, 10_000, "m"),
    ],
)
def test_ranges_hold_to_the_last_digit(where, low, high, unit):
    import math

    for limit, beyond in ((low, -math.inf), (high, math.inf)):
        if where != "sample_rate_hz" or limit == high:  # its low end makes filters too high
            assert faults_of(changed({where: limit})) == {}
        over = math.nextafter(limit, beyond)
        message = faults_of(changed({where: over}))[where]
        assert f"{over!r} {unit}".strip().replace("-", "−") in message
        assert f"it must lie between {low} and {high} {unit}".strip().replace("-", "−") in message


@pytest.mark.parametrize(
    "where",
    [
        "loudspeakers[0].power_w.continuous",
        "loudspeakers[0].impedance_ohm",
        "amplifier_channels[0].cable.length_m",
        "amplifiers[0].minimum_load_ohm",
        "sources[0].tap_w",
        "loudspeakers[0].response.trace.frequency_hz[0]",
    ],
)
def test_what_must_be_above_zero(where):
    for value in (0, -0.0, -1):
        assert "it must be above 0 and at most" in faults_of(changed({where: value}))[where]


def test_values_in_messages_are_short_and_inert():
    text = "\u202e\x1b[2J" + "x" * 5_000
    found = faults_of(changed({"outputs[0].polarity": text, f'outputs[0]["{"k" * 5000}"]': 1}))
    assert "\\u202e\\u001b[2Jxxx" in found["outputs[0].polarity"]
    for where, message in found.items():
        assert len(where) < 200
        assert len(message) < 200
        assert (where + message).isprintable()


def test_fifty_faults_are_said_and_the_rest_counted():
    tree = changed({f'outputs[0]["field {at}"]': 1 for at in range(137)})
    with pytest.raises(Refused) as caught:
        loads(json.dumps(tree).encode())
    assert len(caught.value.faults) == 51
    assert str(caught.value.faults[-1]) == "and 87 more faults"


@pytest.mark.parametrize(
    "changes",
    [
        {"measurements[0].trace.magnitude_db": ["x"] * 120_000},
        {"tags": [1] * 120_000},
        {"stimulus.inputs": {str(at): "x" for at in range(120_000)}},
        {"air": {str(at): 1 for at in range(120_000)}},
    ],
)
def test_a_hundred_thousand_faults_are_enough(changes):
    with pytest.raises(Refused) as caught:
        loads(json.dumps(changed(changes)).encode())
    assert str(caught.value.faults[-1]) == "and at least 99950 more faults"


def test_a_thousand_broken_references_are_enough():
    tree = changed({"groups[0].outputs": [f"x{at}" for at in range(2_000)]})
    with pytest.raises(Refused) as caught:
        loads(json.dumps(tree).encode())
    assert str(caught.value.faults[-1]) == "and at least 950 more faults"


def test_duplicate_keys_at_any_depth():
    data = WHOLE.replace(b'"muted": true', b'"muted": true, "muted": false')
    data = data.replace(b'"azimuth": -15', b'"azimuth": -15, "azimuth": -15')
    data = data.replace(b'"8": 1000', b'"8": 1000, "8": 1000')
    data = data.replace(b'"title"', b'"title": "x", "title"')
    assert faults_in(data) == dict.fromkeys(
        (
            "title",
            "outputs[0].muted",
            'amplifiers[0].power_w["8"]',
            "sources[0].aim_deg.azimuth",
            "measurements[0].captured_settings.output.muted",
        ),
        "stands more than once in one object; keep one of them",
    )


# Format and version come first


@pytest.mark.parametrize(
    ("changes", "where", "sentence"),
    [
        ({"format": GONE, "outputs": 3}, "format", "is missing, so this is no preset"),
        ({"format": "xover-processor"}, "format", "this is a processor profile, not a preset"),
        ({"format": "other"}, "format", "the text “other” stands here; a preset says"),
        ({"format": 3}, "format", "something else stands here"),
        ({"version": 2, "new_field": 1}, "version", "is of version “2”, newer than this program's"),
        ({"version": 10**30}, "version", "newer than this program's"),
        ({"version": 0}, "version", "there is no version 0 of this format; the first is 1"),
    ],
)
def test_format_and_version_stand_alone(changes, where, sentence):
    found = faults_of(changed(changes))
    assert list(found) == [where]
    assert sentence in found[where]


def test_older_versions_are_brought_forward_step_by_step(monkeypatch):
    def from_minus_one(tree):
        tree = dict(tree)
        tree["name"] = tree.pop("heading", "")
        return tree

    def from_zero(tree):
        tree = dict(tree)
        tree["title"] = tree.pop("name", "")
        return tree

    steps = {-1: from_minus_one, 0: from_zero}
    for version, step in steps.items():
        monkeypatch.setitem(preset_json.MIGRATIONS, version, step)
    tree = changed({"version": -1, "heading": "Old", "title": GONE})
    preset = loads(json.dumps(tree).encode())
    assert preset == replace(everything(), title="Old")
    assert b'"version": 1,' in dumps(preset)
    assert list(faults_of(changed({"outputs[0].gain_db": 99}, tree))) == ["outputs[0].gain_db"]
    data = json.dumps(tree).replace('"venue"', '"venue": "", "venue"').encode()
    assert list(faults_in(data)) == ["venue"]


# Writing refuses what reading would


def test_an_illegal_preset_is_not_written(tmp_path):
    preset = replace(everything(), outputs=(Output(name="Out", delay_ms=float("nan")),))
    path = tmp_path / "new.json"
    with pytest.raises(Refused, match=r"outputs\[0\].delay_ms: nan is not a finite number"):
        save(preset, path, overwrite=True)
    assert not path.exists()
    with pytest.raises(Refused, match="there is no input “Nobody”"):
        dumps(replace(minimal(), outputs=(Output(name="Out", inputs={"Nobody": 0.0}),)))
    with pytest.raises(Refused, match="half a character"):
        dumps(replace(minimal(), notes="\udc80"))


def test_floats_of_other_libraries_are_written_exactly():
    import numpy

    value = numpy.float64(0.1) * 3
    preset = replace(minimal(), inputs=(Input(name="In", gain_db=value),))
    assert loads(dumps(preset)).inputs[0].gain_db == float(value)


# Paths and streams


def test_save_and_load(tmp_path):
    path = tmp_path / "größe.json"
    save(everything(), path, overwrite=False)
    assert path.read_bytes() == WHOLE
    assert load(path) == load(str(path)) == everything()
    with pytest.raises(Refused, match="exists already"):
        save(minimal(), path, overwrite=False)
    assert path.read_bytes() == WHOLE
    save(minimal(), path, overwrite=True)
    assert load(path) == minimal()


def test_a_dash_is_the_standard_streams(monkeypatch):
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(buffer=io.BytesIO(WHOLE)))
    assert load("-") == everything()
    out = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", SimpleNamespace(buffer=out))
    save(everything(), "-", overwrite=False)
    assert out.getvalue() == WHOLE


@pytest.mark.parametrize(
    ("name", "sentence"),
    [
        ("none.json", "there is no such file or folder"),
        (".", "it is a folder"),
        ("file.json/x", "part of the path is a file"),
        ("x" * 300, "the name is too long"),
        ("loop", "round in a circle"),
        ("a\0b", "characters that no file name can hold"),
    ],
)
def test_paths_that_cannot_be_read(tmp_path, name, sentence):
    (tmp_path / "file.json").write_bytes(WHOLE)
    (tmp_path / "loop").symlink_to("loop")
    with pytest.raises(Refused, match=sentence) as caught:
        load(tmp_path / name)
    assert len(caught.value.faults) == 1


def test_an_unreadable_file(tmp_path, monkeypatch):
    def refuse(*_, **__):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("builtins.open", refuse)
    with pytest.raises(Refused, match=r"“x.json” could not be read: permission is denied"):
        load("x.json")
    with pytest.raises(Refused, match="the path is empty"):
        load("")


@pytest.mark.parametrize("text", ["v2.0, and 3.0] or 4.0}", '"x": 1.0,', "-0.0,", "\\.0,"])
def test_text_that_looks_like_numbers(text):
    preset = replace(minimal(), notes=text, inputs=(Input(name="3.0,", delay_ms=3.0),))
    data = dumps(preset)
    assert loads(data) == preset
    assert loads(data.replace(b": 3,", b": 3.0,")) == preset
    assert dumps(loads(data)) == data
