"""Hillside Chapel: column loudspeakers and a sub, installed; captured flat in a cold spring.

Everything is invented: chapel, boxes, amplifier, captures.
"""

from __future__ import annotations

import numpy as np
from msgspec.structs import replace

import xover
from tests.examples.captures import Place, capture, rounded
from tests.examples.hall import with_delays_rounded
from tests.examples.room import Driver, Room
from tests.examples.thresholds import threshold_dbu
from xover.design.captures import attach_loudspeaker, to_trace
from xover.dsp.captured import CapturedResponse
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
    Listener,
    Loudspeaker,
    Power,
    Provenance,
    Source,
)

NOTES = """\
Speech first, organ and small choirs now and then. Two columns beside the chancel arch, a sub in \
the corner behind the left one, a small box under the gallery.
The columns' all-pass and peak are their maker's and stay locked.

The sub crosses with 12 dB per octave, so one side is inverted: the sub.
Captured flat on a cold morning and re-timed since; the gallery's capture came from somebody \
else and nobody knows what was set.
The induction loop is muted until its field has been measured and approved."""

SESSION = "Before the heating"
COLD_C = 15.0
LISTENERS = ("Pew 3", "Pew 9")
GAIN_DB, BRIDGED_DB = 26.0, 6.0206
GALLERY_ATTENUATOR_DB = -6.0

ROOM = Room(
    x_m=(-5.5, 5.5),
    y_m=(-6.0, 18.0),
    z_m=(0.0, 9.0),
    factors={
        "left": 0.45, "right": 0.45, "front": 0.3, "rear": 0.45, "floor": 0.5, "ceiling": 0.35,
    },
)  # fmt: skip

DRIVERS = {
    "Single fifteen": Driver(95.0, 38.0, 4, 260.0, 2),
    "Column six": Driver(
        92.0, 92.0, 2, 16_000.0, 2,
        bumps=((750.0, 2.0, 1.2), (3_400.0, -2.0, 2.0)), rear_db=22.0,
    ),
    "Six-inch two-way": Driver(88.0, 70.0, 4, 17_000.0, 2, rear_db=22.0),
}  # fmt: skip
PLACE = Place(
    ROOM,
    DRIVERS,
    {
        "Sub behind the left column": GAIN_DB + BRIDGED_DB,
        "Column left": GAIN_DB,
        "Column right": GAIN_DB,
        "Under the gallery": GAIN_DB + GALLERY_ATTENUATOR_DB,
    },
)


def _limiter(rms_dbu: float, peak_dbu: float, release_ms: float = 40.0) -> Limiter:
    return Limiter(
        rms=Limit(threshold_dbu=rms_dbu, attack_ms=60.0, release_ms=300.0),
        peak=Limit(threshold_dbu=peak_dbu, attack_ms=0.8, release_ms=release_ms),
    )


def _as_built() -> Preset:
    lr12 = Crossover(family="linkwitz-riley", slope_db_per_octave=12, frequency_hz=120.0)
    column_dbu = threshold_dbu((150.0, 16.0), (150.0, 8.0), gain_db=GAIN_DB)
    column = Output(
        name="Column L",
        channel=3,
        patch="vestry rack, amplifier C",
        inputs={"Lectern": 0.0, "Organ": -3.0, "Desk": 0.0},
        high_pass=lr12,
        eq=(
            EqSection(kind="all_pass", frequency_hz=1_600.0, q=0.7071),
            EqSection(kind="peak", frequency_hz=750.0, gain_db=-2.0, q=1.2),
        ),
        limiter=_limiter(column_dbu, column_dbu),
        locked=("eq",),
    )
    return Preset(
        title="Hillside Chapel, speech and organ",
        venue="Hillside Chapel",
        author="Example crew",
        notes=NOTES,
        tags=("installed", "speech"),
        based_on="7c41e0a9d25b",
        sample_rate_hz=96_000.0,
        air=Air(temperature_c=19.0, relative_humidity_percent=60.0, pressure_kpa=97.2),
        inputs=(
            Input(
                name="Lectern",
                channel=1,
                gain_db=3.0,
                eq=(
                    EqSection(kind="high_pass", frequency_hz=110.0, q=0.7071),
                    EqSection(kind="notch", frequency_hz=412.0, q=20.0),
                ),
                nominal_dbu=0.0,
            ),
            Input(name="Organ", channel=2, polarity="inverted", nominal_dbu=4.0),
            Input(name="Desk", channel=3, nominal_dbu=4.0),
        ),
        outputs=(
            Output(
                name="Sub",
                channel=1,
                patch="vestry rack, amplifier A+B bridged",
                inputs={"Organ": 0.0, "Desk": -2.0},
                gain_db=-6.0,
                polarity="inverted",
                high_pass=Crossover(
                    family="butterworth", slope_db_per_octave=24, frequency_hz=38.0
                ),
                low_pass=lr12,
                eq=(EqSection(kind="all_pass", frequency_hz=60.0, order=1, bypassed=True),),
                limiter=_limiter(
                    threshold_dbu((400.0, 8.0), (500.0, 8.0), gain_db=GAIN_DB + BRIDGED_DB),
                    threshold_dbu((800.0, 8.0), (500.0, 8.0), gain_db=GAIN_DB + BRIDGED_DB),
                    release_ms=125.0,
                ),
            ),
            column,
            replace(column, name="Column R", channel=4, patch="vestry rack, amplifier D"),
            Output(
                name="Gallery",
                channel=5,
                patch="gallery rack, over the network",
                inputs={"Lectern": 0.0, "Desk": -6.0},
                gain_db=-4.0,
                latency_ms=1.33,
                high_pass=Crossover(family="bessel", slope_db_per_octave=18, frequency_hz=130.0),
                limiter=_limiter(
                    threshold_dbu(
                        (80.0 / 2.0, 8.0), gain_db=GAIN_DB + GALLERY_ATTENUATOR_DB
                    ),
                    threshold_dbu((80.0, 8.0), gain_db=GAIN_DB + GALLERY_ATTENUATOR_DB),
                ),
            ),
            Output(
                name="Induction loop",
                channel=6,
                patch="vestry rack, loop amplifier",
                inputs={"Lectern": 0.0, "Desk": -3.0},
                muted=True,
                high_pass=Crossover(
                    family="butterworth", slope_db_per_octave=12, frequency_hz=100.0
                ),
                low_pass=Crossover(
                    family="butterworth", slope_db_per_octave=6, frequency_hz=5_000.0
                ),
                limiter=Limiter(
                    peak=Limit(threshold_dbu=4.0, attack_ms=0.5, release_ms=120.0)
                ),
            ),
        ),
        groups=(
            Group(
                name="Columns",
                outputs=("Column L", "Column R"),
                follow=("gain", "delay", "high_pass", "limiter"),
            ),
        ),
        stimulus=Stimulus(inputs={"Desk": 0.0}),
        loudspeakers=(
            Loudspeaker(
                name="Single fifteen",
                passband_hz=(36.0, 240.0),
                passband_edge_db=-6.0,
                enclosure="vented",
                sensitivity_db=95.0,
                impedance_ohm=8.0,
                minimum_impedance_ohm=6.6,
                power_w=Power(continuous=400.0, basis="aes"),
            ),
            Loudspeaker(
                name="Column six",
                passband_hz=(75.0, 17_000.0),
                enclosure="sealed",
                impedance_ohm=16.0,
                power_w=Power(continuous=150.0, basis="iec"),
                coverage_deg=(130.0, 30.0),
            ),
            Loudspeaker(
                name="Six-inch two-way",
                passband_hz=(66.0, 18_000.0),
                enclosure="vented",
                sensitivity_db=88.0,
                impedance_ohm=8.0,
                power_w=Power(continuous=80.0),
                coverage_deg=(100.0, 80.0),
                latency_ms=0.2,
            ),
        ),
        amplifiers=(
            Amplifier(
                name="Installed four-channel",
                gain_db=GAIN_DB,
                power_w={"8": 150.0, "4": 250.0},
                minimum_load_ohm=4.0,
                bridgeable=True,
                latency_ms=0.65,
            ),
        ),
        amplifier_channels=(
            AmplifierChannel(
                name="Amp A+B", amplifier="Installed four-channel", output="Sub", bridged=True,
                cable=Cable(length_m=18.0, area_mm2=4.0),
            ),
            AmplifierChannel(
                name="Amp C", amplifier="Installed four-channel", output="Column L",
                cable=Cable(length_m=22.0, area_mm2=2.5),
            ),
            AmplifierChannel(
                name="Amp D", amplifier="Installed four-channel", output="Column R",
                cable=Cable(length_m=30.0, area_mm2=2.5),
            ),
            AmplifierChannel(
                name="Gallery A", amplifier="Installed four-channel", output="Gallery",
                attenuator_db=GALLERY_ATTENUATOR_DB, attenuator_locked=True,
                cable=Cable(length_m=8.0, area_mm2=1.5),
            ),
        ),
        sources=(
            Source(
                name="Sub behind the left column", output="Sub", loudspeaker="Single fifteen",
                position_m=(-4.6, -0.8, 0.4), boundary="corner", amplifier_channel="Amp A+B",
            ),
            Source(
                name="Column left", output="Column L", loudspeaker="Column six",
                position_m=(-4.2, 0.0, 2.6), aim_deg=Aim(azimuth=15.0, elevation=-6.0),
                amplifier_channel="Amp C",
            ),
            Source(
                name="Column right", output="Column R", loudspeaker="Column six",
                position_m=(4.2, 0.0, 2.6), aim_deg=Aim(azimuth=-15.0, elevation=-6.0),
                amplifier_channel="Amp D",
            ),
            Source(
                name="Under the gallery", output="Gallery", loudspeaker="Six-inch two-way",
                position_m=(0.0, 12.5, 2.9), aim_deg=Aim(elevation=-25.0), polarity="inverted",
                amplifier_channel="Gallery A",
            ),
        ),
        listeners=(
            Listener(name="Pew 3", position_m=(-1.5, 4.0, 1.2)),
            Listener(name="Pew 9", position_m=(-1.5, 9.5, 1.2)),
            Listener(name="Under the gallery", position_m=(-1.0, 15.5, 1.2)),
        ),
    )  # fmt: skip


def hillside_chapel() -> Preset:
    """The finished example: captured flat, aligned, the gallery delayed, figures to 0.01 ms."""
    preset = _captured(_with_own_trace(_as_built()))
    preset = xover.apply_alignment(
        preset, xover.align(preset, move=["Sub"], to="Column L", listeners=list(LISTENERS))
    )
    preset = with_delays_rounded(preset)
    preset = xover.apply_distance(
        preset,
        xover.delay_by_distance(
            preset, move=["Gallery"], to="Column L", listener="Under the gallery", offset_ms=12.0
        ),
    )
    return with_delays_rounded(preset)


def _captured(preset: Preset) -> Preset:
    generator = np.random.default_rng(19_371)
    for listener in LISTENERS:
        for output in ("Sub", "Column L", "Column R"):
            preset = capture(
                preset,
                PLACE,
                output,
                listener,
                state="flat",
                driven="Desk",
                input_dbu=-26.0,
                session=SESSION,
                captured_at="2024-03-05T10:30:00+01:00",
                generator=generator,
                temperature_c=COLD_C,
            )
    return capture(
        preset,
        PLACE,
        "Gallery",
        "Under the gallery",
        state="unknown",
        driven="Desk",
        input_dbu=-26.0,
        session=None,
        captured_at="",
        generator=generator,
        phase=False,
    )


def _with_own_trace(preset: Preset) -> Preset:
    """The column as its data sheet prints it: magnitude alone."""
    frequency_hz = 19.0 * 2.0 ** (np.arange(int(12 * np.log2(21_000.0 / 19.0)) + 1) / 12.0)
    at_1m = np.abs(DRIVERS["Column six"].response(frequency_hz))
    trace = to_trace(
        CapturedResponse(
            frequency_hz=frequency_hz, magnitude_db=20.0 * np.log10(at_1m), level="spl"
        ),
        provenance=Provenance(note="invented; read off a printed curve"),
    )
    return attach_loudspeaker(preset, loudspeaker="Column six", trace=rounded(trace))
