"""Delay by time of flight: closed forms and published figures."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
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
    # 343.987 m/s at 20 °C and 50 % by pyfar 0.8.1's `speed_of_sound_cramer` (Cramer 1993).
    assert result.humidity_ms == pytest.approx(6000.0 / 343.987 - 6000.0 / 343.2, abs=1e-4)
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


# Two temperatures


@pytest.mark.parametrize("set_for", ["now", "show"])
def test_what_the_show_temperature_asks_for(set_for: str) -> None:
    """10 m − 4 m at 20 and 30 °C: 17.4825 and 17.1918 ms (ISO 9613-1, formula A.5)."""
    answer = delay_by_distance(
        rig(), move=["Delay"], to="Top", listener="Aim", show_temperature_c=30.0,
        set_for=set_for,
    )  # fmt: skip
    show = answer.results[0].show
    assert show is not None
    assert show.reading_now_ms == pytest.approx(17.4825, abs=1.1e-4)
    assert show.reading_then_ms == pytest.approx(17.1918, abs=1.1e-4)
    # Set for 20 °C it comes 0.2907 ms late at 30 °C, and the other way round.
    off_ms = 17.4825 - 17.1918
    expected = (0.0, off_ms) if set_for == "now" else (-off_ms, 0.0)
    assert (show.off_now_ms, show.off_then_ms) == pytest.approx(expected, abs=1e-4)
    wanted_ms = 17.4825 if set_for == "now" else 17.1918
    assert answer.settings["Delay"].delay_ms == pytest.approx(wanted_ms, abs=1e-4)
    rows = {row.listener: row for row in show.rows}
    # Near: 2 m from the main, 4 m from the delay speaker; 2 m more take 0.0968 ms less at 30 °C.
    assert rows["Near"].change_ms == pytest.approx(2000 / 349.005 - 2000 / 343.2, abs=1e-5)


def test_fifty_metres_and_ten_degrees() -> None:
    """50 m, 20 → 30 °C: −2.4230 ms (ISO 9613-1); a degree is a tenth of it, nearly."""
    preset = rig()
    listeners = (Listener(name="Aim", position_m=(0.0, 56.0, 1.2)),)
    sources = (preset.sources[0], replace(preset.sources[1], position_m=(0.0, 55.0, 1.2)))
    far = replace(preset, listeners=listeners, sources=sources)
    result = delay_by_distance(
        far, move=["Delay"], to="Top", listener="Aim", show_temperature_c=30.0
    ).results[0]
    assert result.show is not None
    change_ms = result.show.reading_then_ms - result.show.reading_now_ms
    assert change_ms == pytest.approx(-2.4230 * 55.0 / 50.0, abs=2e-3)
    assert result.per_degree_ms * 10.0 == pytest.approx(change_ms, rel=0.03)


# Measured ways


def bare() -> Preset:
    """Two outputs, no source, no listener."""
    return Preset(
        title="Bare",
        inputs=(Input(name="Main"),),
        outputs=(Output(name="Top", inputs={"Main": 0.0}),
                 Output(name="Delay", inputs={"Main": 0.0}, latency_ms=1.0)),
    )  # fmt: skip


def test_a_tape_measure_is_enough() -> None:
    ways = {("Top", "Aim"): 10.0, ("Delay", "Aim"): 4.0}
    answer = delay_by_distance(bare(), move=["Delay"], to="Top", listener="Aim", measured=ways)
    result = answer.results[0]
    assert result.delay_ms == pytest.approx(17.4825 - 1.0, abs=5e-5)  # its latency counts
    assert result.measured == ("Top", "Delay")
    assert result.line is None
    assert [row.listener for row in result.arrivals] == ["Aim", "Aim"]
    stand = result.arrivals[1].precedence
    assert stand is not None
    assert stand.image is None  # no level is known
    with pytest.raises(Refused, match=r"way from “Delay” to “Aim” is not known"):
        delay_by_distance(bare(), move=["Delay"], to="Top", listener="Aim",
                          measured={("Top", "Aim"): 10.0})  # fmt: skip
    with pytest.raises(Refused, match=r"cannot be 0\.05 m"):
        delay_by_distance(bare(), move=["Delay"], to="Top", listener="Aim",
                          measured=ways | {("Top", "Aim"): 0.05})  # fmt: skip
    with pytest.raises(Refused, match="cannot be trimmed"):
        delay_by_distance(bare(), move=["Delay"], to="Top", listener="Aim", measured=ways,
                          lift_db=3.0)  # fmt: skip


def test_a_measured_way_replaces_coordinates_and_moves_the_level() -> None:
    ways = {("Delay", "Aim"): 8.0}  # twice the 4 m of the coordinates
    result = delay_by_distance(
        rig(), move=["Delay"], to="Top", listener="Aim", measured=ways
    ).results[0]
    assert result.delay_ms == pytest.approx(2.0 / 343.2 * 1e3, abs=5e-5)
    plain = delay_by_distance(rig(), move=["Delay"], to="Top", listener="Aim").results[0]
    assert any("between the listeners coordinates count" in note for note in result.notes)
    levels = [{(row.listener, row.output): row.level_db for row in one.arrivals}["Aim", "Delay"]
              for one in (result, plain)]  # fmt: skip
    assert levels[0] - levels[1] == pytest.approx(-6.0206, abs=1e-4)  # 20·log10(1/2)


def test_several_movers_each_with_its_own_listener() -> None:
    preset = rig()
    answer = delay_by_distance(
        preset, move=["Delay", "Bare"], to="Top", listener=["Aim", "Near"],
        measured={("Bare", "Near"): 1.0},
    )  # fmt: skip
    delay, fill = answer.results
    assert (delay.listener, fill.listener) == ("Aim", "Near")
    assert fill.delay_ms == pytest.approx(1.0 / 343.2 * 1e3, abs=5e-5)
    assert answer.settings["Bare"].delay_ms == pytest.approx(fill.delay_ms, abs=5e-5)
    with pytest.raises(Refused, match="2 outputs are moved and 3 listeners named"):
        delay_by_distance(preset, move=["Delay", "Bare"], to="Top", listener=["Aim"] * 3)


# Lifts


def test_a_lift_of_three_decibels_is_equal_level() -> None:
    """Powers of two equal sources: 3.0103 dB; trimmed to a tenth of a decibel."""
    answer = delay_by_distance(
        rig(), move=["Delay"], to="Top", listener="Aim", offset_ms=10.0, lift_db=3.0103
    )
    lift = answer.results[0].lift
    assert lift is not None
    assert lift.difference_db == pytest.approx(0.0, abs=0.051)
    assert lift.lift_db == pytest.approx(3.0103, abs=0.03)
    # 10 m against 4 m: it was 7.9588 dB louder (air takes 0.1 dB more over the longer way).
    assert lift.gain_change_db == pytest.approx(-7.96, abs=0.3)
    applied = apply_distance(rig(), answer)
    assert applied.output("Delay").gain_db == lift.gain_db == answer.gains_db["Delay"]
    assert applied.output("Top").gain_db == 0.0
    after = delay_by_distance(applied, move=["Delay"], to="Top", listener="Aim", offset_ms=10.0)
    row = after.results[0].arrivals[1].precedence
    assert row is not None
    assert row.later_db == pytest.approx(lift.difference_db, abs=1e-9)


def test_the_image_bounds_the_lift() -> None:
    """10 ms late, 10 dB louder is the bound (Haas): a lift of 10.41 dB, by powers."""
    answer = delay_by_distance(
        rig(), move=["Delay"], to="Top", listener="Aim", offset_ms=10.0, lift_db=14.0
    )
    result = answer.results[0]
    assert result.lift is not None
    assert result.lift.pulled_at == ("Aim",)
    assert result.lift.most_lift_db == pytest.approx(10.4139, abs=1e-3)
    assert any("the gain of “Delay” may change by" in note for note in result.notes)
    assert any("louder: check its limiters" in note for note in result.notes)
    quiet = delay_by_distance(
        rig(), move=["Delay"], to="Top", listener="Aim", offset_ms=10.0, lift_db=6.0
    ).results[0]
    assert quiet.lift is not None
    assert quiet.lift.pulled_at == ()


def test_groups_and_locks_hold_for_gains() -> None:
    group = Group(name="Pair", outputs=("Delay", "Bare"), follow=("gain",))
    tied = replace(rig(), groups=(group,))
    answer = delay_by_distance(tied, move=["Delay"], to="Top", listener="Aim", lift_db=3.0)
    assert answer.gains_db["Bare"] == answer.gains_db["Delay"] < 0.0
    outputs = tuple(replace(item, locked=("gain",)) for item in tied.outputs)
    with pytest.raises(Refused, match=r"the gain of “.*” is locked"):
        delay_by_distance(replace(tied, outputs=outputs), move=["Delay"], to="Top",
                          listener="Aim", lift_db=3.0)  # fmt: skip


# Along the audience


def test_where_the_lead_changes_and_where_it_combs() -> None:
    """On the axis, y beyond both boxes: main y, delay y − 6 m; set for equal time at y = 10.

    Behind the delay box the difference of ways is 2·(y − 3) m instead of 6: it leads where
    |y − 6| + 6 < y, which is nowhere; with 3 ms less delay it leads wherever y > 6 − 0.51.
    """
    early = delay_by_distance(rig(), move=["Delay"], to="Top", listener="Aim", offset_ms=-3.0)
    line = early.results[0].line
    assert line is not None
    assert line.through == ("Aim", "Near")
    assert line.length_m == pytest.approx(8.0)
    # At y < 6: (6 − y)/c + 6/c − 3 ms = y/c ⇔ y = 6 − 1.5 ms·c; the line runs from y = 10 down.
    expected_m = 10.0 - (6.0 - 1.5e-3 * 343.2)
    assert line.hand_overs_m == pytest.approx((expected_m,), abs=1e-3)
    assert line.points[0].leads == "Delay"
    assert line.points[-1].leads == "Top"
    # Equal level half-way between the two boxes, at y = 3, 7 m along (points 0.25 m apart).
    assert line.worst is not None
    assert line.worst.along_m == pytest.approx(7.0, abs=0.13)
    assert line.worst.difference_db == pytest.approx(0.0, abs=0.4)
    assert line.worst.first_notch_hz == pytest.approx(500.0 / line.worst.behind_ms)


def test_a_line_needs_two_places_and_two_boxes() -> None:
    with pytest.raises(Refused, match="are one place, so there is no line"):
        delay_by_distance(rig(), move=["Delay"], to="Top", listener="Aim", line=("Aim", "Aim"))
    with pytest.raises(Refused, match="nothing is known of it between listeners"):
        delay_by_distance(rig(), move=["Bare"], to="Top", listener="Aim", line=("Aim", "Near"),
                          measured={("Bare", "Aim"): 3.0})  # fmt: skip


def test_a_listener_inside_a_box_is_refused() -> None:
    preset = rig()
    seat = Listener(name="Aim", position_m=(0.0, 6.0, 1.2))
    with pytest.raises(Refused, match="“Aim” lies inside a box of “Delay”"):
        delay_by_distance(replace(preset, listeners=(seat,)), move=["Delay"], to="Top",
                          listener="Aim")  # fmt: skip


# Whatever the places


PLACE = st.tuples(st.floats(-30.0, 30.0), st.floats(-30.0, 30.0), st.floats(0.0, 6.0))


@settings(max_examples=12, deadline=None)
@given(delay=PLACE, seat=PLACE, by=PLACE, celsius=st.floats(-10.0, 40.0))
def test_moving_everything_changes_nothing_and_exchange_turns_the_sign(
    delay: tuple[float, float, float],
    seat: tuple[float, float, float],
    by: tuple[float, float, float],
    celsius: float,
) -> None:
    assume(math.dist(delay, seat) > 0.2)
    assume(math.dist((0.0, 0.0, 1.2), seat) > 0.2)

    def at(offset: tuple[float, float, float]) -> Preset:
        def moved(place: tuple[float, ...]) -> tuple[float, float, float]:
            return (place[0] + offset[0], place[1] + offset[1], place[2] + offset[2])

        preset = rig(celsius)
        places = {"T": (0.0, 0.0, 1.2), "D": delay}
        return replace(
            preset,
            sources=tuple(replace(s, position_m=moved(places[s.name])) for s in preset.sources),
            listeners=(Listener(name="Aim", position_m=moved(seat)),),
        )

    def relative_ms(preset: Preset, move: str, to: str) -> float:
        result = delay_by_distance(preset, move=[move], to=to, listener="Aim").results[0]
        return result.delay_ms if result.delayed_output == move else -result.delay_ms

    here, there = at((0.0, 0.0, 0.0)), at(by)
    found_ms = relative_ms(here, "Delay", "Top")
    assert relative_ms(there, "Delay", "Top") == pytest.approx(found_ms, abs=1e-3)
    assert relative_ms(here, "Top", "Delay") == pytest.approx(-found_ms, abs=1e-3)
    # Any temperature: the ways' difference over 343.2·√(T/293.15 K).
    speed = 343.2 * math.sqrt((celsius + 273.15) / 293.15)
    metres = math.dist((0.0, 0.0, 1.2), seat) - math.dist(delay, seat)
    assert found_ms == pytest.approx(1000.0 * metres / speed, abs=1e-3)
