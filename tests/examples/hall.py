"""Harbour Hall: a touring rig with mono subs, stereo tops and delay speakers, captured and aligned.

Everything is invented: hall, boxes, amplifiers, captures.
"""

from __future__ import annotations

import numpy as np
from msgspec.structs import replace

import xover
from tests.examples.captures import Place, capture, rounded
from tests.examples.room import Driver, Room, speed_m_s
from tests.examples.thresholds import threshold_dbu
from xover.design.captures import attach_loudspeaker, to_trace
from xover.dsp.captured import CapturedResponse
from xover.model.changes import with_outputs
from xover.model.preset import Preset
from xover.model.processing import (
    Air,
    Crossover,
    EqSection,
    Group,
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
    DriverSection,
    Listener,
    Loudspeaker,
    Power,
    Provenance,
    Source,
)

NOTES = """\
Tops on the stage wings, two subs side by side on the floor in front of the stage, a delay pair \
half way down the hall.
Captured with swept sines on Saturday afternoon, hall empty, subs and tops aligned at Row 8 and \
Row 16 together.

Row 24 is computed, nobody carried the microphone there; Row 3 sits in the gap between the tops.

Still to do: find two small boxes for the stage edge, listen again with people in the hall, and \
look at the air before doors: a warm evening moves every arrival.
Loudspeakers above people hang or stand only as a competent person has approved; start quietly \
and keep hearing protection at hand."""

SESSION = "Saturday afternoon"
GAIN_DB = 32.0
ALIGNED_AT = ("Row 8", "Row 16")
CAPTURED_AT = ("Row 3", *ALIGNED_AT)

ROOM = Room(
    x_m=(-11.0, 11.0),
    y_m=(-7.0, 31.0),
    z_m=(0.0, 8.5),
    factors={
        "left": 0.35, "right": 0.35, "front": 0.2, "rear": 0.3, "floor": 0.55, "ceiling": 0.4,
    },
)  # fmt: skip

DRIVERS = {
    "Double eighteen": Driver(97.5, 33.0, 4, 210.0, 2, bumps=((46.0, 2.5, 2.5),)),
    "Twelve-inch top": Driver(
        98.0, 66.0, 4, 17_000.0, 2,
        bumps=((320.0, 2.5, 2.0), (2_600.0, 3.0, 2.5), (9_000.0, -1.5, 2.0)),
        rear_db=24.0,
    ),
    "Eight-inch two-way": Driver(
        94.0, 72.0, 4, 16_000.0, 2, bumps=((1_250.0, 2.0, 1.8),), rear_db=28.0, rear_hz=250.0
    ),
}  # fmt: skip
GAINS_DB = {
    name: GAIN_DB for name in ("Subs", "Top left", "Top right", "Delay left", "Delay right")
}
PLACE = Place(ROOM, DRIVERS, GAINS_DB)


def _limiter(
    rms_dbu: float, peak_dbu: float, rms_ms: float, peak_ms: float, release_ms: float = 40.0
) -> Limiter:
    return Limiter(
        rms=Limit(threshold_dbu=rms_dbu, attack_ms=rms_ms, release_ms=4.0 * rms_ms),
        peak=Limit(threshold_dbu=peak_dbu, attack_ms=peak_ms, release_ms=release_ms),
    )


def rig() -> Preset:
    """The rig as it was set up, before anything was captured."""
    lr24 = Crossover(family="linkwitz-riley", slope_db_per_octave=24, frequency_hz=95.0)
    top_eq = (
        EqSection(kind="peak", frequency_hz=315.0, gain_db=-2.5, q=2.0),
        EqSection(kind="peak", frequency_hz=2_500.0, gain_db=-3.0, q=2.5),
    )
    top = Output(
        name="Top L",
        channel=3,
        patch="stage rack, amplifier 2 A",
        inputs={"Left": 0.0},
        high_pass=lr24,
        eq=top_eq,
        limiter=_limiter(
            threshold_dbu((450.0, 8.0), (800.0, 8.0), gain_db=GAIN_DB),
            threshold_dbu((900.0, 8.0), (800.0, 8.0), gain_db=GAIN_DB),
            50.0,
            1.0,
        ),
    )
    delay = Output(
        name="Delay L",
        channel=5,
        patch="delay rack, amplifier 3 A",
        inputs={"Left": 0.0},
        gain_db=-2.0,
        high_pass=Crossover(family="bessel", slope_db_per_octave=24, frequency_hz=140.0),
        eq=(
            EqSection(kind="peak", frequency_hz=1_250.0, gain_db=-2.0, q=1.8),
            EqSection(kind="high_shelf", frequency_hz=8_000.0, gain_db=-2.0, q=0.7071),
        ),
        limiter=_limiter(
            threshold_dbu((75.0, 8.0), gain_db=GAIN_DB),
            threshold_dbu((150.0, 8.0), gain_db=GAIN_DB),
            40.0,
            1.0,
        ),
    )
    return Preset(
        title="Harbour Hall, main rig",
        venue="Harbour Hall",
        author="Example crew",
        notes=NOTES,
        tags=("touring", "mono subs", "delays"),
        sample_rate_hz=48_000.0,
        air=Air(temperature_c=22.5, relative_humidity_percent=45.0, pressure_kpa=100.8),
        inputs=(
            Input(name="Left", channel=1, nominal_dbu=4.0),
            Input(name="Right", channel=2, nominal_dbu=4.0),
            Input(name="Aux", channel=3, nominal_dbu=4.0),
        ),
        outputs=(
            Output(
                name="Sub", channel=1, patch="stage rack, amplifier 1 A",
                inputs={"Aux": 0.0},
                gain_db=-3.0,
                high_pass=Crossover(
                    family="butterworth", slope_db_per_octave=24, frequency_hz=32.0
                ),
                low_pass=lr24,
                eq=(EqSection(kind="peak", frequency_hz=46.0, gain_db=-3.0, q=2.5),),
                limiter=_limiter(
                    threshold_dbu((1_200.0, 8.0), (3_200.0, 4.0), gain_db=GAIN_DB),
                    threshold_dbu((2_400.0, 8.0), (3_200.0, 4.0), gain_db=GAIN_DB),
                    150.0,
                    1.5,
                    150.0,
                ),
            ),
            top,
            replace(
                top, name="Top R", channel=4, patch="stage rack, amplifier 2 B",
                inputs={"Right": 0.0},
            ),
            delay,
            replace(
                delay, name="Delay R", channel=6, patch="delay rack, amplifier 3 B",
                inputs={"Right": 0.0},
            ),
        ),
        groups=(
            Group(
                name="Tops",
                outputs=("Top L", "Top R"),
                follow=("gain", "polarity", "delay", "high_pass", "low_pass", "eq", "limiter"),
            ),
            Group(
                name="Delays",
                outputs=("Delay L", "Delay R"),
                follow=("gain", "polarity", "delay", "high_pass", "low_pass", "eq", "limiter"),
            ),
        ),
        stimulus=Stimulus(inputs={"Left": 0.0, "Aux": 0.0}),
        loudspeakers=(
            Loudspeaker(
                name="Double eighteen",
                passband_hz=(31.0, 200.0),
                passband_edge_db=-6.0,
                enclosure="vented",
                sensitivity_db=103.5,
                sensitivity_space="half-space",
                max_spl_db=140.0,
                impedance_ohm=8.0,
                minimum_impedance_ohm=6.8,
                power_w=Power(continuous=1_200.0, program=2_400.0, peak=4_800.0, basis="aes"),
            ),
            Loudspeaker(
                name="Twelve-inch top",
                passband_hz=(58.0, 18_000.0),
                enclosure="vented",
                sensitivity_db=98.0,
                max_spl_db=131.0,
                impedance_ohm=8.0,
                minimum_impedance_ohm=6.4,
                power_w=Power(continuous=450.0, basis="aes"),
                coverage_deg=(80.0, 50.0),
            ),
            Loudspeaker(
                name="Eight-inch two-way",
                passband_hz=(65.0, 18_000.0),
                enclosure="vented",
                sensitivity_db=94.0,
                max_spl_db=124.0,
                impedance_ohm=8.0,
                power_w=Power(continuous=200.0, basis="aes"),
                sections=(
                    DriverSection(band_hz=(65.0, 1_800.0), power_w=200.0, impedance_ohm=8.0),
                    DriverSection(band_hz=(1_800.0, 18_000.0), power_w=75.0, impedance_ohm=8.0),
                ),
                coverage_deg=(90.0, 60.0),
            ),
        ),
        amplifiers=(
            Amplifier(
                name="Heavy two-channel",
                gain_db=GAIN_DB,
                power_w={"8": 1_800.0, "4": 3_200.0, "2": 4_000.0},
                minimum_load_ohm=2.0,
                bridgeable=True,
            ),
            Amplifier(
                name="Light two-channel",
                gain_db=GAIN_DB,
                power_w={"8": 800.0, "4": 1_400.0},
                minimum_load_ohm=4.0,
            ),
        ),
        amplifier_channels=(
            AmplifierChannel(
                name="Amp 1 A", amplifier="Heavy two-channel", output="Sub",
                cable=Cable(length_m=15.0, area_mm2=4.0),
            ),
            AmplifierChannel(
                name="Amp 2 A", amplifier="Light two-channel", output="Top L",
                cable=Cable(length_m=20.0, area_mm2=2.5),
            ),
            AmplifierChannel(
                name="Amp 2 B", amplifier="Light two-channel", output="Top R",
                cable=Cable(length_m=20.0, area_mm2=2.5),
            ),
            AmplifierChannel(
                name="Amp 3 A", amplifier="Light two-channel", output="Delay L",
                cable=Cable(length_m=10.0, area_mm2=2.5),
            ),
            AmplifierChannel(
                name="Amp 3 B", amplifier="Light two-channel", output="Delay R",
                cable=Cable(length_m=25.0, area_mm2=2.5),
            ),
        ),
        sources=(
            Source(
                name="Subs", output="Sub", loudspeaker="Double eighteen", quantity=2,
                spacing_m=1.2, position_m=(0.0, 0.4, 0.35), boundary="floor",
                amplifier_channel="Amp 1 A",
            ),
            Source(
                name="Top left", output="Top L", loudspeaker="Twelve-inch top",
                position_m=(-5.0, 0.0, 3.6), aim_deg=Aim(azimuth=8.0, elevation=-8.0),
                amplifier_channel="Amp 2 A",
            ),
            Source(
                name="Top right", output="Top R", loudspeaker="Twelve-inch top",
                position_m=(5.0, 0.0, 3.6), aim_deg=Aim(azimuth=-8.0, elevation=-8.0),
                amplifier_channel="Amp 2 B",
            ),
            Source(
                name="Delay left", output="Delay L", loudspeaker="Eight-inch two-way",
                position_m=(-6.0, 15.0, 3.4), aim_deg=Aim(azimuth=10.0, elevation=-10.0),
                amplifier_channel="Amp 3 A",
            ),
            Source(
                name="Delay right", output="Delay R", loudspeaker="Eight-inch two-way",
                position_m=(6.0, 15.0, 3.4), aim_deg=Aim(azimuth=-10.0, elevation=-10.0),
                amplifier_channel="Amp 3 B",
            ),
        ),
        listeners=(
            Listener(name="Row 3", position_m=(0.0, 4.0, 1.2)),
            Listener(name="Row 8", position_m=(-2.0, 9.5, 1.2)),
            Listener(name="Row 16", position_m=(-2.0, 17.5, 1.2)),
            Listener(name="Row 24", position_m=(-2.0, 26.0, 1.2)),
        ),
        processor="Jetty 4×8 (invented)",
    )  # fmt: skip


def captured_rig() -> Preset:
    """The rig with the top's own trace and the captures of one session."""
    preset = _with_own_trace(rig())
    generator = np.random.default_rng(20_240_817)
    clock = iter(range(100))
    for listener in CAPTURED_AT:
        for output in preset.outputs:
            minute = 5 + 4 * next(clock)
            preset = capture(
                preset,
                PLACE,
                output.name,
                listener,
                state="settings",
                driven=next(iter(output.inputs)),
                input_dbu=-20.0,
                session=SESSION,
                captured_at=f"2024-08-17T{15 + minute // 60}:{minute % 60:02d}:00+02:00",
                generator=generator,
            )
    return preset


def harbour_hall() -> Preset:
    """The finished example: captured, aligned, delays set, figures rounded to 0.01 ms."""
    preset = captured_rig()
    preset = xover.apply_alignment(
        preset, xover.align(preset, move=["Sub"], to="Top L", listeners=list(ALIGNED_AT))
    )
    preset = with_delays_rounded(preset)
    preset = xover.apply_distance(
        preset,
        xover.delay_by_distance(
            preset, move=["Delay L"], to="Top L", listener="Row 24", offset_ms=10.0
        ),
    )
    return with_delays_rounded(preset)


def with_delays_rounded(preset: Preset) -> Preset:
    """Every output's delay to 0.01 ms, as it would be typed."""
    return with_outputs(preset, lambda one: replace(one, delay_ms=round(one.delay_ms, 2)))


def _with_own_trace(preset: Preset) -> Preset:
    """The top as it was measured out of doors: at 2 m, 4 V, the flight still in it as delay."""
    distance_m, volts = 2.0, 4.0
    frequency_hz = 19.0 * 2.0 ** (np.arange(int(24 * np.log2(21_000.0 / 19.0))) / 24.0)
    at_2m = DRIVERS["Twelve-inch top"].response(frequency_hz) * (volts / 2.83) / distance_m
    trace = to_trace(
        CapturedResponse(
            frequency_hz=frequency_hz,
            magnitude_db=20.0 * np.log10(np.abs(at_2m)),
            phase_deg=np.degrees(np.angle(at_2m)),
            delay_ms=1000.0 * distance_m / speed_m_s(22.5),
            level="spl",
        ),
        provenance=Provenance(note="invented; out of doors, 2 m, 4 V, flight left in"),
    )
    return attach_loudspeaker(
        preset,
        loudspeaker="Twelve-inch top",
        trace=rounded(trace),
        distance_m=distance_m,
        drive_v=volts,
    )
