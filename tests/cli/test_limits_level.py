"""`limits` and `level` as the shell would run them: fields, files, exit codes, bad input."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.conftest import Ran
from tests.design.rack import channel, line_rack, output, rack, source
from xover.files.preset_json import load, save
from xover.model.preset import Preset
from xover.model.processing import Limit, Limiter
from xover.model.rig import Cable

Run = Callable[..., Ran]
FIELDS = {"threshold_dbu", "threshold_v", "threshold_dbfs", "bound_by", "attack_ms", "release_ms"}


@pytest.fixture
def rack_path(tmp_path: Path) -> Path:
    return saved(
        tmp_path,
        rack(amplifier_channels=(channel(cable=Cable(length_m=50.0, area_mm2=2.5)),)),
    )


def saved(folder: Path, preset: Preset) -> Path:
    path = folder / "rack.json"
    save(preset, path, overwrite=True)
    return path


def test_the_fields_of_the_answer(xover: Run, rack_path: Path) -> None:
    ran = xover("limits", rack_path, "--json")
    assert ran.code == 0
    (output,) = ran.document["outputs"]
    assert set(output["rms"]) >= FIELDS
    assert set(output["peak"]) >= FIELDS
    # 400 W, 8 ohm, 32 dB: the handbook's 5.270 and, as a sine's rms, 8.280 dBu.
    assert output["rms"]["threshold_dbu"] == pytest.approx(5.270, abs=5e-4)
    assert output["peak"]["threshold_dbu"] == pytest.approx(8.280, abs=5e-4)
    assert output["rms"]["threshold_dbfs"] is None
    assert output["working"]
    (load_,) = ran.document["channels"]
    assert load_["channel"] == "A"
    assert load_["load_ohm"] == pytest.approx(6.4)
    assert load_["minimum_load_ohm"] == 4.0
    assert load_["tap_total_w"] is None
    assert load_["available_w"] == pytest.approx(1000.0)
    assert load_["cable_loss_db"] == pytest.approx(0.8259, abs=5e-5)
    assert ran.document["cautions"] == []


def test_a_caution_asks_for_attention_and_leaves_null(xover: Run, tmp_path: Path) -> None:
    path = saved(tmp_path, rack(sources=()))
    ran = xover("limits", path, "--json")
    assert ran.code == 1
    assert ran.document["outputs"][0]["rms"]["threshold_dbu"] is None
    assert ran.document["outputs"][0]["rms"]["bound_by"] is None
    assert "drives no box" in ran.document["cautions"][0]


def test_apply_writes_and_stays(xover: Run, rack_path: Path, tmp_path: Path) -> None:
    before = load(rack_path)
    assert xover("limits", rack_path, "--apply").code == 0
    after = load(rack_path)
    limiter = after.outputs[0].limiter
    assert limiter is not None
    assert limiter.rms is not None
    assert limiter.rms.threshold_dbu == pytest.approx(5.270, abs=1e-3)
    assert after.amplifiers == before.amplifiers
    first = rack_path.read_bytes()
    assert xover("limits", rack_path, "--apply").code == 0
    assert rack_path.read_bytes() == first
    other = tmp_path / "other.json"
    assert xover("limits", rack_path, "--apply", "-o", other).code == 0
    assert other.read_bytes() == first
    assert xover("limits", rack_path, "--apply", "-o", other).code == 2
    assert "--apply" in xover("limits", rack_path, "-o", other).err


def test_what_is_raised_is_said(xover: Run, tmp_path: Path) -> None:
    low = Limit(threshold_dbu=3.0, attack_ms=50.0, release_ms=200.0)
    path = saved(tmp_path, rack(outputs=(output(limiter=Limiter(rms=low)),)))
    ran = xover("limits", path, "--apply")
    assert "raised: “Top” rms from +3.00 dBu to +5.27 dBu; look at" in ran.err
    assert "raised:" not in xover("limits", path, "--apply").err


def test_text_says_what_can_hurt_once(xover: Run, rack_path: Path) -> None:
    out = xover("limits", rack_path).out
    assert out.splitlines()[1].split() == [
        "rms", "+5.27", "dBu", "56.57", "V", "50/200", "ms", "loudspeaker", "S",
    ]  # fmt: skip
    out = " ".join(out.split())
    assert "working" in out
    assert "working" not in xover("limits", rack_path, "--brief").out
    for words in ("Drivers:", "Hearing:", "local codes", "voice-alarm", "Rigging:", "3 dB wrong"):
        assert out.count(words) == 1


def test_what_if_another_cable(xover: Run, rack_path: Path) -> None:
    """AWG 12 is 3.3088 mm² (ASTM B258): 6.00 ohm per km, 0.60 ohm there and back, 0.63 dB."""
    before = rack_path.read_bytes()
    ran = xover("limits", rack_path, "--cable", "a=50 m,AWG 12", "--json")
    assert ran.document["channels"][0]["cable_loss_db"] == pytest.approx(0.6285, abs=2e-3)
    assert "3.3088 mm² (near AWG 12)" in ran.err
    assert rack_path.read_bytes() == before
    for typed in ("A", "A=50", "A=x,2.5", "A=50,thick", "A=-5,2.5", "B=50,2.5", "A=nan,2"):
        ran = xover("limits", rack_path, "--cable", typed)
        assert ran.code == 2, typed
        assert ran.err.startswith("xover: ")


def test_wiring(xover: Run, tmp_path: Path) -> None:
    hostile = "=cmd<b>|x"
    path = saved(
        tmp_path,
        line_rack(
            source(loudspeaker="Ceiling", tap_w=10.0, quantity=25, name=hostile),
        ),
    )
    ran = xover("limits", path, "--wiring", "-")
    assert ran.code == 1
    assert "Taps 250 W" in ran.out
    assert "25 × Ceiling on taps of 10 W" in ran.out
    assert "voice-alarm" in ran.out
    for ending in ("html", "md", "csv", "txt"):
        name = tmp_path / f"door.{ending}"
        assert xover("limits", path, "--wiring", name).code == 1
        text = name.read_text("utf-8")
        assert "250 W" in text
        assert "more than the 240 W" in text
        assert "<b>" not in text or ending in ("csv", "txt")
        assert xover("limits", path, "--wiring", name).code == 2
    table = list(csv.reader(io.StringIO((tmp_path / "door.csv").read_text("utf-8"))))
    assert table[1][:2] == ["Amp", "A, 100 V"]
    assert xover("limits", path, "--wiring", tmp_path / "door.odt").code == 2
    assert xover("limits", path, "--wiring", "-", "--json").code == 2


def test_level_fields(xover: Run) -> None:
    ran = xover(
        "level", "presets/harbour-hall.json", "--listener", "row 8", "--input-level-dbu", "-10",
        "--json",
    )  # fmt: skip
    assert ran.code == 0
    document = ran.document
    assert document["listener"] == "Row 8"
    assert document["input_level_dbu"] == -10.0
    assert [band["frequency_hz"] for band in document["bands"]][:2] == [31.5, 63.0]
    total = sum(10.0 ** (band["spl_db"] / 10.0) for band in document["bands"])
    assert 10.0 ** (document["unweighted_db"] / 10.0) == pytest.approx(total, rel=0.01)
    assert document["a_weighted_db"] < document["unweighted_db"]
    assert {each["output"] for each in document["headroom"]} >= {"Sub", "Top L"}
    silent = next(each for each in document["headroom"] if each["output"] == "Top R")
    assert (silent["rms_db"], silent["peak_db"]) == (None, None)
    niosh = 480.0 / 2.0 ** ((document["a_weighted_db"] - 85.0) / 3.0)
    assert document["permitted_min"]["niosh"] == pytest.approx(niosh)
    assert document["estimated"] is False
    both = xover(
        "level", "presets/harbour-hall.json", "--listener", "Row 8", "--listener", "Row 16",
        "--input-level-dbu", "-10", "--json",
    ).document  # fmt: skip
    assert [each["listener"] for each in both["results"]] == ["Row 8", "Row 16"]
    assert both["a_weighted_db"] == document["a_weighted_db"]
    assert both["results"][1]["a_weighted_db"] != document["a_weighted_db"]
    assert document["cautions"]


def test_level_needs_a_level(xover: Run, rack_path: Path) -> None:
    ran = xover("level", "presets/harbour-hall.json", "--listener", "Row 8")
    assert ran.code == 2
    assert "--input-level-dbu" in ran.err
    for typed in ("nan", "inf", "loud", "61"):
        ran = xover("level", rack_path, "--listener", "Seat", "--input-level-dbu", typed)
        assert ran.code == 2
        assert "--input-level-dbu" in ran.err
    ran = xover("level", rack_path, "--listener", "Seat", "--input-level-dbu", "0", "--json")
    assert ran.code == 2
    assert "listeners" in json.loads(ran.out)["faults"][0]["where"]
