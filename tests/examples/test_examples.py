"""The shipped examples: legal, canonical, reproducible, complete, and right where it counts.

The captures come from a room computed by numpy and scipy alone (tests/examples/room.py), so
that sums and alignment are checked against something that is not the program.
"""

from __future__ import annotations

import importlib
import json
import math
import re
import shlex
import shutil
import tomllib
from functools import cache
from pathlib import Path
from typing import Any, get_args

import jsonschema  # type: ignore[import-untyped]
import msgspec
import numpy as np
import pytest
import soundfile
from msgspec import UNSET, Struct

import xover
from tests.examples import build_examples, hall
from tests.examples.room import bins_hz, electrical
from xover.cli.entry import COMMANDS, run
from xover.design.crossings import crossings
from xover.files.shipped import default_example, presets_folder
from xover.model import words
from xover.model.preset import Preset
from xover.model.processing import EqSection, Output
from xover.model.rig import Source

ROOT = Path(__file__).resolve().parents[2]
NAMES = tuple(build_examples.EXAMPLES)
TITLES = {
    "harbour-hall.json": "Harbour Hall, main rig",
    "lantern-cafe.json": "Lantern Café, music and paging",
    "hillside-chapel.json": "Hillside Chapel, speech and organ",
}


@cache
def shipped(name: str) -> Preset:
    return xover.load(presets_folder() / name)


@cache
def built(name: str) -> Preset:
    return build_examples.EXAMPLES[name]()


# The files


def test_all_examples_are_shipped_and_the_hall_is_the_default() -> None:
    assert sorted(path.name for path in presets_folder().glob("*.json")) == sorted(NAMES)
    assert default_example() == presets_folder() / "harbour-hall.json"
    assert {name: shipped(name).title for name in NAMES} == TITLES


@pytest.mark.parametrize("name", NAMES)
def test_the_file_is_canonical_and_of_sane_size(name: str) -> None:
    data = (presets_folder() / name).read_bytes()
    assert xover.dumps(xover.loads(data)) == data
    assert len(data) < 400_000


@pytest.mark.parametrize("name", NAMES)
def test_the_file_is_valid_by_an_independent_validator(name: str) -> None:
    schema = json.loads((ROOT / "docs" / "preset.schema.json").read_text("utf-8"))
    validator = jsonschema.Draft202012Validator(schema)
    document = json.loads((presets_folder() / name).read_text("utf-8"))
    assert list(validator.iter_errors(document)) == []
    assert list(validator.iter_errors(document | {"surplus": 1})), "the schema refuses nothing"


@pytest.mark.parametrize("name", NAMES)
def test_the_builder_makes_the_file(name: str) -> None:
    made = msgspec.to_builtins(built(name))
    _same(msgspec.to_builtins(shipped(name)), made, name)


def test_the_wheel_carries_the_examples() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    included = project["tool"]["hatch"]["build"]["targets"]["wheel"]["force-include"]
    assert included["presets"] == "xover/presets"


def _same(one: Any, two: Any, where: str) -> None:
    """Equal, numbers to a last printed digit and phases on the circle: libraries round apart."""
    if isinstance(one, dict):
        assert isinstance(two, dict), where
        assert list(one) == list(two), where
        for key in one:
            _same(one[key], two[key], f"{where}.{key}")
    elif isinstance(one, list | tuple):
        assert len(one) == len(two), where
        for at, (a, b) in enumerate(zip(one, two, strict=True)):
            _same(a, b, f"{where}[{at}]")
    elif isinstance(one, float) and not isinstance(two, bool):
        apart = abs(one - two)
        if ".phase_deg[" in where:
            apart = abs(math.remainder(one - two, 360.0))
        assert apart <= (0.25 if ".phase_deg[" in where else 0.021), f"{where}: {one} and {two}"
    else:
        assert one == two, where


# What they use of the format

ONE_VALUE = {("Preset", "format"), ("Preset", "version")}
"""Fields with a single legal value."""


def test_every_field_of_the_format_is_used_somewhere() -> None:
    used: set[tuple[str, str]] = set()
    for name in NAMES:
        _collect(shipped(name), used)
    unused = sorted(_all_fields(Preset) - used - ONE_VALUE)
    assert not unused, "never set to anything but the default: " + ", ".join(
        ".".join(field) for field in unused
    )


def test_a_preset_with_defaults_alone_uses_few_fields() -> None:
    used: set[tuple[str, str]] = set()
    plain = Preset(
        title="plain",
        inputs=(xover.load(default_example()).inputs[0],),
        outputs=(Output(name="Main"),),
    )
    _collect(plain, used)
    assert len(_all_fields(Preset) - used) > 80


def test_every_word_of_the_closed_vocabularies_is_used() -> None:
    seen: dict[str, set[str]] = {}

    def note(kind: str, value: object) -> None:
        if isinstance(value, str):
            seen.setdefault(kind, set()).add(value)

    for name in NAMES:
        preset = shipped(name)
        for section in _sections(preset):
            note("kind", section.kind)
        for output in preset.outputs:
            for filter_ in (output.high_pass, output.low_pass):
                note("family", filter_.family if filter_ else None)
        for group in preset.groups:
            for stage in group.follow:
                note("stage", stage)
        for box in preset.loudspeakers:
            note("enclosure", box.enclosure)
            note("space", box.sensitivity_space)
            note("basis", box.power_w.basis if box.power_w else None)
        for source in preset.sources:
            note("boundary", source.boundary)
        for measurement in preset.measurements:
            note("captured", measurement.captured)
    assert seen["kind"] == set(get_args(words.EqKind))
    assert seen["family"] == set(get_args(words.Family))
    assert seen["stage"] == set(get_args(words.Stage))
    assert seen["enclosure"] >= {"sealed", "vented"}
    assert seen["space"] == set(get_args(words.Space))
    assert seen["basis"] == set(get_args(words.Basis))
    assert seen["boundary"] == set(get_args(words.Boundary))
    assert seen["captured"] == set(get_args(words.Captured))


def test_what_no_single_field_shows_is_there() -> None:
    presets = [shipped(name) for name in NAMES]
    sections = [section for preset in presets for section in _sections(preset)]
    boxes = [box for preset in presets for box in preset.loudspeakers]
    own = [box.response.trace for box in boxes if box.response is not None]
    assert {one.kind for one in sections if one.effective_order == 1} == {
        "low_shelf", "high_shelf", "all_pass",
    }  # fmt: skip
    assert all("\n" in preset.notes for preset in presets)
    assert {trace.phase_deg is None for trace in own} == {True, False}
    assert {channel.line_v for preset in presets for channel in preset.amplifier_channels} == {
        None, 70.7, 100.0,
    }  # fmt: skip
    assert {amp.gain_db is None for preset in presets for amp in preset.amplifiers} == {
        True, False,
    }  # fmt: skip


def _sections(preset: Preset) -> list[EqSection]:
    stages = [item.eq for item in preset.inputs] + [item.eq for item in preset.outputs]
    return [section for stage in stages for section in stage]


def _all_fields(kind: type[Struct]) -> set[tuple[str, str]]:
    """Every field of a structure and of all structures inside it, as (structure, field)."""
    found: set[tuple[str, str]] = set()
    waiting: list[msgspec.inspect.Type] = [msgspec.inspect.type_info(kind)]
    while waiting:
        item = waiting.pop()
        if isinstance(item, msgspec.inspect.StructType):
            for field in item.fields:
                if (item.cls.__name__, field.name) not in found:
                    found.add((item.cls.__name__, field.name))
                    waiting.append(field.type)
        elif isinstance(item, msgspec.inspect.UnionType):
            waiting += item.types
        elif isinstance(item, msgspec.inspect.VarTupleType):
            waiting.append(item.item_type)
        elif isinstance(item, msgspec.inspect.DictType):
            waiting.append(item.value_type)
        elif isinstance(item, msgspec.inspect.Metadata):
            waiting.append(item.type)
    return found


def _collect(item: object, used: set[tuple[str, str]]) -> None:
    """Note every field that holds something else than its default."""
    if isinstance(item, Struct):
        for field in msgspec.structs.fields(type(item)):
            value = getattr(item, field.name)
            default = field.default
            if default is msgspec.NODEFAULT and field.default_factory is not msgspec.NODEFAULT:
                default = field.default_factory()
            settled = isinstance(item, EqSection) and field.name == "order" and value == 2
            if value is not UNSET and value != default and not settled:
                used.add((type(item).__name__, field.name))
            _collect(value, used)
    elif isinstance(item, dict):
        for value in item.values():
            _collect(value, used)
    elif isinstance(item, tuple) and item and isinstance(item[0], Struct):
        for value in item:
            _collect(value, used)


# Advice


@pytest.mark.parametrize(
    ("name", "codes"),
    [
        ("harbour-hall.json", ["outside-coverage"]),
        ("lantern-cafe.json", ["high-pass-below-box"]),
        ("hillside-chapel.json", ["captured-unknown", "muted-output"]),
    ],
)
def test_the_advice_is_short_and_meant(name: str, codes: list[str]) -> None:
    found = xover.advise(shipped(name))
    assert [one.code for one in found if one.code in codes] == codes
    assert len(found) <= 3, [one.message for one in found]
    assert all(one.severity != "error" for one in found)


# The hall against the room that it was captured in


def _in_the_room(preset: Preset, output: str, listener: str) -> np.ndarray:
    """What the room itself gives for today's settings, no capture and no program between."""
    heard = hall.PLACE.heard(preset, output, listener, temperature_c=preset.air.temperature_c)
    driven = {"Left": 0.0, "Aux": 0.0}
    return np.asarray(heard * electrical(preset, output, driven, bins_hz()))


@pytest.mark.parametrize("listener", hall.CAPTURED_AT)
def test_the_predicted_sum_is_what_the_room_gives(listener: str) -> None:
    # Captures carry settings of before the alignment; the prediction exchanges them. Compared
    # below 195 Hz, where each bin is a point of its own, and away from deep cancellations.
    preset = shipped("harbour-hall.json")
    band = (bins_hz() > 35.0) & (bins_hz() < 195.0)
    outputs = ("Sub", "Top L", "Delay L")
    parts = np.array([_in_the_room(preset, output, listener)[band] for output in outputs])
    truth = parts.sum(axis=0)
    clear = np.abs(truth) > 0.4 * np.abs(parts).sum(axis=0)
    answer = xover.listener_response(preset, listener, bins_hz()[band])
    assert answer.level == "spl"
    apart = answer.response / truth - 1.0
    assert clear.mean() > 0.8
    # 0.01 is 0.09 dB or 0.6°: noise some 45 dB down, figures rounded to 0.01 dB and 0.1°
    assert np.sqrt(np.mean(np.abs(apart[clear]) ** 2)) < 0.01


def test_the_delays_changed_since_the_captures() -> None:
    preset = shipped("harbour-hall.json")
    then = {one.output: one.captured_settings for one in preset.measurements}
    assert then["Sub"] is not None
    assert preset.output("Sub").delay_ms != then["Sub"].output.delay_ms
    assert preset.output("Delay L").delay_ms > 40.0


@pytest.mark.parametrize("listener", hall.ALIGNED_AT)
def test_the_shipped_alignment_holds_in_the_room(listener: str) -> None:
    # Loss = 20·log10((|A|+|B|)/|A+B|), mean over log frequency from 80 to 160 Hz, computed here
    # from the room alone.
    preset = shipped("harbour-hall.json")
    sub, top = (_in_the_room(preset, output, listener) for output in ("Sub", "Top L"))
    grid_hz = np.geomspace(80.0, 160.0, 97)

    def loss_db(later_ms: float) -> float:
        moved = sub * np.exp(-2e-3j * np.pi * bins_hz() * later_ms)
        worst = np.abs(sub) + np.abs(top)
        return float(
            np.mean(np.interp(grid_hz, bins_hz(), 20.0 * np.log10(worst / np.abs(moved + top))))
        )

    assert loss_db(0.0) < 1.0
    assert loss_db(0.0) < loss_db(-preset.output("Sub").delay_ms)
    assert loss_db(0.0) < loss_db(3.0)


def test_asking_again_changes_nothing() -> None:
    preset = shipped("harbour-hall.json")
    aligned = xover.align(preset, move=["Sub"], to="Top L", listeners=list(hall.ALIGNED_AT))
    result = aligned.results[0]
    assert not result.ambiguous
    assert abs(result.relative_delay_ms) < 0.01  # delays are shipped to 0.01 ms
    assert result.polarity == preset.output("Sub").polarity
    assert max(result.loss_after_db.values()) < 1.0
    late = xover.delay_by_distance(
        preset, move=["Delay L"], to="Top L", listener="Row 24", offset_ms=10.0
    )
    assert late.results[0].delay_ms < 0.01


def test_the_picture_marks_where_sub_and_top_cross_over() -> None:
    # The sub has a send of its own: they meet because Left and Aux carry one signal.
    preset = shipped("harbour-hall.json")
    found = crossings(preset, "Row 8", xover.drive_of(preset))
    assert [(one.lower, one.upper) for one in found] == [("Sub", "Top L")]
    (low_hz, high_hz) = found[0].bands_hz[0]
    assert low_hz < 95.0 < high_hz
    assert found[0].loss_db < 1.0
    assert crossings(preset, "Row 8", xover.drive_of(preset, {"Aux": 0.0})) == ()


# Limiters


def test_no_limiter_lets_more_through_than_the_box_bears() -> None:
    # V = √(P·Z); 0 dBu = 0.7746 V (ITU-R BS.645-2). A rating on an unknown basis counts half, an
    # rms threshold is held against continuous, a peak one (a sine's rms) against twice that:
    # peak is four times continuous power, and a sine's peak twice its rms in power (common
    # practice, no source).
    checked = 0
    for name in NAMES:
        preset = shipped(name)
        for source in preset.sources:
            if source.amplifier_channel is None or source.tap_w is not None:
                continue
            checked += 1
            box = preset.loudspeaker(source.loudspeaker)
            assert box.power_w is not None
            assert box.impedance_ohm is not None
            derated = 0.5 if box.power_w.basis == "unknown" else 1.0
            limits_w = [(box.power_w.continuous, box.impedance_ohm)]
            limits_w += [(one.power_w, one.impedance_ohm) for one in box.sections]
            limiter = preset.output(source.output).limiter
            assert limiter is not None
            for limit, share in ((limiter.rms, 1.0), (limiter.peak, 2.0)):
                assert limit is not None
                volts = 0.7745966692 * 10.0 ** (
                    (limit.threshold_dbu + _gain_to_box_db(preset, source)) / 20.0
                )
                bearable = [math.sqrt(share * derated * w * ohm) for w, ohm in limits_w]
                assert volts <= min(bearable) * (1.0 + 1e-6), (name, source.name)
    assert checked == 9


def _gain_to_box_db(preset: Preset, source: Source) -> float:
    assert source.amplifier_channel is not None
    channel = preset.amplifier_channel(source.amplifier_channel)
    gain_db = preset.amplifier(channel.amplifier).gain_db
    assert gain_db is not None
    locked_db = channel.attenuator_db if channel.attenuator_locked else 0.0
    return gain_db + (20.0 * math.log10(2.0) if channel.bridged else 0.0) + locked_db


# The examples of the help texts and of the manual


def _examples() -> list[str]:
    """Every command line of the help texts and of docs/examples.md, quoted for a shell."""
    found = []
    for name in (*COMMANDS, "overview"):
        epilog = importlib.import_module(f"xover.cli.{name}").command.epilog or ""
        epilog = re.sub(r" \\\n +", " ", epilog)
        lines = re.findall(r"xover [^\n]+", epilog)
        assert lines, f"the help of `xover {name}` has no example"
        found += [line.replace("“", '"').replace("”", '"') for line in lines]
    manual = (ROOT / "docs" / "examples.md").read_text("utf-8")
    shown = re.findall(r"^xover .+$", manual, re.MULTILINE)
    assert len(shown) > 10
    return list(dict.fromkeys(found + shown))


@pytest.mark.parametrize("line", _examples())
def test_every_example_of_the_help_texts_and_the_manual_runs(
    line: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    shutil.copytree(presets_folder(), tmp_path / "presets")
    shutil.copy(default_example(), tmp_path / "evening.json")
    impulse = np.zeros(4096)
    impulse[480] = 0.5
    soundfile.write(tmp_path / "sub.wav", impulse, 48_000, subtype="FLOAT")
    if " new " in line:
        (tmp_path / "evening.json").unlink()
    if " signal " in line:
        (tmp_path / "sub.wav").unlink()
    arguments = shlex.split(line.split(">")[0])
    assert arguments.pop(0) == "xover"
    assert run(arguments) in (0, 1)


def test_a_name_that_the_hall_does_not_have_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(["response", "presets/harbour-hall.json", "--listener", "Row 99"]) == 2
    assert "Row 8" in capsys.readouterr().err
