"""Processor profiles as files: the shipped ones, faults with their places, the schema."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from xover.cli.new import start_profile
from xover.files.preset_json import loads
from xover.files.profile_json import dumps_profile, loads_profile
from xover.files.profile_schema import profile_schema, profile_schema_text
from xover.model.problems import Refused

ROOT = Path(__file__).parents[2]
SHIPPED = sorted((ROOT / "presets" / "processors").glob("*.json"))
VALIDATOR = jsonschema.Draft202012Validator(profile_schema())


def tree() -> dict[str, Any]:
    found: dict[str, Any] = json.loads(dumps_profile(start_profile()))
    return found


def refusal(node: object) -> dict[str, str]:
    with pytest.raises(Refused) as caught:
        loads_profile(json.dumps(node).encode())
    return {fault.where: fault.message for fault in caught.value.faults}


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_shipped_profiles_read_and_write_byte_for_byte(path):
    profile = loads_profile(path.read_bytes())
    assert dumps_profile(profile) == path.read_bytes()
    assert "invented" in profile.name
    VALIDATOR.validate(json.loads(path.read_bytes()))


def test_three_are_shipped():
    assert [path.stem for path in SHIPPED] == ["jetty-4x8", "kittiwake-8x16", "old-ferry-2x6"]


def test_the_smallest_profile_takes_its_defaults():
    smallest = {
        "format": "xover-processor",
        "version": 1,
        "name": "Smallest",
        "inputs": 1,
        "outputs": 1,
        "sample_rates_hz": [48000],
        "gain_db": {"min": -60, "max": 0, "step": 1},
        "delay": {"unit": "ms", "max": 100, "step": 0.1},
        "crossover": {"families": {}, "frequency_hz": {"values": [100]}},
        "eq": {
            "bands_per_output": 0,
            "kinds": [],
            "frequency_hz": {"values": [100]},
            "gain_db": {"min": 0, "max": 0, "step": 1},
            "width": {"unit": "q", "values": {"values": [1]}},
        },
    }
    VALIDATOR.validate(smallest)
    profile = loads_profile(json.dumps(smallest).encode())
    assert profile.full_scale_dbu is None
    assert profile.limiter is None
    assert profile.name_characters is None
    assert profile.polarity is True
    assert profile.eq.high_frequency == "unknown"


def test_all_faults_are_said_together():
    node = tree()
    node["gain_db"] = {"min": 12, "max": -60, "step": 0.1}
    node["crossover"]["families"] = {"buterworth": [12], "bessel": [13]}
    node["eq"]["frequency_hz"] = {"min": 20, "max": 20000, "step": 1, "per_octave": 3}
    node["eq"]["small_gain_convention"] = "half-gain"
    node["limiter"]["rms"]["threshold"]["reads"] = "peak"
    node["limiter"]["peak"]["threshold"] |= {"unit": "v", "min": 0}
    node["limiter"]["position"] = "sideways"
    node["eq"]["knobs"] = 3
    found = refusal(node)
    assert set(found) == {
        "gain_db.max",
        "gain_db",
        'crossover.families["buterworth"]',
        'crossover.families["bessel"][0]',
        "eq.frequency_hz",
        "eq.small_gain_convention",
        "limiter.rms.threshold.reads",
        "limiter.peak.threshold.min",
        "limiter.position",
        "eq.knobs",
    }
    assert "did you mean “butterworth”?" in found['crossover.families["buterworth"]']
    assert "12, 18, 24" in found['crossover.families["bessel"][0]']


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({"delay": {"unit": "ms", "max": 0.01, "step": 0.1}}, "delay.max"),
        ({"sample_rates_hz": []}, "sample_rates_hz"),
        ({"sample_rates_hz": [96000, 48000]}, "sample_rates_hz[1]"),
        ({"name": " x"}, "name"),
        ({"version": 2}, "version"),
        ({"gain_db": {"min": 1, "max": 6, "step": 1}}, "gain_db"),
        ({"gain_db": {"min": -1e6, "max": 1e6, "step": 1e-3}}, "gain_db"),
        ({"limiter": {"position": "after-gain"}}, "limiter"),
    ],
)
def test_contradictions(change, where):
    assert where in refusal(tree() | change)


def test_each_kind_of_file_is_told_from_the_other():
    with pytest.raises(Refused, match="this is a processor profile, not a preset"):
        loads(dumps_profile(start_profile()))
    preset = b'{"format": "xover-preset", "version": 1}'
    with pytest.raises(Refused, match="this is a preset, not a processor profile"):
        loads_profile(preset)


def test_the_published_schema_is_current():
    assert (ROOT / "docs" / "processor.schema.json").read_bytes() == profile_schema_text(), (
        "write it anew: xover schema processor > docs/processor.schema.json"
    )
    jsonschema.Draft202012Validator.check_schema(profile_schema())


@pytest.mark.parametrize(
    "grid",
    [
        {"min": 1, "max": 2},
        {"min": 1, "max": 2, "step": 1, "values": [1]},
        {"values": []},
        {"min": 1, "max": 2, "step": 1, "per_octave": 2},
    ],
)
def test_schema_and_reader_agree_on_grids(grid):
    node = tree()
    node["eq"]["frequency_hz"] = grid
    assert not VALIDATOR.is_valid(node)
    assert any(where.startswith("eq.frequency_hz") for where in refusal(node))
