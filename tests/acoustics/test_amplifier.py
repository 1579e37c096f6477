"""Voltages to the box against published tables and pocket-calculator figures."""

from __future__ import annotations

import math
from typing import Any

import pytest

from xover.acoustics.amplifier import (
    amplifier_gain_db,
    channel_gain_db,
    rated_output_v,
    sine_voltage_v,
    tap_draw_w,
    transformer_gain_db,
)
from xover.model.rig import Amplifier, AmplifierChannel, Loudspeaker, Power
from xover.model.units import dbu_from_volts


def amplifier(**fields: Any) -> Amplifier:
    return Amplifier(
        **{"name": "A", "power_w": {"4": 1000.0, "2": 1500.0}, "minimum_load_ohm": 2.0, **fields}
    )


def ceiling(**fields: Any) -> Loudspeaker:
    return Loudspeaker(
        **{
            "name": "C",
            "passband_hz": (80.0, 16_000.0),
            "impedance_ohm": 8.0,
            "power_w": Power(continuous=60.0),
            **fields,
        }
    )


@pytest.mark.parametrize(
    ("sensitivity_v", "gain_db"), [(0.775, 38.235), (1.0, 36.021), (1.4, 33.098), (1.44, 32.853)]
)
def test_gain_from_sensitivity(sensitivity_v: float, gain_db: float) -> None:
    """1000 W into 4 ohm is 63.2456 V; gain = 20·log10(V_rated/V_sens), by pocket calculator.

    4 ohm is the highest load listed: a table with 2 ohm in it must not change the answer.
    """
    item = amplifier(sensitivity_dbu=dbu_from_volts(sensitivity_v))
    assert rated_output_v(item) == pytest.approx(63.2456, abs=5e-5)
    assert amplifier_gain_db(item) == pytest.approx(gain_db, abs=5e-4)


def test_loads_are_compared_as_numbers() -> None:
    """As text "16" sorts before "8"; 400 W into 16 ohm is 80 V, by pocket calculator."""
    assert rated_output_v(amplifier(power_w={"16": 400.0, "8": 700.0})) == pytest.approx(80.0)


def test_bridged_and_attenuator() -> None:
    """Two sides double the voltage: 6.0206 dB. Only predictions count an unlocked attenuator."""
    item = amplifier(gain_db=32.0)
    open_knob = AmplifierChannel(
        name="1", amplifier="A", output="Sub", bridged=True, attenuator_db=-6.0
    )
    locked = AmplifierChannel(
        name="1", amplifier="A", output="Sub", attenuator_db=-6.0, attenuator_locked=True
    )
    assert channel_gain_db(item, open_knob, unlocked_attenuator=True) == pytest.approx(32.0206)
    assert channel_gain_db(item, open_knob, unlocked_attenuator=False) == pytest.approx(38.0206)
    assert channel_gain_db(item, locked, unlocked_attenuator=False) == pytest.approx(26.0)


def test_a_line_channel_is_rated_at_its_line_voltage() -> None:
    """0 dBu in for 100 V out: 20·log10(100/0.7745967) = 42.2185 dB, by pocket calculator."""
    item = amplifier(sensitivity_dbu=0.0, line_v=(70.7, 100.0))
    assert amplifier_gain_db(item, line_v=100.0) == pytest.approx(42.2185, abs=5e-5)


@pytest.mark.parametrize(("tap_w", "line_ohm"), [(30.0, 333.33), (60.0, 166.67), (10.0, 1000.0)])
def test_a_tap_gives_the_box_its_power(tap_w: float, line_ohm: float) -> None:
    """Z = V²/P of 100 V lines (an old trade table, 10 W is 1000 ohm): same power either side.

    On the line V²/Z_line, in the box V_box²/Z_box.
    """
    box_v = 100.0 * 10 ** (transformer_gain_db(ceiling(), tap_w, 100.0) / 20.0)
    assert box_v**2 / 8.0 == pytest.approx(100.0**2 / line_ohm, rel=1e-4)
    assert box_v**2 / 8.0 == pytest.approx(tap_w)


def test_a_tap_at_70_7_volts() -> None:
    """A 100 V tap draws half at 70.7 V (−3.01 dB); a winding of its own draws what it states."""
    halves, own = ceiling(), ceiling(taps_halve_at_70_v=False)
    assert tap_draw_w(halves, 30.0, 100.0) == 30.0
    assert tap_draw_w(halves, 30.0, 70.7) == 15.0
    assert tap_draw_w(own, 30.0, 70.7) == 30.0
    box_v = 70.7 * 10 ** (transformer_gain_db(own, 30.0, 70.7) / 20.0)
    assert box_v == pytest.approx(math.sqrt(30.0 * 8.0))


def test_boxes_share_a_transformer() -> None:
    """Four 8 ohm boxes on one 60 W tap: 15 W each, √(15·8) = 10.954 V, by pocket calculator."""
    box = ceiling(boxes_per_transformer=4)
    box_v = 100.0 * 10 ** (transformer_gain_db(box, 60.0, 100.0) / 20.0)
    assert box_v == pytest.approx(10.954, abs=5e-4)


@pytest.mark.parametrize(
    ("load_ohm", "volts"),
    [(8.0, 80.0), (4.0, 74.8331), (6.0, 77.4166), (16.0, 80.0), (3.9, None)],
)
def test_voltage_into_a_load(load_ohm: float, volts: float | None) -> None:
    """800 W into 8 ohm is 80 V, 1400 W into 4 ohm 74.83 V; 6 ohm lies half way in volts."""
    item = amplifier(gain_db=32.0, power_w={"8": 800.0, "4": 1400.0})
    found = sine_voltage_v(item, load_ohm)
    assert found == (None if volts is None else pytest.approx(volts, abs=5e-5))


def test_bridged_sides_see_half_the_load_and_add() -> None:
    """8 ohm bridged: each side 4 ohm, 74.83 V, together 149.67 V; 4 ohm would be 2 a side."""
    item = amplifier(gain_db=32.0, power_w={"8": 800.0, "4": 1400.0})
    assert sine_voltage_v(item, 8.0, bridged=True) == pytest.approx(2.0 * 74.8331, abs=1e-4)
    assert sine_voltage_v(item, 4.0, bridged=True) is None
    # Three boxes of 12 ohm are 4 ohm, whatever the last digit says.
    assert sine_voltage_v(item, 1.0 / (3.0 * (1.0 / 12.0))) is not None
