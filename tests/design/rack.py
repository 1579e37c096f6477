"""Small racks for tests of limits and loads: one output, its channels, its boxes. All invented."""

from __future__ import annotations

from typing import Any

from xover.model.preset import Preset
from xover.model.processing import Crossover, Input, Output
from xover.model.rig import Amplifier, AmplifierChannel, Loudspeaker, Power, Source

TOP_HZ = 100.0


def box(name: str = "Box", **fields: Any) -> Loudspeaker:
    return Loudspeaker(
        **{
            "name": name,
            "passband_hz": (60.0, 18_000.0),
            "impedance_ohm": 8.0,
            "power_w": Power(continuous=400.0, basis="aes"),
            **fields,
        }
    )


def line_box(**fields: Any) -> Loudspeaker:
    return box(
        **{
            "name": "Ceiling",
            "power_w": Power(continuous=40.0, basis="iec"),
            "taps_w": (5.0, 10.0, 20.0, 40.0),
            **fields,
        }
    )


def amplifier(**fields: Any) -> Amplifier:
    return Amplifier(
        **{
            "name": "Amp",
            "gain_db": 32.0,
            "power_w": {"8": 1000.0, "4": 1800.0},
            "minimum_load_ohm": 4.0,
            **fields,
        }
    )


def channel(name: str = "A", **fields: Any) -> AmplifierChannel:
    return AmplifierChannel(**{"name": name, "amplifier": "Amp", "output": "Top", **fields})


def source(name: str = "S", **fields: Any) -> Source:
    return Source(
        **{
            "name": name,
            "output": "Top",
            "loudspeaker": "Box",
            "position_m": (0.0, 0.0, 2.0),
            "amplifier_channel": "A",
            **fields,
        }
    )


def output(name: str = "Top", **fields: Any) -> Output:
    return Output(
        **{
            "name": name,
            "inputs": {"Main": 0.0},
            "high_pass": Crossover(
                family="linkwitz-riley", slope_db_per_octave=24, frequency_hz=TOP_HZ
            ),
            **fields,
        }
    )


def rack(**fields: Any) -> Preset:
    """One box of 400 W and 8 ohm on one channel of 32 dB, unless told otherwise."""
    return Preset(
        **{
            "title": "Rack",
            "inputs": (Input(name="Main"),),
            "outputs": (output(),),
            "loudspeakers": (box(),),
            "amplifiers": (amplifier(),),
            "amplifier_channels": (channel(),),
            "sources": (source(),),
            **fields,
        }
    )


def line_rack(*sources: Source, line_v: float = 100.0, **fields: Any) -> Preset:
    """Ceiling boxes of 40 W on a line of 240 W whose amplifier takes 0 dBu for the full line."""
    return rack(
        **{
            "loudspeakers": (line_box(),),
            "amplifiers": (
                amplifier(
                    gain_db=None,
                    sensitivity_dbu=0.0,
                    power_w={"41.7": 240.0},
                    minimum_load_ohm=20.8,
                    line_v=(70.7, 100.0),
                ),
            ),
            "amplifier_channels": (channel(line_v=line_v),),
            "sources": sources or (source(loudspeaker="Ceiling", tap_w=10.0),),
            **fields,
        }
    )
