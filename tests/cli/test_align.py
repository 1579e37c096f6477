"""`xover align` on files: several listeners and movers, weights, pictures, what is refused."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest

from tests.cli.conftest import Ran
from tests.design.rigs import crossover, rig, three_ways, trace
from xover.files.preset_json import load, save
from xover.model.preset import Preset

Run = Callable[..., Ran]


def saved(preset: Preset, folder: Path) -> Path:
    path = folder / "rig.json"
    save(preset, str(path), overwrite=False)
    return path


@pytest.fixture
def two_rows(tmp_path: Path) -> Path:
    """The best delay is 1 ms in the front, 3 ms at the back; one name holds an equals sign."""
    front, back = "Front", "Back=2"
    return saved(
        rig({front: trace(20.0), back: trace(40.0)}, {front: trace(21.0), back: trace(43.0)}),
        tmp_path,
    )


PAIR = ("--move", "Sub", "--to", "Top")


def test_weights_behind_names(xover: Run, two_rows: Path) -> None:
    found = {}
    for typed in ("Front", "Front=4", "front=0"):
        ran = xover("align", two_rows, *PAIR, "--listener", typed, "--listener", "Back=2", "--json")
        assert ran.code == 0
        found[typed] = ran.document
    assert found["Front"]["weights"] == {"Front": 1.0, "Back=2": 1.0}
    assert found["Front=4"]["weights"] == {"Front": 4.0, "Back=2": 1.0}
    delays = {key: each["results"][0]["relative_delay_ms"] for key, each in found.items()}
    assert delays["Front=4"] < delays["Front"] < delays["front=0"]
    text = xover("align", two_rows, *PAIR, "--listener", "Front=4", "--listener", "Back=2=0.5")
    assert "Front (weight 4)" in text.out
    assert "Back=2 (weight 0.5)" in text.out


@pytest.mark.parametrize(
    ("listeners", "sentence"),
    [
        (["Front=x"], "“x” in “Front=x” is no weight; it is a number from 0 to 1000"),
        (["Front=-1"], "is no weight"),
        (["Front=inf"], "is no weight"),
        (["Front=nan"], "is no weight"),
        (["Side=2"], "“Side”"),
        (["Front", "front=2"], "is named twice"),
        (["Front=0"], "let at least one of them count"),
    ],
)
def test_senseless_listeners_are_refused(
    xover: Run, two_rows: Path, listeners: list[str], sentence: str
) -> None:
    options = [part for name in listeners for part in ("--listener", name)]
    ran = xover("align", two_rows, *PAIR, *options, "--json")
    assert ran.code == 2
    assert sentence in ran.document["faults"][0]["message"]


def test_several_movers_are_applied_together(xover: Run, tmp_path: Path) -> None:
    preset = three_ways({"Row 8": (20.0, 23.0, 26.5)}, inverted=(True, False, False))
    path = saved(preset, tmp_path)
    options = ("--move", "Sub", "--move", "Mid", "--to", "Top", "--listener", "Row 8")
    ran = xover("align", path, *options, "--json")
    assert ran.code == 0
    document = ran.document
    assert [one["move"] for one in document["results"]] == ["Sub", "Mid"]
    assert document["runners_up"][0]["loss_db"] > document["loss_db"]
    copy = tmp_path / "aligned.json"
    assert xover("align", path, *options, "--apply", "-o", copy).code == 0
    applied = load(str(copy))
    for name, setting in document["settings"].items():
        assert applied.output(name).delay_ms == setting["delay_ms"]
        assert applied.output(name).polarity == setting["polarity"]
    text = xover("align", path, *options).out
    assert "Together, relative to Top" in text
    assert "other settings of all, the runner-up first" in text


def test_an_all_pass_is_applied_as_an_eq_section(xover: Run, tmp_path: Path) -> None:
    from tests.design.test_all_pass import room, second_order

    path = saved(room(second_order), tmp_path)
    options = (*PAIR, "--listener", "Row 8", "--all-pass")
    found = xover("align", path, *options, "--json").document["results"][0]["all_pass"]
    assert found["order"] == 2
    assert found["plain"]["delayed_output"] in ("Sub", "Top")
    copy = tmp_path / "aligned.json"
    text = xover("align", path, *options, "--apply", "-o", copy).out
    assert f"which wins {found['buys_db']:.2f} dB" in text
    assert "without it: " in text
    (section,) = load(str(copy)).output("Sub").eq
    assert (section.kind, section.frequency_hz, section.q) == (
        "all_pass",
        found["frequency_hz"],
        found["q"],
    )


def test_the_loss_against_frequency_is_drawn(xover: Run, two_rows: Path, tmp_path: Path) -> None:
    options = ("align", two_rows, *PAIR, "--listener", "Front", "--listener", "Back=2")
    drawn = xover(*options, "--plot", "-")
    assert drawn.code == 0
    assert "level lost to phase, Sub to Top" in drawn.out
    assert "Front after" in drawn.out
    path = tmp_path / "loss.svg"
    assert xover(*options, "--plot", path).code == 0
    assert path.read_bytes().startswith(b"<?xml")
    again = xover(*options, "--plot", path)
    assert again.code == 2
    assert xover(*options, "--plot", path, "--force").code == 0
    assert "ends in .svg" in xover(*options, "--plot", "loss.jpg").err
    assert "both write to stdout" in xover(*options, "--plot", "-", "--json").err


def test_an_ambiguous_answer_needs_attention(xover: Run, tmp_path: Path) -> None:
    """The rows want opposite polarities: no setting is right, and several are equally wrong."""
    preset = rig(
        {"Front": trace(20.0), "Back": trace(20.0, inverted=True)},
        {"Front": trace(20.0), "Back": trace(20.0)},
        sub_filter=crossover(100.0, slope=48),
        top_filter=crossover(100.0, slope=48),
    )
    path = saved(preset, tmp_path)
    options = ("align", path, *PAIR, "--listener", "Front", "--listener", "Back")
    ran = xover(*options, "--json")
    assert ran.code == 1
    (result,) = ran.document["results"]
    assert result["ambiguous"]
    rival = result["alternatives"][0]
    means = [sum(one["loss_after_db"].values()) / 2.0 for one in (result, rival)]
    assert means[1] == pytest.approx(means[0], abs=0.05)
    assert "a rival is as good" in xover(*options).err


def test_hints_in_json(xover: Run, tmp_path: Path) -> None:
    from tests.design.test_hints import uneven

    path = saved(uneven(), tmp_path)
    document = xover(
        "align", path, *PAIR, "--listener", "Front", "--listener", "Back", "--json"
    ).document
    (hint,) = document["hints"]
    assert set(hint) == {"move", "to", "sentence", "changes", "loss_db", "instead_of_db"}
    assert json.loads(path.read_text())["outputs"][0]["low_pass"]["frequency_hz"] == 120
    for change in hint["changes"]:
        assert set(change) == {"where", "from", "to"}
    assert msgspec.json.encode(document)


def test_two_things_do_not_go_to_stdout(xover: Run, two_rows: Path) -> None:
    options = ("align", two_rows, *PAIR, "--listener", "Front", "--apply", "-o", "-")
    for other in (("--json",), ("--plot", "-")):
        ran = xover(*options, *other)
        assert ran.code == 2
        assert "both write to stdout" in ran.err
    assert json.loads(xover(*options).out)["title"] == "Test"


def test_infinity_is_no_band_and_no_search(xover: Run, two_rows: Path) -> None:
    for options in (("--band", "nan", "100"), ("--band", "50", "inf"), ("--max-delay-ms", "nan")):
        ran = xover("align", two_rows, *PAIR, "--listener", "Front", *options)
        assert ran.code == 2, options
        assert "Traceback" not in ran.err
