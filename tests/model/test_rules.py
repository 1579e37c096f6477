"""Cross-field rules: each broken alone in a preset that uses every field, said at its place."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from msgspec.structs import replace

from tests.strategies import everything, minimal, presets
from tests.trees import GONE, changed, faults_of
from xover.model import rules
from xover.model.processing import EqSection, Input, Output

# What the format's text says, one broken rule a row: changes, place, words of the sentence.
BROKEN = [
    # names and text
    ({"groups[0].name": " Delay "}, "groups[0].name", "blanks at its start or end"),
    ({"sources[0].name": "Row\u00077"}, "sources[0].name", "control character \\u0007"),
    ({"title": "e\u0301"}, "title", "not in composed form"),
    ({"title": "a\nb"}, "title", "control character"),
    ({"venue": "a\tb"}, "venue", "control character"),
    ({"notes": "a\x00b"}, "notes", "control character \\u0000"),
    ({"notes": "a\ud800b"}, "notes", "half a character"),
    ({"tags[1]": "x\x9b"}, "tags[1]", "control character \\u009b"),
    ({"based_on": "x\x1b"}, "based_on", "control character"),
    ({"processor": " x"}, "processor", "blanks"),
    ({"measurements[0].trace.session": "x "}, "measurements[0].trace.session", "blanks"),
    ({"tags": ["a", "b", "a"]}, "tags[2]", "“a” stands here twice"),
    ({"inputs[1].name": "LEFT", "outputs[0].inputs": {}, "stimulus": None,
      "measurements": []}, "inputs[1].name", "is the name of inputs[0] too"),
    ({"sources[1].name": "sub LEFT"}, "sources[1].name", "is the name of sources[0] too"),
    ({"outputs": [], "groups": [], "amplifier_channels": [], "sources": [], "measurements": []},
     "outputs", "at least one output"),
    # references
    ({'outputs[1].inputs["Nobody"]': 0}, 'outputs[1].inputs["Nobody"]', "there is no input"),
    ({'outputs[1].inputs["left"]': 0}, 'outputs[1].inputs["left"]', "so write “Left”"),
    ({"groups[0].outputs[1]": "Dely"}, "groups[0].outputs[1]", "did you mean “Delay”?"),
    ({"groups[0].outputs": ["Sub", "Sub"]}, "groups[0].outputs[1]", "stands here twice"),
    ({"groups[0].follow": ["eq", "gain", "eq"]}, "groups[0].follow[2]", "stands here twice"),
    ({"outputs[0].locked": ["eq", "eq"]}, "outputs[0].locked[1]", "stands here twice"),
    ({'stimulus.inputs["X"]': 0}, 'stimulus.inputs["X"]', "there is no input “X”"),
    ({"amplifier_channels[0].amplifier": "x"}, "amplifier_channels[0].amplifier", "no amplifier"),
    ({"amplifier_channels[0].output": "x", "sources[0].amplifier_channel": None},
     "amplifier_channels[0].output", "no output"),
    ({"sources[1].output": "x"}, "sources[1].output", "there is no output “x”"),
    ({"sources[1].loudspeaker": "x"}, "sources[1].loudspeaker", "no loudspeaker “x”"),
    ({"sources[0].amplifier_channel": "x"}, "sources[0].amplifier_channel", "no amplifier channel"),
    ({"amplifier_channels[0].output": "Delay"}, "sources[0].amplifier_channel",
     "fed by the output “Delay”, but this source by “Sub”"),
    ({"measurements[0].listener": "x"}, "measurements[0].listener", "no listener “x”"),
    ({'measurements[0].driven_inputs["x"]': 0}, 'measurements[0].driven_inputs["x"]', "no input"),
    ({'measurements[0].captured_positions_m.sources["a "]': [0, 0, 0]},
     'measurements[0].captured_positions_m.sources["a "]', "blanks"),
    # filters
    ({"outputs[0].low_pass.frequency_hz": 47_040}, "outputs[0].low_pass.frequency_hz",
     "47040 Hz is too high for a sample rate of 96000 Hz; filters must lie below 47040 Hz"),
    ({"inputs[0].eq[1].frequency_hz": 48_000}, "inputs[0].eq[1].frequency_hz", "below 47040 Hz"),
    ({"measurements[0].captured_settings.output.eq[7].frequency_hz": 23_520},
     "measurements[0].captured_settings.output.eq[7].frequency_hz", "rate of 48000 Hz"),
    ({"outputs[0].low_pass.slope_db_per_octave": 18}, "outputs[0].low_pass.slope_db_per_octave",
     "18 dB per octave is not a slope of linkwitz-riley filters; they are given in 12, 24, 36, 48"),
    ({"outputs[0].high_pass": {"family": "bessel", "slope_db_per_octave": 6, "frequency_hz": 40}},
     "outputs[0].high_pass.slope_db_per_octave", "given in 12, 18, 24, 30, 36, 42, 48"),
    ({"outputs[0].eq[0].gain_db": GONE}, "outputs[0].eq[0].gain_db", "needs a gain in dB"),
    ({"outputs[0].eq[0].q": GONE}, "outputs[0].eq[0].q", "needs a Q"),
    ({"outputs[0].eq[0].order": 1, "outputs[0].eq[0].q": GONE}, "outputs[0].eq[0].order",
     "a peak section is of order 2, not 1"),
    ({"outputs[0].eq[1].order": 3}, "outputs[0].eq[1].order", "of order 1 or 2, not 3"),
    ({"outputs[0].eq[2].q": 0.7}, "outputs[0].eq[2].q", "order 1 has no Q"),
    ({"outputs[0].eq[3].gain_db": 0}, "outputs[0].eq[3].gain_db", "a notch section has no gain"),
    ({"outputs[0].eq[3].q": GONE}, "outputs[0].eq[3].q", "needs a Q"),
    ({"outputs[0].eq[6].gain_db": 1}, "outputs[0].eq[6].gain_db", "all-pass section has no gain"),
    # the rig
    ({"loudspeakers[0].passband_hz": [140, 140]}, "loudspeakers[0].passband_hz", "not ascend"),
    ({"loudspeakers[0].sections[0].band_hz": [2, 1]}, "loudspeakers[0].sections[0].band_hz",
     "2 Hz to 1 Hz does not ascend"),
    ({"loudspeakers[0].impedance_ohm": None}, "loudspeakers[0].impedance_ohm", "is missing"),
    ({"loudspeakers[0].power_w": GONE}, "loudspeakers[0].power_w", "without an amplifier of its"),
    ({"amplifiers[0].sensitivity_dbu": 4}, "amplifiers[0].gain_db", "both are given"),
    ({"amplifiers[0].gain_db": None}, "amplifiers[0].gain_db", "neither is given"),
    ({"amplifiers[0].power_w": {}}, "amplifiers[0].power_w", "at least one load"),
    ({"amplifiers[0].power_w": {"8": 1, "8.0": 1}}, 'amplifiers[0].power_w["8.0"]', "same load"),
    ({"amplifiers[0].power_w": {"eight": 1}}, 'amplifiers[0].power_w["eight"]', "not a load"),
    ({"amplifiers[0].power_w": {"0": 1}}, 'amplifiers[0].power_w["0"]', "not a load"),
    ({"amplifiers[0].power_w": {"-8": 1}}, 'amplifiers[0].power_w["-8"]', "not a load"),
    ({"amplifiers[0].power_w": {"8 ": 1}}, 'amplifiers[0].power_w["8 "]', "not a load"),
    ({"amplifiers[0].power_w": {"inf": 1}}, 'amplifiers[0].power_w["inf"]', "not a load"),
    ({"amplifiers[0].line_v": [70]}, "amplifiers[0].line_v[0]", "it may be 70.7 or 100 V"),
    ({"amplifiers[0].line_v": [100, 100]}, "amplifiers[0].line_v[1]", "twice"),
    ({"amplifier_channels[0].line_v": 50}, "amplifier_channels[0].line_v", "50 V is not a line"),
    ({"amplifiers[0].bridgeable": False}, "amplifier_channels[0].bridged", "not bridgeable"),
    # what was measured
    ({"measurements[0].trace.frequency_hz": [], "measurements[0].trace.magnitude_db": [],
      "measurements[0].trace.phase_deg": None, "measurements[0].trace.coherence": None},
     "measurements[0].trace.frequency_hz", "at least one point"),
    ({"measurements[0].trace.frequency_hz": [20, 20, 30]},
     "measurements[0].trace.frequency_hz[1]", "20 Hz does not lie above 20 Hz"),
    ({"measurements[0].trace.magnitude_db": [0, 0]}, "measurements[0].trace.magnitude_db",
     "has 2 points, but frequency_hz has 3"),
    ({"loudspeakers[0].response.trace.phase_deg": []},
     "loudspeakers[0].response.trace.phase_deg", "has 0 points"),
    ({"loudspeakers[0].response.trace.coherence": [1]},
     "loudspeakers[0].response.trace.coherence", "has 1 points"),
    ({"measurements[0].captured": "flat"}, "measurements[0].captured_settings", "“flat”"),
    ({"measurements[0].captured_settings": None}, "measurements[0].captured_settings",
     "is missing"),
    ({"measurements[0].captured_settings.output.name": "Delay"},
     "measurements[0].captured_settings.output.name", "not the output that was measured, “Sub”"),
    ({"measurements[0].captured_settings.inputs[1].name": "Other"},
     'measurements[0].captured_settings.output.inputs["Aux ö"]', "settings at capture"),
    ({"measurements[0].captured_settings.output.eq[0].q": GONE},
     "measurements[0].captured_settings.output.eq[0].q", "needs a Q"),
    ({"measurements[0].captured_settings.inputs[0].eq[0].gain_db": GONE},
     "measurements[0].captured_settings.inputs[0].eq[0].gain_db", "needs a gain"),
    ({"measurements[0].captured_settings.output.locked": ["eq", "eq"]},
     "measurements[0].captured_settings.output.locked[1]", "twice"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("changes", "where", "sentence"), BROKEN, ids=[f"{row[1]}-{row[2][:12]}" for row in BROKEN]
)
def test_each_rule_alone(changes, where, sentence):
    found = faults_of(changed(changes))
    assert list(found) == [where]
    assert sentence in found[where]
    assert len(found[where]) < 300


def test_two_measurements_of_one_pair():
    tree = changed({})
    tree = changed({"measurements[1]": tree["measurements"][0]}, tree)
    assert (
        "there is already a measurement of “Sub” at “Row 7”"
        in (faults_of(tree)["measurements[1].listener"])
    )


def test_100_000_points_are_the_most():
    def preset(points):
        column = tuple(float(at + 1) for at in range(points))
        whole = everything()
        trace = replace(
            whole.measurements[0].trace,
            frequency_hz=column,
            magnitude_db=(0.0,) * points,
            phase_deg=None,
            coherence=None,
        )
        return replace(whole, measurements=(replace(whole.measurements[0], trace=trace),))

    assert rules.faults(preset(100_000)) == []
    (fault,) = rules.faults(preset(100_001))
    assert fault.where == "measurements[0].trace.frequency_hz"
    assert "has 100001 points; a preset holds at most 100000" in fault.message


@pytest.mark.parametrize(
    "changes",
    [
        {"outputs[0].low_pass.frequency_hz": 47_039.9},  # just below 0.49 × 96 kHz
        {"outputs[0].eq[3].order": 2},  # the default, said aloud
        {"sources": []},  # outputs without sources are legal
        {'measurements[0].captured_positions_m.sources["Gone since"]': [0, 0, 0]},
        {"venue": " e\u0301 "},  # only names are trimmed and composed
        {"groups[0].outputs": []},
        {"outputs[1].inputs": {}},
        {"notes": ""},
    ],
)
def test_legal_though_near_a_rule(changes):
    assert faults_of(changed(changes)) == {}


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, 61.0, "1", None, True])
def test_presets_built_in_the_program_are_judged_too(value):
    preset = minimal()
    built = replace(preset, outputs=(replace(preset.outputs[0], gain_db=value),))
    (fault,) = rules.faults(built)
    assert fault.where == "outputs[0].gain_db"


def test_nan_in_a_trace_is_found():
    whole = everything()
    bad = replace(whole.measurements[0].trace, magnitude_db=(0.0, math.nan, 0.0))
    preset = replace(whole, measurements=(replace(whole.measurements[0], trace=bad),))
    (fault,) = rules.faults(preset)
    assert fault.where == "measurements[0].trace.magnitude_db[1]"
    assert "nan is not a finite number; it must lie between −1000 and 1000 dB" in fault.message


def test_wrong_shapes_built_in_the_program_never_raise():
    for outputs in ((), None, (None,), ("Sub",), ({"name": "Sub"},), (Output(name=None),), 3):
        found = rules.faults(replace(minimal(), outputs=outputs))
        assert outputs == ({"name": "Sub"},) or found
    section = EqSection(kind="bell", frequency_hz=100.0)
    (fault,) = rules.faults(replace(minimal(), inputs=(Input(name="In", eq=(section,)),)))
    assert fault.where == "inputs[0].eq[0].kind"


@given(presets())
@settings(max_examples=40, deadline=None)
def test_generated_presets_are_legal(preset):
    assert rules.faults(preset) == []
    assert rules.cross_faults(preset) == []
