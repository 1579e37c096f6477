"""Delay by time of flight: closed forms and published figures."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from xover.design.distance import apply_distance, delay_by_distance
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import Air, Crossover, Group, Input, Output
from xover.model.rig import Listener, Loudspeaker, Power, Source


def rig(temperature_c: float = 20.0) -> Preset:
    """Main at the origin, delay speaker 6 m out, the aiming seat 10 m out."""
    box = Loudspeaker(
        name="Box", passband_hz=(80.0, 18_000.0), impedance_ohm=8.0, power_w=Power(continuous=200.0)
    )
    return Preset(
        title="Test",
        air=Air(temperature_c=temperature_c),
        inputs=(Input(name="Main"),),
        outputs=(
            Output(name="Top", inputs={"Main": 0.0}),
            Output(name="Delay", inputs={"Main": 0.0}),
            Output(name="Bare", inputs={"Main": 0.0}),
        ),
        loudspeakers=(box,),
        sources=(
            Source(name="T", output="Top", loudspeaker="Box", position_m=(0.0, 0.0, 1.2)),
            Source(name="D", output="Delay", loudspeaker="Box", position_m=(0.0, 6.0, 1.2)),
        ),
        listeners=(
            Listener(name="Aim", position_m=(0.0, 10.0, 1.2)),
            Listener(name="Near", position_m=(0.0, 2.0, 1.2)),
        ),
    )


@pytest.mark.parametrize(
    ("temperature_c", "delay_ms"),
    # 10 m main − 4 m delay speaker with c = 343.2·√(T/293.15 K), ISO 9613-1:1993 formula A.5.
    [(10.0, 17.7886), (20.0, 17.4825), (30.0, 17.1918)],
)
def test_six_metres_of_difference(temperature_c: float, delay_ms: float) -> None:
    answer = delay_by_distance(rig(temperature_c), move=["Delay"], to="Top", listener="Aim")
    result = answer.results[0]
    assert result.delay_ms == pytest.approx(delay_ms, abs=5e-5)
    assert result.delayed_output == "Delay"
    assert result.polarity == "normal"
    assert result.distance_m == {"Top": 10.0, "Delay": 4.0}
    assert answer.settings["Delay"].delay_ms == pytest.approx(delay_ms, abs=5e-5)


def test_a_degree_and_the_levels() -> None:
    result = delay_by_distance(rig(), move=["Delay"], to="Top", listener="Aim").results[0]
    # Slope of the figures above between 19.5 and 20.5 °C: −6 m/(2·c·T).
    assert result.per_degree_ms == pytest.approx((17.1918 - 17.7886) / 20.0, rel=5e-3)
    levels = {(row.listener, row.output): row.level_db for row in result.arrivals}
    # 20·log10(10/4) = 7.9588 dB (inverse distance law); air absorption adds a little.
    assert levels["Aim", "Delay"] - levels["Aim", "Top"] == pytest.approx(7.96, abs=0.3)
    behind = {(row.listener, row.output): row.behind_ms for row in result.arrivals}
    assert behind["Aim", "Delay"] == pytest.approx(0.0, abs=1e-4)  # entered to 0.1 µs
    # At 2 m the main is 2 m away and the delay speaker 4 m plus its delay: 2 m + 6 m later.
    assert behind["Near", "Delay"] == pytest.approx(8.0 / 343.2 * 1e3, abs=1e-4)


def test_offset_present_delays_and_latencies_are_in_it() -> None:
    preset = rig()
    preset = replace(
        preset,
        outputs=(
            replace(preset.outputs[0], delay_ms=3.0, latency_ms=0.5),
            replace(preset.outputs[1], delay_ms=1.0, latency_ms=2.0),
            preset.outputs[2],
        ),
        loudspeakers=(replace(preset.loudspeakers[0], latency_ms=1.25),),
    )
    answer = delay_by_distance(preset, move=["Delay"], to="Top", listener="Aim", offset_ms=10.0)
    expected = 17.4825 + 10.0 + 3.5 - 3.0
    assert answer.results[0].delay_ms == pytest.approx(expected, abs=5e-5)
    applied = apply_distance(preset, answer)
    assert applied.output("Delay").delay_ms == pytest.approx(1.0 + expected, abs=5e-5)


def test_a_late_speaker_delays_everything_else_and_says_what_else_would_do() -> None:
    preset = rig()
    preset = replace(
        preset,
        outputs=(
            preset.outputs[0],
            replace(preset.outputs[1], delay_ms=20.0),
            preset.outputs[2],
        ),
    )
    answer = delay_by_distance(preset, move=["Delay"], to="Top", listener="Aim")
    result = answer.results[0]
    assert result.delayed_output == "Top"
    assert result.delay_ms == pytest.approx(20.0 - 17.4825, abs=5e-5)
    assert answer.settings["Bare"].delay_ms == pytest.approx(20.0 - 17.4825, abs=5e-5)
    assert any("from 20.00 ms to 17.48 ms" in note for note in result.notes)


def test_parts_that_cross_over_are_sent_to_align() -> None:
    preset = rig()
    split = Crossover(family="linkwitz-riley", slope_db_per_octave=24, frequency_hz=100.0)
    preset = replace(
        preset,
        outputs=(
            replace(preset.outputs[0], high_pass=split),
            replace(preset.outputs[1], low_pass=split),
            preset.outputs[2],
        ),
    )
    result = delay_by_distance(preset, move=["Delay"], to="Top", listener="Aim").results[0]
    assert any("xover align" in note for note in result.notes)
    plain = delay_by_distance(rig(), move=["Delay"], to="Top", listener="Aim").results[0]
    assert not any("xover align" in note for note in plain.notes)


def test_refusals() -> None:
    with pytest.raises(Refused, match="“Bare” has no source"):
        delay_by_distance(rig(), move=["Bare"], to="Top", listener="Aim")
    with pytest.raises(Refused, match="moved and be the reference"):
        delay_by_distance(rig(), move=["Top"], to="Top", listener="Aim")
    tied = replace(rig(), groups=(Group(name="All", outputs=("Top", "Delay"), follow=("delay",)),))
    with pytest.raises(Refused, match="one group that follows delay"):
        delay_by_distance(tied, move=["Delay"], to="Top", listener="Aim")
