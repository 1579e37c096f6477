"""Arrays put into presets: places, settings, groups, and the sum at a listener as judge."""

from __future__ import annotations

import math

import numpy as np
import pytest
from msgspec.structs import replace

from tests.acoustics.rigs import STILL_AIR, axis_at, rig
from xover.acoustics.field import listener_response
from xover.design.advice import advise
from xover.design.array_preset import array_preset, band_of, is_array_rear
from xover.design.arrays import Layout, arc, compass, endfire, gradient
from xover.files.preset_json import dumps, loads
from xover.model.changes import with_output
from xover.model.drive import drive_of
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import Crossover, Group
from xover.model.rig import Aim, Listener

C = 343.2


def barn(azimuth: float = 0.0) -> Preset:
    """One box at (2, 1, 0), seats far away in front, to the right and behind, seen from its aim."""
    turn = math.radians(azimuth)
    ahead, right = (math.sin(turn), math.cos(turn)), (math.cos(turn), -math.sin(turn))
    preset = rig(
        {"Sub": (2.0, 1.0, 0.0)},
        sources={"Sub": {"aim_deg": Aim(azimuth=azimuth)}},
        outputs={"Sub": {"delay_ms": 1.0, "channel": 3, "gain_db": -2.0}},
        air=STILL_AIR,
    )
    far = 9_000.0
    places = {"Front": ahead, "Right": right, "Behind": (-ahead[0], -ahead[1])}
    return replace(
        preset,
        listeners=tuple(
            Listener(name=name, position_m=(2.0 + far * x, 1.0 + far * y, 0.0))
            for name, (x, y) in places.items()
        ),
    )


LAYOUTS = [endfire(4, 1.4, C), endfire(3, 1.4, C, grow="forward"), gradient(2, 1.2, C),
           gradient(3, 1.2, C, rear_trim_db=3.0), gradient(4, 1.2, C), arc(5, 1.1, 80.0, C),
           arc(6, 1.1, 60.0, C)]  # fmt: skip


@pytest.mark.parametrize("azimuth", [0.0, 65.0])
@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda layout: layout.kind)
def test_the_rigs_own_sum_far_away_is_that_of_the_layout(layout: Layout, azimuth: float) -> None:
    """Two ways to the same figure: the preset's sources at 9 km, and the far-field formula."""
    preset = barn(azimuth)
    answer = array_preset(preset, "Sub", layout)
    axis = axis_at(31.0, 60.0, 93.0)
    for name, degrees in (("Front", 0.0), ("Right", 90.0), ("Behind", 180.0)):
        alone = listener_response(preset, name, axis, drive_of(preset)).total
        total = listener_response(answer.preset, name, axis, drive_of(preset)).total
        expected = np.abs(compass(layout, axis.frequency_hz, np.array([degrees]))[:, 0])
        assert np.abs(total / alone) == pytest.approx(expected, abs=2e-3)


def test_everything_new_is_named_copied_and_grouped() -> None:
    preset = with_output(
        barn(), "Sub",
        low_pass=Crossover(family="linkwitz-riley", slope_db_per_octave=24, frequency_hz=95.0),
    )  # fmt: skip
    answer = array_preset(preset, "Sub", gradient(2, 1.2, C))
    new = answer.preset
    assert answer.outputs == ("Sub", "Sub rear")
    rear = new.output("Sub rear")
    assert (rear.channel, rear.polarity, rear.gain_db) == (None, "inverted", -2.0)
    assert rear.delay_ms == pytest.approx(1.0 + 1200.0 / C, abs=5e-5)
    assert rear.low_pass == preset.output("Sub").low_pass
    assert new.output("Sub") == preset.output("Sub")
    (source,) = new.sources_of("Sub rear")
    assert source.position_m == (2.0, -0.2, 0.0)
    assert source.aim_deg.azimuth == 180.0
    assert source.amplifier_channel is not None
    assert new.amplifier_channel(source.amplifier_channel).output == "Sub rear"
    (group,) = new.groups
    assert group.outputs == answer.outputs
    assert {"delay", "polarity", "gain"} <= set(group.follow)
    assert is_array_rear(new, "Sub rear")
    assert not is_array_rear(new, "Sub")
    assert loads(dumps(new)) == new  # a legal preset
    trimmed = array_preset(preset, "Sub", gradient(2, 1.2, C, rear_trim_db=-1.5)).preset
    assert trimmed.output("Sub rear").gain_db == -3.5
    assert "gain" not in trimmed.groups[0].follow


def test_a_second_array_finds_other_names() -> None:
    once = array_preset(barn(), "Sub", arc(3, 1.0, 60.0, C))
    assert once.outputs == ("Sub", "Sub out 1")
    bare = barn()
    twin = replace(bare, outputs=(*bare.outputs, replace(bare.outputs[0], name="SUB OUT 1")))
    assert array_preset(twin, "Sub", arc(3, 1.0, 60.0, C)).outputs == ("Sub", "Sub out 1 2")


def test_pairs_of_an_arc_share_an_output_unless_told_otherwise() -> None:
    shared = array_preset(barn(), "Sub", arc(6, 1.0, 60.0, C))
    assert shared.outputs == ("Sub", "Sub out 1", "Sub out 2")
    assert [len(shared.preset.sources_of(name)) for name in shared.outputs] == [2, 2, 2]
    apart = array_preset(barn(), "Sub", arc(6, 1.0, 60.0, C), separate=True)
    assert len(apart.outputs) == len(set(apart.outputs)) == 6
    assert sorted(item.position_m for item in apart.preset.sources) == sorted(
        item.position_m for item in shared.preset.sources
    )


def test_what_cannot_be_is_refused() -> None:
    preset = barn()
    with pytest.raises(Refused, match="needs 4 outputs, 4 in all, and “Small” has 3"):
        array_preset(preset, "Sub", endfire(4, 1.0, C), most_outputs=3, processor="Small")
    assert array_preset(preset, "Sub", endfire(3, 1.0, C), most_outputs=3).outputs
    with pytest.raises(Refused, match="has no source to take"):
        array_preset(replace(preset, sources=()), "Sub", endfire(3, 1.0, C))
    second = replace(preset.sources[0], name="Other")
    with pytest.raises(Refused, match="feeds 2 sources"):
        array_preset(replace(preset, sources=(*preset.sources, second)), "Sub", endfire(2, 1.0, C))
    late = with_output(preset, "Sub", delay_ms=9_999.0)
    with pytest.raises(Refused, match="the limit is 10000 ms"):
        array_preset(late, "Sub", endfire(3, 1.0, C))
    with pytest.raises(Refused, match="a gain of"):
        array_preset(with_output(preset, "Sub", gain_db=58.0), "Sub",
                     gradient(2, 1.0, C, rear_trim_db=6.0))  # fmt: skip


def test_what_has_to_be_done_is_said() -> None:
    tied = replace(barn(), groups=(Group(name="All", outputs=("Sub",), follow=("delay",)),))
    notes = "\n".join(array_preset(tied, "Sub", endfire(2, 1.0, C)).notes)
    assert "now reads 3.91 ms instead of 1.00 ms" in notes
    assert "is also in “All”, which follows delay" in notes
    assert "to be patched and named: “Ch Sub behind 1”" in notes


def test_the_advice_knows_that_a_rear_is_meant_to_be_inverted() -> None:
    import xover

    hall = xover.load(xover.default_example())
    edited = array_preset(hall, "Sub", gradient(2, 1.3, C)).preset
    codes = [(one.code, one.where) for one in advise(edited)]
    assert ("linkwitz-riley-null", "outputs[1].polarity") not in codes
    assert band_of(hall, "Sub") == (32.0, 95.0)
