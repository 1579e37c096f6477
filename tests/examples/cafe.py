"""Lantern Café: two zones on 100 V and 70.7 V lines and a small active sub; nothing captured.

Everything is invented: café, boxes, amplifier.
"""

from __future__ import annotations

import xover
from tests.examples.hall import with_delays_rounded
from tests.examples.thresholds import line_threshold_dbu
from xover.model.preset import Preset
from xover.model.processing import (
    Crossover,
    EqSection,
    Input,
    Limit,
    Limiter,
    Output,
    Stimulus,
)
from xover.model.rig import (
    Aim,
    Amplifier,
    AmplifierChannel,
    Cable,
    Listener,
    Loudspeaker,
    Power,
    Source,
)

NOTES = """\
Background music in the room and on the terrace, a small active sub by the counter, paging over \
both zones. The sub is wired the other way inside, so its output is inverted.

100 V and 70.7 V lines carry dangerous voltage: switch off and lock off before opening a box, and \
leave fixed wiring to licensed people; local codes come first.
A voice-alarm line is never altered, tapped or filtered. This system is separate from it, and \
must stay so: where alarms have to mute it, that is done by the alarm's own contact.
Transformers saturate below their range, so the high-passes of both zones stay in."""

AMPLIFIER_SENSITIVITY_DBU = 0.0
ROOM_LINE_V, TERRACE_LINE_V = 100.0, 70.7
TERRACE_ATTENUATOR_DB = -2.0


def _limiter(dbu: float) -> Limiter:
    return Limiter(
        rms=Limit(threshold_dbu=dbu, attack_ms=50.0, release_ms=300.0),
        peak=Limit(threshold_dbu=dbu, attack_ms=1.0, release_ms=60.0),
    )


def lantern_cafe() -> Preset:
    """The finished example; the sub's delay is a starting value from the boxes' data sheets."""
    preset = _as_built()
    answer = xover.align(
        preset,
        move=["Sub"],
        to="Room",
        listeners=["Corner table"],
        drive=xover.drive_of(preset, {"Player": 0.0}),
        max_delay_ms=30.0,
        keep_polarity=True,
    )
    return with_delays_rounded(xover.apply_alignment(preset, answer))


def _ceiling(number: int, x_m: float, y_m: float) -> Source:
    return Source(
        name=f"Ceiling {number}",
        output="Room",
        loudspeaker="Ceiling six",
        position_m=(x_m, y_m, 3.0),
        aim_deg=Aim(elevation=-90.0),
        amplifier_channel="Line A",
        tap_w=6.0,
    )


def _as_built() -> Preset:
    lr24 = Crossover(family="linkwitz-riley", slope_db_per_octave=24, frequency_hz=110.0)
    room_dbu = line_threshold_dbu(
        ROOM_LINE_V, tap_w=6.0, continuous_w=30.0, rated_line_v=100.0,
        sensitivity_dbu=AMPLIFIER_SENSITIVITY_DBU,
    )  # fmt: skip
    terrace_dbu = line_threshold_dbu(
        TERRACE_LINE_V, tap_w=15.0, continuous_w=40.0, rated_line_v=70.7,
        sensitivity_dbu=AMPLIFIER_SENSITIVITY_DBU, locked_attenuator_db=TERRACE_ATTENUATOR_DB,
    )  # fmt: skip
    return Preset(
        title="Lantern Café, music and paging",
        venue="Lantern Café",
        author="Example crew",
        notes=NOTES,
        tags=("100 V", "70.7 V", "background music"),
        inputs=(
            Input(
                name="Player",
                channel=1,
                gain_db=-2.0,
                eq=(
                    EqSection(kind="low_shelf", frequency_hz=200.0, gain_db=1.5, order=1),
                    EqSection(kind="high_shelf", frequency_hz=6_000.0, gain_db=-1.5, q=0.7071),
                ),
                nominal_dbu=-7.8,
            ),
            Input(name="Television", channel=2, delay_ms=40.0, nominal_dbu=-7.8),
            Input(
                name="Paging",
                channel=3,
                gain_db=6.0,
                eq=(
                    EqSection(kind="high_pass", frequency_hz=180.0, q=0.7071),
                    EqSection(kind="low_pass", frequency_hz=7_000.0, q=0.7071),
                    EqSection(kind="notch", frequency_hz=1_850.0, q=12.0),
                    EqSection(kind="band_pass", frequency_hz=900.0, q=0.5, bypassed=True),
                ),
                nominal_dbu=-20.0,
            ),
        ),
        outputs=(
            Output(
                name="Room",
                channel=1,
                patch="cupboard, line amplifier A, 100 V",
                inputs={"Player": 0.0, "Television": -4.0, "Paging": 0.0},
                gain_db=-1.0,
                high_pass=lr24,
                eq=(EqSection(kind="peak", frequency_hz=450.0, gain_db=-3.0, q=1.4),),
                limiter=_limiter(room_dbu),
            ),
            Output(
                name="Sub",
                channel=2,
                patch="counter, active sub, line input",
                inputs={"Player": 0.0, "Television": -6.0},
                gain_db=-18.0,
                polarity="inverted",
                high_pass=Crossover(
                    family="butterworth", slope_db_per_octave=18, frequency_hz=45.0
                ),
                low_pass=lr24,
                eq=(EqSection(kind="peak", frequency_hz=62.0, gain_db=-4.0, q=4.0),),
                limiter=Limiter(rms=Limit(threshold_dbu=3.0, attack_ms=80.0, release_ms=400.0)),
            ),
            Output(
                name="Terrace",
                channel=3,
                patch="cupboard, line amplifier B, 70.7 V",
                inputs={"Player": -3.0, "Paging": 0.0},
                gain_db=-3.0,
                high_pass=Crossover(family="bessel", slope_db_per_octave=12, frequency_hz=90.0),
                eq=(
                    EqSection(kind="low_shelf", frequency_hz=160.0, gain_db=2.0, q=0.7071),
                    EqSection(kind="high_shelf", frequency_hz=9_000.0, gain_db=2.0, order=1),
                ),
                limiter=_limiter(terrace_dbu),
            ),
        ),
        stimulus=Stimulus(inputs={"Player": 0.0, "Paging": -12.0}, correlated=False),
        loudspeakers=(
            Loudspeaker(
                name="Ceiling six",
                passband_hz=(85.0, 18_000.0),
                enclosure="sealed",
                sensitivity_db=87.0,
                sensitivity_space="half-space",
                impedance_ohm=8.0,
                power_w=Power(continuous=30.0, basis="iec"),
                coverage_deg=(130.0, 130.0),
                taps_w=(3.0, 6.0, 12.0, 24.0),
            ),
            Loudspeaker(
                name="Garden four",
                passband_hz=(100.0, 17_000.0),
                enclosure="sealed",
                sensitivity_db=86.0,
                impedance_ohm=16.0,
                power_w=Power(continuous=40.0, basis="iec"),
                coverage_deg=(120.0, 100.0),
                taps_w=(7.5, 15.0, 30.0),
                taps_halve_at_70_v=False,
                boxes_per_transformer=2,
            ),
            Loudspeaker(
                name="Powered ten-inch sub",
                passband_hz=(38.0, 160.0),
                passband_edge_db=-6.0,
                enclosure="vented",
                sensitivity_space="half-space",
                max_spl_db=116.0,
                polarity="inverted",
                latency_ms=1.2,
                active=True,
                sensitivity_dbu=4.0,
            ),
        ),
        amplifiers=(
            Amplifier(
                name="Line amplifier, two by 240",
                sensitivity_dbu=AMPLIFIER_SENSITIVITY_DBU,
                power_w={"41.7": 240.0, "20.8": 240.0},
                minimum_load_ohm=20.8,
                line_v=(70.7, 100.0),
            ),
        ),
        amplifier_channels=(
            AmplifierChannel(
                name="Line A",
                amplifier="Line amplifier, two by 240",
                output="Room",
                attenuator_db=-4.0,
                line_v=ROOM_LINE_V,
                cable=Cable(length_m=40.0, area_mm2=1.5),
            ),
            AmplifierChannel(
                name="Line B",
                amplifier="Line amplifier, two by 240",
                output="Terrace",
                attenuator_db=TERRACE_ATTENUATOR_DB,
                attenuator_locked=True,
                line_v=TERRACE_LINE_V,
                cable=Cable(length_m=65.0, area_mm2=2.5),
            ),
        ),
        sources=(
            _ceiling(1, -3.0, 2.0),
            _ceiling(2, 0.0, 2.0),
            _ceiling(3, 3.0, 2.0),
            _ceiling(4, -3.0, 5.5),
            _ceiling(5, 0.0, 5.5),
            _ceiling(6, 3.0, 5.5),
            Source(
                name="Sub by the counter",
                output="Sub",
                loudspeaker="Powered ten-inch sub",
                position_m=(-4.2, 0.4, 0.3),
                boundary="floor-wall",
            ),
            Source(
                name="Pillar west",
                output="Terrace",
                loudspeaker="Garden four",
                quantity=2,
                spacing_m=0.3,
                position_m=(-4.0, 10.5, 2.2),
                aim_deg=Aim(azimuth=20.0, elevation=-15.0),
                amplifier_channel="Line B",
                tap_w=15.0,
            ),
            Source(
                name="Pillar east",
                output="Terrace",
                loudspeaker="Garden four",
                quantity=2,
                spacing_m=0.3,
                position_m=(4.0, 10.5, 2.2),
                aim_deg=Aim(azimuth=-20.0, elevation=-15.0),
                amplifier_channel="Line B",
                tap_w=15.0,
            ),
        ),
        listeners=(
            Listener(name="Counter", position_m=(-2.5, 1.5, 1.6)),
            Listener(name="Corner table", position_m=(3.2, 6.0, 1.2)),
            Listener(name="Terrace table", position_m=(0.0, 14.5, 1.2)),
        ),
    )
