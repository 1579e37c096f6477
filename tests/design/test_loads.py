"""Loads, taps and reserves against the line table of handbooks and figures by hand."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from tests.design.rack import amplifier, box, channel, line_box, line_rack, rack, source
from xover.design.loads import ChannelLoad, channel_loads
from xover.model.preset import Preset
from xover.model.rig import Cable


def load_of(preset: Preset) -> ChannelLoad:
    return channel_loads(preset)[0]


def kinds(preset: Preset) -> list[str]:
    return [one.kind for one in load_of(preset).concerns]


def test_parallel_boxes() -> None:
    """Two of 8 ohm rated and 6.4 least: 4 and 3.2 ohm; 1800 W are there."""
    load = load_of(rack(sources=(source(quantity=2),)))
    assert load.rated_load_ohm == pytest.approx(4.0)
    assert load.load_ohm == pytest.approx(3.2)
    assert load.available_w == pytest.approx(1800.0)
    assert load.tap_total_w is None
    assert load.concerns == ()
    stated = rack(
        loudspeakers=(box(minimum_impedance_ohm=5.0),),
        sources=(source(), source("T")),
    )
    assert load_of(stated).load_ohm == pytest.approx(2.5)


def test_too_low_a_load() -> None:
    """Three of 8 ohm are 2.67 below 4; two whose least is 5 ohm make 2.5, below 0.8 of 4."""
    wide = amplifier(power_w={"8": 1000.0, "2": 2000.0})
    low = rack(amplifiers=(wide,), sources=(source(quantity=3),))
    assert kinds(low) == ["load"]
    message = load_of(low).concerns[0].message
    assert "2.67 ohm rated" in message
    assert "below the 4.00 ohm" in message
    dips = rack(
        amplifiers=(wide,),
        loudspeakers=(box(minimum_impedance_ohm=5.0),),
        sources=(source(quantity=2),),
    )
    assert kinds(dips) == ["load"]
    assert "0.8 of the 4.00 ohm" in load_of(dips).concerns[0].message


def test_bridged_loads_are_named_by_the_side() -> None:
    """4 ohm bridged is 2 ohm a side; the load shown is never halved."""
    preset = rack(
        amplifiers=(amplifier(bridgeable=True, power_w={"8": 1000.0, "2": 2000.0}),),
        amplifier_channels=(channel(bridged=True),),
        sources=(source(quantity=2),),
    )
    load = load_of(preset)
    assert load.load_ohm == pytest.approx(3.2)
    assert [one.kind for one in load.concerns] == ["load"]
    assert "bridged 2.00 ohm and 1.60 ohm a side" in load.concerns[0].message


@pytest.mark.parametrize(
    ("tap_w", "line_v", "ohms"),
    [(5.0, 100.0, 2000.0), (10.0, 100.0, 1000.0), (40.0, 100.0, 250.0), (10.0, 70.7, 999.7)],
)
def test_the_impedance_of_a_tap(tap_w: float, line_v: float, ohms: float) -> None:
    """Z = V²/P of the trade's tables; a 100 V tap on 70.7 V keeps its impedance (5 W: 999.7)."""
    load = load_of(line_rack(source(loudspeaker="Ceiling", tap_w=tap_w), line_v=line_v))
    assert load.load_ohm == pytest.approx(ohms, abs=0.05)


def test_reserve() -> None:
    """240 W less a fifth are 192 W: 19 taps of 10 W fit, 20 do not, 25 are beyond the power."""
    for count, expected in ((19, []), (20, ["reserve"]), (25, ["reserve", "load"])):
        preset = line_rack(source(loudspeaker="Ceiling", tap_w=10.0, quantity=count))
        load = load_of(preset)
        assert load.tap_total_w == 10.0 * count
        assert load.available_w == 240.0
        assert [one.kind for one in load.concerns] == (expected if count < 25 else ["reserve"]), (
            count
        )
    message = load.concerns[0].message
    assert "draw 250 W together, more than the 240 W" in message
    assert "192 W at most" in message


def test_mixed_taps_add() -> None:
    preset = line_rack(
        source(loudspeaker="Ceiling", tap_w=10.0, quantity=3),
        source("T", loudspeaker="Ceiling", tap_w=40.0),
    )
    assert load_of(preset).tap_total_w == 70.0
    assert load_of(preset).concerns == ()


def test_a_tap_that_the_box_does_not_have() -> None:
    preset = line_rack(source(loudspeaker="Ceiling", tap_w=15.0))
    assert kinds(preset) == ["tap"]
    assert "it lists 5, 10, 20, 40 W" in load_of(preset).concerns[0].message


def test_transformers_that_are_not_filled() -> None:
    preset = line_rack(
        source(loudspeaker="Ceiling", tap_w=10.0, quantity=2),
        source("T", loudspeaker="Ceiling", tap_w=10.0),
        loudspeakers=(line_box(boxes_per_transformer=2),),
    )
    assert load_of(preset).tap_total_w == 20.0
    assert kinds(preset) == ["shared"]


def test_a_line_that_the_amplifier_does_not_have() -> None:
    preset = rack(
        loudspeakers=(line_box(),),
        amplifier_channels=(channel(line_v=100.0),),
        sources=(source(loudspeaker="Ceiling", tap_w=10.0),),
    )
    assert kinds(preset) == ["line"]
    assert "lists no line output" in load_of(preset).concerns[0].message


def test_cable() -> None:
    """2.5 mm², 50 m, 8 ohm: 0.798 ohm, 0.8259 dB, damping 10.0 (handbook); neither moves a load."""
    preset = rack(amplifier_channels=(channel(cable=Cable(length_m=50.0, area_mm2=2.5)),))
    load = load_of(preset)
    assert load.cable_ohm == pytest.approx(0.798)
    assert load.cable_loss_db == pytest.approx(0.8259, abs=5e-5)
    assert load.damping == pytest.approx(10.025, abs=5e-4)
    bare = load_of(rack())
    assert (load.load_ohm, load.sine_v) == (bare.load_ohm, bare.sine_v)
    assert bare.cable_loss_db is None


def test_cable_of_a_line() -> None:
    """200 W on 100 V over 200 m of 1.5 mm²: 0.8782 dB at the end, less where it is spread."""
    preset = line_rack(
        source(loudspeaker="Ceiling", tap_w=20.0, quantity=10),
        amplifier_channels=(channel(line_v=100.0, cable=Cable(length_m=200.0, area_mm2=1.5)),),
    )
    load = load_of(preset)
    assert load.cable_loss_db == pytest.approx(0.8782, abs=5e-5)
    assert load.spread_loss_db is not None
    assert 0.4 < load.spread_loss_db < 0.55


def test_an_empty_channel() -> None:
    load = load_of(rack(sources=()))
    assert (load.load_ohm, load.available_w, load.concerns) == (None, None, ())
    active = replace(box(), active=True, impedance_ohm=None, power_w=None, sensitivity_dbu=0.0)
    assert load_of(rack(loudspeakers=(active,))).load_ohm is None
