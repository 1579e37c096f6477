"""From ratings to the figure typed: limits, applied, adapted, on both sides of the output gain."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from msgspec.structs import replace

import xover
from xover.cli.entry import run
from xover.design.adapting.adaptation import adapt
from xover.files.preset_json import load
from xover.files.profile_json import dumps_profile, load_profile

ROOT = Path(__file__).parents[2]
HALL = ROOT / "presets" / "harbour-hall.json"
JETTY = load_profile(ROOT / "presets" / "processors" / "jetty-4x8.json")


@pytest.mark.parametrize("gain_db", [-10.0, 6.0])
@pytest.mark.parametrize("position", ["before-gain", "after-gain"])
@pytest.mark.parametrize("reads", ["sine-rms", "peak"])
def test_from_ratings_to_what_is_typed(gain_db, position, reads, tmp_path, capsys):
    hall = load(HALL)
    outputs = tuple(
        replace(one, gain_db=gain_db) if one.name.startswith("Top") else one for one in hall.outputs
    )
    xover.save(replace(hall, outputs=outputs), tmp_path / "hall.json", overwrite=True)
    peak = replace(JETTY.limiter.peak, threshold=replace(JETTY.limiter.peak.threshold, reads=reads))
    profile = replace(JETTY, limiter=replace(JETTY.limiter, peak=peak, position=position))
    (tmp_path / "device.json").write_bytes(dumps_profile(profile))
    words = [str(tmp_path / "hall.json"), "--processor", str(tmp_path / "device.json"), "--json"]
    assert run(["limits", *words]) in (0, 1)
    answer = json.loads(capsys.readouterr().out)
    top = next(one for one in answer["outputs"] if one["output"] == "Top L")
    # By hand: 80.00 V of sine behind 32 dB are +8.28 dBu; full scale is +18 dBu.
    assert top["peak"]["threshold_dbu"] == pytest.approx(8.280, abs=0.001)
    by_hand = 8.280 - 18.0 - (gain_db if position == "before-gain" else 0.0)
    by_hand += 3.0103 if reads == "peak" else 0.0
    by_hand = min(by_hand, 0.0)
    assert by_hand - 0.25 <= top["peak"]["typed"] <= by_hand + 1e-3, "steps of 0.25, never above"
    assert top["peak"]["threshold_dbfs"] == top["peak"]["typed"]
    # The same by way of the preset: limits --apply, then adapt.
    assert run(["limits", str(tmp_path / "hall.json"), "--apply"]) in (0, 1)
    held = adapt(load(tmp_path / "hall.json"), profile)
    one = next(one for one in held.outputs if one.name == "Top L")
    typed = {each.where: each.typed for each in one.settings}
    assert typed["outputs[1].limiter.peak.threshold_dbu"] == top["peak"]["typed"]


def test_text_names_what_stands_in_the_way(capsys):
    old = str(ROOT / "presets" / "processors" / "old-ferry-2x6.json")
    assert run(["limits", str(HALL), "--brief", "--processor", old]) in (0, 1)
    text = capsys.readouterr().out
    assert "Top L, rms: the processor has no rms limiter" in text
    assert "Top L, peak: +11.0 dBu peak" in text
