"""Nudging: how far, where it stops, and the way back."""

from __future__ import annotations

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from tests.model.entry_values import (
    VALUES,
    bits,
    context,
    limit,
    lr,
    read,
    section,
)
from xover.model import entry, entry_nudge
from xover.model.entry import parts, show
from xover.model.processing import Crossover


def bw(slope):
    return Crossover(family="butterworth", slope_db_per_octave=slope, frequency_hz=100.0)


def bes(slope):
    return Crossover(family="bessel", slope_db_per_octave=slope, frequency_hz=100.0)


def nudge(row, value, steps, coarse=False, part="frequency"):
    return entry.nudge(row, value, steps, coarse=coarse, context=context(), part=part)


@pytest.mark.parametrize(
    ("row", "value", "steps", "coarse", "expected"),
    [
        ("gain", -3.0, 1, False, -2.5), ("gain", -3.0, -1, True, -6.0),
        ("gain", 59.9, 5, False, 60.0),
        ("gain", -3.25, 1, False, -2.75), ("delay", 3.42, 1, False, 3.52),
        ("delay", 0.05, -1, False, 0.0), ("delay", 3.42, 2, True, 5.42),
        ("delay", 9999.95, 1, False, 10_000.0), ("polarity", "normal", 1, False, "inverted"),
        ("polarity", "normal", 2, False, "normal"), ("polarity", "inverted", -1, True, "normal"),
        # 100·2^(1/24) = 102.93, 100·2^(1/3) = 125.99, 1000·2^(−1/24) = 971.53: to three digits.
        ("high_pass", lr(24, 100.0), 1, False, lr(24, 103.0)),
        ("high_pass", lr(24, 100.0), 1, True, lr(24, 126.0)),
        ("frequency", 1000.0, -1, False, 972.0),
        ("low_pass", lr(24, 23_000.0), 9, True, lr(24, 23_500.0)),
        ("high_pass", lr(24, 1.2), -1, True, lr(24, 1.0)),
        ("rms", limit(8.3), 1, False, limit(8.8)), ("peak", limit(58.0), 1, True, limit(60.0)),
        ("route", {"Left": 0.0, "Right": -3.0}, -1, False, {"Left": -0.5, "Right": -3.5}),
        ("route", {"Left": 20.0, "Right": -3.0}, 1, False, {"Left": 20.0, "Right": -3.0}),
        ("mute", False, 1, False, False), ("high_pass", None, 1, False, None),
        ("eq", None, 1, False, None),
    ],
)  # fmt: skip
def test_nudges(row, value, steps, coarse, expected):
    assert nudge(row, value, steps, coarse) == expected


def test_the_parts_of_a_section_are_nudged_one_by_one():
    peak = section("peak", 100.0, -3.0, 2.0)
    assert parts(peak) == ("frequency", "gain", "q")
    assert nudge(("eq", 0), peak, 1) == section("peak", 103.0, -3.0, 2.0)
    assert nudge("eq", peak, 1, part="gain") == section("peak", 100.0, -2.5, 2.0)
    # 2·2^(1/6) = 2.2449.
    assert nudge("eq", peak, 1, part="q") == section("peak", 100.0, -3.0, 2.245)
    assert nudge("eq", peak, 99, part="q") == section("peak", 100.0, -3.0, 100.0)
    first = section("all_pass", 80.0, order=1)
    assert parts(first) == ("frequency",)
    assert nudge("eq", first, 3, part="gain") == nudge("eq", first, 3, part="q") == first
    assert parts(3.0) == ()


def test_the_parts_of_a_crossover():
    xover = lr(24, 100.0)
    assert parts(xover) == ("frequency", "slope", "family")
    moves = [
        (xover, 1, False, "slope", lr(36, 100.0)), (xover, -5, False, "slope", lr(12, 100.0)),
        (xover, 2, True, "slope", lr(48, 100.0)),
        (bw(18), 1, False, "slope", bw(24)), (bw(18), 1, True, "slope", bw(30)),
        (bw(48), 1, False, "slope", bw(48)),
        (xover, 1, False, "family", bes(24)), (xover, -1, False, "family", bw(24)),
        (bes(24), 1, False, "family", bw(24)),
        (bw(18), 1, False, "family", bes(18)),  # no Linkwitz-Riley has 18 dB an octave
        (bw(6), 1, False, "family", bw(6)),
    ]  # fmt: skip
    for before, steps, coarse, part, after in moves:
        assert nudge("high_pass", before, steps, coarse, part) == after


def test_the_parts_of_a_limit():
    held = limit(8.3)  # 50/200 ms
    assert parts(held) == ("threshold", "attack", "release")
    # 50·2^(1/6) = 56.12, 200·2 = 400.
    assert nudge("rms", held, 1, part="attack") == replace(held, attack_ms=56.1)
    assert nudge("peak", held, 1, True, part="release") == replace(held, release_ms=400.0)
    shortest = replace(held, attack_ms=0.0)
    assert nudge("rms", shortest, -1, part="attack") == shortest
    assert nudge("rms", shortest, 1, part="attack") == replace(held, attack_ms=0.1)
    assert nudge("rms", replace(held, attack_ms=0.15), -9, part="attack").attack_ms == 0.1
    assert nudge("rms", held, 99, True, part="release").release_ms == 60_000.0


def test_the_parts_of_a_route():
    routes = {"Left": 0.0, "Right": -3.0}
    assert parts(routes) == ("gain", ("input", "Left"), ("input", "Right"))
    assert parts({"Left": 0.0}) == ()
    assert nudge("route", routes, 1, part=("input", "Right")) == {"Left": 0.0, "Right": -2.5}
    assert nudge("route", routes, 1, part=("input", "Aux")) == {"Left": 0.5, "Right": -2.5}


@pytest.mark.parametrize(
    ("row", "value", "found"),
    [
        ("eq", section("peak", 46.0, -3.0, 2.0), ["46", "−3.0", "q2"]),
        ("eq", section("notch", 50.0, q=10.0), ["50", "q10"]),
        ("high_pass", lr(24, 1200.0), ["1.2k", "24", "LR"]),
        ("rms", limit(8.3), ["+8.3", "50", "200"]),
        ("route", {"Left": 0.0, "Aux, 2": -3.0}, [None, "Left 0.0", '"Aux, 2" −3.0']),
    ],
)
def test_where_parts_stand(row, value, found):
    text = show(row, value)
    spans = [entry.part_span(value, part, text) for part in parts(value)]
    assert [None if span is None else text[slice(*span)] for span in spans] == found


def test_a_part_that_was_left_out_stands_nowhere():
    peak = section("peak", 46.0, -3.0, 2.0)
    assert entry.part_span(peak, "q", "peak 46 −3.0 …") is None
    assert entry.part_span(peak, "gain", "peak 46 …") is None
    assert entry.part_words(peak, "q") == "Q"
    assert entry.part_words({"a": 0.0, "b": 0.0}, "gain") == "all gains"


three_digits = st.builds(
    lambda figure, exponent: float(f"{figure}e{exponent}"),
    st.integers(100, 999),
    st.integers(-1, 1),
)


@settings(max_examples=300, deadline=None)
@given(
    frequency_hz=three_digits,
    steps=st.sampled_from((-1, 1)) | st.integers(-24, 24),
    coarse=st.booleans(),
)
@example(frequency_hz=990.0, steps=1, coarse=False)
@example(frequency_hz=120.0, steps=-1, coarse=True)
@example(frequency_hz=120.0, steps=-4, coarse=True)
@example(frequency_hz=103.0, steps=12, coarse=True)
def test_a_step_back_gives_the_old_frequency_again(frequency_hz, steps, coarse):
    there = nudge("frequency", frequency_hz, steps, coarse)
    ratio = 2.0 ** (steps / (3.0 if coarse else 24.0))
    if not 1.1 < frequency_hz * ratio < 23_000.0:
        return
    # Each step is within 0.1 % of the exact one, and no further: NEAR, times the steps made.
    assert there == pytest.approx(frequency_hz * ratio, rel=1.01 * entry_nudge.NEAR * abs(steps))
    back = nudge("frequency", there, -steps, coarse)
    assert back == pytest.approx(frequency_hz, rel=2.02 * entry_nudge.NEAR * abs(steps))
    if abs(steps) == 1:
        assert back == frequency_hz


@settings(max_examples=200, deadline=None)
@given(tenths=st.integers(-500, 500), steps=st.integers(-15, 15), coarse=st.booleans())
def test_as_many_steps_back_give_the_old_gain_and_delay_again(tenths, steps, coarse):
    gain_db = tenths / 20.0
    delay_ms = 100.0 + tenths / 100.0
    if abs(gain_db) + 3 * abs(steps) < 60.0:
        assert nudge("gain", nudge("gain", gain_db, steps, coarse), -steps, coarse) == gain_db
    assert nudge("delay", nudge("delay", delay_ms, steps, coarse), -steps, coarse) == delay_ms


@pytest.mark.parametrize("row", VALUES)
@settings(max_examples=80, deadline=None)
@given(data=st.data(), steps=st.integers(-40, 40), coarse=st.booleans())
def test_a_nudged_value_is_legal_and_shown_shortly(row, data, steps, coarse):
    value = data.draw(VALUES[row])
    part = data.draw(st.sampled_from((*parts(value), "frequency", "gain", "q", "attack", "slope")))
    moved = nudge(row, value, steps, coarse, part)
    assert bits(read(row, show(row, moved))) == bits(moved)  # reading refuses what is out of range


def test_steps_held_together_go_as_far_as_one_by_one():
    one_by_one = lr(24, 87.3)
    for _ in range(30):
        one_by_one = nudge("high_pass", one_by_one, 1)
    assert nudge("high_pass", lr(24, 87.3), 30) == one_by_one
