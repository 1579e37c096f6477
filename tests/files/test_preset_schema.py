"""The published schema: valid by its metaschema, current, and of one mind with the reader."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given, settings

from tests.strategies import everything, minimal, presets
from tests.trees import GONE, changed, faults_of
from xover.files.preset_json import dumps
from xover.files.preset_schema import preset_schema, schema_text

PUBLISHED = Path(__file__).parents[2] / "docs" / "preset.schema.json"
VALIDATOR = jsonschema.Draft202012Validator(preset_schema())


def test_it_is_a_valid_schema():
    # The metaschema of JSON Schema draft 2020-12, as the jsonschema library carries it.
    jsonschema.Draft202012Validator.check_schema(preset_schema())


def test_the_published_file_is_current():
    assert PUBLISHED.read_bytes() == schema_text(), (
        "write it anew: python -c 'from xover.files.preset_schema import schema_text; "
        "import sys; sys.stdout.buffer.write(schema_text())' > docs/preset.schema.json"
    )


def test_it_names_no_host():
    text = schema_text().decode()
    assert preset_schema()["$id"].startswith("urn:")
    assert text.count("://") == 1  # that of the metaschema


@given(presets())
@settings(max_examples=25, deadline=None)
def test_what_is_written_is_valid(preset):
    VALIDATOR.validate(json.loads(dumps(preset)))


def test_the_fixed_presets_are_valid():
    for preset in (everything(), minimal()):
        VALIDATOR.validate(json.loads(dumps(preset)))


SMALLEST = {
    "format": "xover-preset",
    "version": 1,
    "title": "t",
    "inputs": [{"name": "In"}],
    "outputs": [{"name": "Out"}],
}


def test_required_is_what_the_format_says():
    VALIDATOR.validate(SMALLEST)
    assert faults_of(SMALLEST) == {}
    for name in SMALLEST:
        less = {key: value for key, value in SMALLEST.items() if key != name}
        assert not VALIDATOR.is_valid(less)
        assert list(faults_of(less)) == [name]


@pytest.mark.parametrize(
    "changes",
    [
        {"unknown": 1},
        {"version": 2},
        {"format": "x"},
        {"outputs[0].gain_db": 60.5},
        {"outputs[0].gain_db": "1"},
        {"outputs[0].eq[0].q": GONE},
        {"outputs[0].eq[0].gain_db": GONE},
        {"outputs[0].eq[0].order": 1, "outputs[0].eq[0].q": GONE},
        {"outputs[0].eq[2].q": 1},
        {"outputs[0].eq[1].order": 3},
        {"outputs[0].eq[1].order": GONE, "outputs[0].eq[1].q": GONE},
        {"outputs[0].eq[3].gain_db": 1},
        {"outputs[0].eq[5].gain_db": 1},
        {"outputs[0].low_pass.slope_db_per_octave": 18},
        {"outputs[0].high_pass.family": "bessel", "outputs[0].high_pass.slope_db_per_octave": 6},
        {"outputs[0].locked": ["eq", "eq"]},
        {"groups[0].follow": ["eq", "eq"]},
        {"tags": ["a", "a"]},
        {"loudspeakers[0].impedance_ohm": None},
        {"loudspeakers[0].impedance_ohm": GONE},
        {"loudspeakers[0].power_w": GONE},
        {"loudspeakers[1].active": GONE},
        {"loudspeakers[0].passband_hz": [1]},
        {"amplifiers[0].sensitivity_dbu": 4},
        {"amplifiers[0].gain_db": GONE},
        {"amplifiers[0].power_w": {}},
        {"amplifiers[0].power_w": {"eight": 3}},
        {"amplifiers[0].line_v": [70]},
        {"amplifier_channels[0].line_v": 50},
        {"amplifier_channels[0].attenuator_db": 1},
        {"measurements[0].captured": "flat"},
        {"measurements[0].captured": GONE},
        {"measurements[0].captured_settings": None},
        {"measurements[0].captured_settings": GONE},
        {"measurements[0].trace.magnitude_db": []},
        {"sources[0].position_m": [0, 0]},
        {"listeners[0].position_m": GONE},
        {"inputs[0].channel": 0},
        {"inputs[0].channel": 1.5},
    ],
)
def test_schema_and_reader_refuse_alike(changes):
    tree = changed(changes)
    assert not VALIDATOR.is_valid(tree)
    assert faults_of(tree)


@pytest.mark.parametrize(
    "changes",
    [
        {"outputs[0].eq[1].order": GONE},
        {"outputs[0].eq[0].order": 2},
        {"outputs[0].eq[0].bypassed": GONE},
        {"loudspeakers[1].impedance_ohm": GONE, "loudspeakers[1].power_w": GONE},
        {"amplifiers[0].sensitivity_dbu": GONE},
        {"amplifier_channels[0].line_v": GONE, "amplifier_channels[0].cable": None},
        {"measurements[0].trace.phase_deg": None},
        {"outputs[0].limiter": {}},
        {"outputs[0].limiter": None},
    ],
)
def test_schema_and_reader_accept_alike(changes):
    tree = changed(changes)
    VALIDATOR.validate(tree)
    assert faults_of(tree) == {}


def test_every_number_with_a_unit_says_it():
    parts = preset_schema()["$defs"]
    assert parts["Output"]["properties"]["delay_ms"]["description"] == "in ms"
    assert parts["Output"]["properties"]["inputs"]["description"] == "in dB"
    assert parts["Loudspeaker"]["properties"]["passband_hz"]["description"] == "in Hz"
    endings = {"_hz": "Hz", "_ms": "ms", "_m": "m", "_ohm": "ohm", "_w": "W", "_dbu": "dBu"}
    for part in parts.values():
        for name, field in part["properties"].items():
            for ending, unit in endings.items():
                if name.endswith(ending) and "$ref" not in json.dumps(field):
                    assert field["description"] == f"in {unit}", name
