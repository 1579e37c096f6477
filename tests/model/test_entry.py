"""Typing over a cell: every documented spelling, what is shown reads in again, refusals."""

from __future__ import annotations

import math
import struct
import time

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tests.strategies import crossovers, eq_sections, limits, number, polarity, unique_names
from xover.model import entry, ranges
from xover.model.entry import KINDS, Context, help_for, parse, parts, show, step_words
from xover.model.entry_text import MARK
from xover.model.names import inert
from xover.model.problems import Refused
from xover.model.processing import Crossover, EqSection, Limit
from xover.model.words import EQ_SHAPES, FAMILY_SLOPES

RATE_HZ = 48_000.0
SPEED_M_S = 343.2
"""ISO 9613-1:1993, formula A.5, at 20 °C; the tests give it, the code under test is told it."""
INPUTS = ("Left", "Right", "Aux", "Aux 2", "Lectern")


def context(present=None, inputs=INPUTS, where=""):
    return Context(
        sample_rate_hz=RATE_HZ,
        speed_of_sound_m_s=SPEED_M_S,
        present=present,
        inputs=inputs,
        where=where,
    )


def read(row, text, present=None, inputs=INPUTS):
    return parse(row, text, context=context(present, inputs))


def crossover(family, slope, frequency_hz):
    return Crossover(family=family, slope_db_per_octave=slope, frequency_hz=frequency_hz)


def lr(slope, frequency_hz):
    return crossover("linkwitz-riley", slope, frequency_hz)


def bw(slope, frequency_hz):
    return crossover("butterworth", slope, frequency_hz)


def section(kind, frequency_hz, gain_db=None, q=None, order=2, bypassed=False):
    fields = {} if gain_db is None else {"gain_db": gain_db}
    fields |= {} if q is None else {"q": q}
    return EqSection(kind=kind, frequency_hz=frequency_hz, order=order, bypassed=bypassed, **fields)


def limit(threshold_dbu, attack_ms=50.0, release_ms=200.0):
    return Limit(threshold_dbu=threshold_dbu, attack_ms=attack_ms, release_ms=release_ms)


def metres_ms(metres):
    """Time of flight: length over speed, the definition."""
    return metres / SPEED_M_S * 1000.0


# Spellings


@pytest.mark.parametrize(
    ("text", "value_db"),
    [
        ("-3", -3.0), ("−3", -3.0), ("–3", -3.0), ("- 3", -3.0), ("+2.5 dB", 2.5), ("2.5", 2.5),
        ("3,5", 3.5), ("-0,25db", -0.25), ("0", 0.0), (".5", 0.5), ("+2.5\u2009dB", 2.5),
        ("−3.0", -3.0), (" 1 DB ", 1.0), ("-60", -60.0), ("60", 60.0), ("3.", 3.0),
    ],
)  # fmt: skip
def test_gains(text, value_db):
    assert read("gain", text) == value_db


@pytest.mark.parametrize("text", ["inv", "INV", "inverted", "Invert", "-", "−", "rev", "Ø", "neg"])
def test_inverted(text):
    assert read("polarity", text) == "inverted"


@pytest.mark.parametrize("text", ["normal", "norm", "Normal", "+", "pos"])
def test_normal(text):
    assert read("polarity", text) == "normal"


@pytest.mark.parametrize(
    ("text", "muted"), [("mute", True), ("MUTED", True), ("open", False), ("unmute", False)]
)
def test_mutes(text, muted):
    assert read("mute", text) is muted


# A foot is 0.3048 m exactly, an inch a twelfth of it (international yard, 1959).
@pytest.mark.parametrize(
    ("text", "value_ms"),
    [
        ("3.2", 3.2), ("3.2 ms", 3.2), ("3,2ms", 3.2), ("320 us", 0.32), ("320 µs", 0.32),
        ("320 μs", 0.32), ("0.05 s", 50.0), ("0", 0.0), ("off", 0.0), ("+3.2", 3.2),
        ("1.10 m", metres_ms(1.10)), ("110 cm", metres_ms(1.10)), ("1100 mm", metres_ms(1.10)),
        ("1m10", metres_ms(1.10)), ("1,10\u202fm", metres_ms(1.10)), ("2 metres", metres_ms(2.0)),
        ("4 ft", metres_ms(1.2192)), ("4'", metres_ms(1.2192)), ("4′", metres_ms(1.2192)),
        ("3'7\"", metres_ms(1.0922)), ("3′7″", metres_ms(1.0922)), ("3' 7\"", metres_ms(1.0922)),
        ("3'7", metres_ms(1.0922)), ("3’7”", metres_ms(1.0922)), ("3 ft 7 in", metres_ms(1.0922)),
        ("3'7''", metres_ms(1.0922)), ("3' 7 1/2\"", metres_ms(1.1049)),
        ("3' 7½\"", metres_ms(1.1049)), ("3'7-1/2\"", metres_ms(1.1049)),
        ("7\"", metres_ms(0.1778)),
        ("7.5 inches", metres_ms(0.1905)), ("1/2\"", metres_ms(0.0127)),
        ("154 samples", 154 / 48.0), ("154smp", 154 / 48.0), ("1 sample", 1 / 48.0),
    ],
)  # fmt: skip
def test_delays(text, value_ms):
    assert read("delay", text) == pytest.approx(value_ms, rel=1e-12, abs=1e-15)


@pytest.mark.parametrize(
    ("text", "frequency_hz"),
    [
        ("80", 80.0), ("80 Hz", 80.0), ("80HZ", 80.0), ("1k2", 1200.0), ("1K2", 1200.0),
        ("2k5", 2500.0), ("1.2 kHz", 1200.0), ("1,2k", 1200.0), ("1k", 1000.0), ("1 k", 1000.0),
        ("1k25 Hz", 1250.0), ("31.5", 31.5), ("1e3", 1000.0), ("1200", 1200.0),
    ],
)  # fmt: skip
def test_frequencies(text, frequency_hz):
    assert read("frequency", text) == frequency_hz
    assert read("high_pass", f"LR24 {text}") == lr(24, frequency_hz)
    assert read("eq", f"notch {text} q10") == section("notch", frequency_hz, q=10.0)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("LR24 100", lr(24, 100.0)), ("lr24 100", lr(24, 100.0)), ("lr 24 100", lr(24, 100.0)),
        ("LR-24 100", lr(24, 100.0)), ("100 lr24", lr(24, 100.0)), ("LR24, 100 Hz", lr(24, 100.0)),
        ("linkwitz-riley 24 100 Hz", lr(24, 100.0)), ("Linkwitz Riley 48 80", lr(48, 80.0)),
        ("LR 24 dB/oct 100", lr(24, 100.0)), ("lr24db 100", lr(24, 100.0)),
        ("24 dB per octave lr 100", lr(24, 100.0)), ("LR4 100", lr(24, 100.0)),
        ("LR8 1k2", lr(48, 1200.0)), ("BW3 80", bw(18, 80.0)), ("BW6 80", bw(6, 80.0)),
        ("BW 18 1k2", bw(18, 1200.0)), ("butterworth 6 1.2 kHz", bw(6, 1200.0)),
        ("1k2 bw18", bw(18, 1200.0)), ("100 bw 18", bw(18, 100.0)),
        ("bes12 80", crossover("bessel", 12, 80.0)),
        ("Bessel 48 80", crossover("bessel", 48, 80.0)),
        ("100", lr(24, 100.0)), ("lr 100", lr(24, 100.0)), ("lr 40 hz", lr(24, 40.0)),
        ("off", None), ("none", None), ("-", None), ("–", None), ("OFF", None),
    ],
)  # fmt: skip
def test_crossovers(text, value):
    assert read("high_pass", text) == value
    assert read("low_pass", text) == value


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("100", bw(18, 100.0)), ("1k2", bw(18, 1200.0)), ("lr48", lr(48, 80.0)),
        ("bes12", crossover("bessel", 12, 80.0)), ("BW 24", bw(24, 80.0)), ("48 dB", bw(48, 80.0)),
        ("bw", bw(18, 80.0)), ("24 dB/oct 90", bw(24, 90.0)), ("off", None),
    ],
)  # fmt: skip
def test_what_is_not_typed_of_a_crossover_stays(text, value):
    assert read("high_pass", text, bw(18, 80.0)) == value


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("peak 46 -3 q2", section("peak", 46.0, -3.0, 2.0)),
        ("pk 46 −3.0 Q2", section("peak", 46.0, -3.0, 2.0)),
        ("PEAK 46 Hz, -3 dB, q=2", section("peak", 46.0, -3.0, 2.0)),
        ("46 -3 q2", section("peak", 46.0, -3.0, 2.0)),
        ("46 3", section("peak", 46.0, 3.0, 2.0)),
        ("-3 46 q 4", section("peak", 46.0, -3.0, 4.0)),
        ("bell 1k2 +1,5 q0,7", section("peak", 1200.0, 1.5, 0.7)),
        ("46", section("peak", 46.0, 0.0, 2.0)),
        ("ls 100 +4", section("low_shelf", 100.0, 4.0, 0.7071)),
        ("low shelf 100 +4 q0.9", section("low_shelf", 100.0, 4.0, 0.9)),
        ("hs 8k -2 q0.7", section("high_shelf", 8000.0, -2.0, 0.7)),
        ("high-shelf 8k -2", section("high_shelf", 8000.0, -2.0, 0.7071)),
        ("ls6 100 +4", section("low_shelf", 100.0, 4.0, order=1)),
        ("ls12 100 +4", section("low_shelf", 100.0, 4.0, 0.7071)),
        ("hs 8k -2 1st order", section("high_shelf", 8000.0, -2.0, order=1)),
        ("ls100 +4", section("low_shelf", 100.0, 4.0, 0.7071)),
        ("notch 50 q10", section("notch", 50.0, q=10.0)),
        ("notch 50", section("notch", 50.0, q=10.0)),
        ("bp 1k q3", section("band_pass", 1000.0, q=3.0)),
        ("band-pass 1k", section("band_pass", 1000.0, q=2.0)),
        ("ap 80 q0.7", section("all_pass", 80.0, q=0.7)),
        ("allpass 80", section("all_pass", 80.0, q=0.7071)),
        ("ap6 80", section("all_pass", 80.0, order=1)),
        ("ap1 80", section("all_pass", 80.0, order=1)),
        ("ap 80 first order", section("all_pass", 80.0, order=1)),
        ("lp 18k q0.7", section("low_pass", 18_000.0, q=0.7)),
        ("lp18k", section("low_pass", 18_000.0, q=0.7071)),
        ("hp 30", section("high_pass", 30.0, q=0.7071)),
        ("hpf 30", section("high_pass", 30.0, q=0.7071)),
        ("peak 46 -3 q2 bypassed", section("peak", 46.0, -3.0, 2.0, bypassed=True)),
        ("peak 46 -3 q2 byp", section("peak", 46.0, -3.0, 2.0, bypassed=True)),
        ("off", None), ("none", None), ("–", None),
    ],
)  # fmt: skip
def test_sections(text, value):
    assert read("eq", text) == value


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("-6", section("peak", 46.0, -6.0, 4.0, bypassed=True)),
        ("q8", section("peak", 46.0, -3.0, 8.0, bypassed=True)),
        ("-6 dB q8 on", section("peak", 46.0, -6.0, 8.0)),
        ("active", section("peak", 46.0, -3.0, 4.0)),
        ("50", section("peak", 50.0, -3.0, 4.0)),
        ("ls", section("low_shelf", 46.0, -3.0, 0.7071, bypassed=True)),
        ("ls6", section("low_shelf", 46.0, -3.0, order=1, bypassed=True)),
        ("notch", section("notch", 46.0, q=10.0, bypassed=True)),
        ("peak 46 -3 q2", section("peak", 46.0, -3.0, 2.0)),
        ("off", None),
    ],
)
def test_what_is_not_typed_of_a_section_stays(text, value):
    assert read("eq", text, section("peak", 46.0, -3.0, 4.0, bypassed=True)) == value


def test_a_first_order_section_stays_one_until_it_is_given_a_q():
    present = section("all_pass", 80.0, order=1)
    assert read("eq", "ap 90", present) == section("all_pass", 90.0, order=1)
    assert read("eq", "90 q0.7", present) == section("all_pass", 90.0, q=0.7)


# R. Bristow-Johnson, "Audio EQ Cookbook" (W3C Note, 8 June 2021): 1/Q = 2·sinh(ln 2/2·BW);
# √2 for one octave, the rest at six decimals as that formula is tabulated in textbooks.
@pytest.mark.parametrize(
    ("text", "q"),
    [
        ("1 oct", math.sqrt(2.0)), ("2 octaves", 0.666667), ("2/3 oct", 2.144908),
        ("1/2 octave", 2.871000), ("1/3 oct", 4.318473), ("1/3oct", 4.318473),
        ("0,5 oct", 2.871000), ("1/6-oct", 8.651359), ("1/24 oct", 34.623478),
    ],
)  # fmt: skip
def test_bandwidths(text, q):
    for kind in ("peak 1k +3", "notch 1k", "bp 1k"):
        found = read("eq", f"{kind} {text}")
        assert found.q == pytest.approx(q, abs=6e-7)
        assert found.frequency_hz == 1000.0


def dbu(volts):
    """ITU-R BS.645-2: 0 dBu is 0.7745967 V, as √0.6 V."""
    return 20.0 * math.log10(volts / math.sqrt(0.6))


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("+8.3", limit(8.3)), ("8.3", limit(8.3)), ("−2", limit(-2.0)), ("8.3 dBu", limit(8.3)),
        ("8,3dbu", limit(8.3)), ("8.3 dBu 10/200 ms", limit(8.3, 10.0, 200.0)),
        ("8.3 10/200", limit(8.3, 10.0, 200.0)),
        ("8.3 dBu, 10 ms / 0.2 s", limit(8.3, 10.0, 200.0)),
        ("8.3 dBu 500 µs/40 ms", limit(8.3, 0.5, 40.0)), ("8.3 1/2 s", limit(8.3, 1000.0, 2000.0)),
        ("8.3 attack 10 release 200", limit(8.3, 10.0, 200.0)),
        ("8.3 a10 r200 ms", limit(8.3, 10.0, 200.0)), ("10/200 8.3 dBu", limit(8.3, 10.0, 200.0)),
        ("off", None), ("-", None),
    ],
)  # fmt: skip
def test_limiters(text, value):
    assert read("rms", text) == value


@pytest.mark.parametrize(
    ("row", "text", "threshold_dbu"),
    [
        ("rms", "8.3 dBV", 8.3 + dbu(1.0)), ("rms", "2.01 V", dbu(2.01)),
        ("rms", "2010 mV", dbu(2.01)), ("peak", "2.01 V rms", dbu(2.01)),
        ("peak", "2.84 V peak", dbu(2.84 / math.sqrt(2.0))),
        ("peak", "2.84 Vpk", dbu(2.84 / math.sqrt(2.0))),
    ],
)  # fmt: skip
def test_thresholds_in_volts(row, text, threshold_dbu):
    assert read(row, text).threshold_dbu == pytest.approx(threshold_dbu, abs=1e-12)


def test_what_is_not_typed_of_a_limiter_stays():
    present = limit(5.0, 7.0, 70.0)
    assert read("rms", "+6", present) == limit(6.0, 7.0, 70.0)
    assert read("rms", "10/200", present) == limit(5.0, 10.0, 200.0)
    assert read("rms", "release 90", present) == limit(5.0, 7.0, 90.0)
    # Common practice, no source: the times a limiter starts with.
    assert read("peak", "+6") == limit(6.0, 1.0, 40.0)


@pytest.mark.parametrize(
    ("text", "routes"),
    [
        ("Left 0, Right -3", {"Left": 0.0, "Right": -3.0}),
        ("Right −3.0; Left 0.0", {"Right": -3.0, "Left": 0.0}),
        ("left", {"Left": 0.0}), ("lef", {"Left": 0.0}), ("R -6 dB", {"Right": -6.0}),
        ("Left -3,5, Right 1,5", {"Left": -3.5, "Right": 1.5}), ("Left=-3", {"Left": -3.0}),
        ("Left -3,Right", {"Left": -3.0, "Right": 0.0}), ("Left-3", {"Left": -3.0}),
        ("Aux 2", {"Aux 2": 0.0}), ("Aux +2", {"Aux": 2.0}), ("Aux 2.0", {"Aux": 2.0}),
        ("Aux 3", {"Aux": 3.0}), ("Aux 2 -6", {"Aux 2": -6.0}), ('"Aux" 2', {"Aux": 2.0}),
        ('"Aux 2"', {"Aux 2": 0.0}), ("off", {}), ("–", {}), ("none", {}),
    ],
)  # fmt: skip
def test_routes(text, routes):
    found = read("route", text)
    assert found == routes
    assert list(found) == list(routes)


def test_a_route_keeps_a_gain_that_is_not_typed():
    assert read("route", "left, aux -6", {"Left": -3.0}) == {"Left": -3.0, "Aux": -6.0}
    assert read("route", "-4", {"Left": -3.0}) == {"Left": -4.0}


# Refusals


@pytest.mark.parametrize(
    ("row", "text", "sentence"),
    [
        ("gain", "70", r"gain of 70 dB is out of range; it must lie between −60 and 60 dB"),
        ("gain", "1e999", r"inf is not a finite number"),
        ("gain", "1,200", r"“1,200” can be read in two ways; write 1200 or 1\.200"),
        ("gain", "off", r"to silence an output, mute it"),
        ("gain", "", r"nothing was typed; type decibels"),
        ("gain", "3 4", r"“3 4” is not a gain; type decibels"),
        ("gain", "٣", r"is not a gain"),  # digits of other scripts are not guessed at
        ("gain", "10²", r"“10²” is not a gain"),
        ("polarity", "maybe", r"type normal or inv"),
        ("mute", "off", r"type muted or open"),
        ("mute", "on", r"type muted or open"),
        ("delay", "-1 ms", r"delay of −1 ms is out of range; it must lie between 0 and 10000 ms"),
        ("delay", "-4 ft", r"out of range; it must lie between 0 and 10000 ms"),
        ("delay", "11 s", r"delay of 11000 ms is out of range"),
        ("delay", "3'14\"", r"more inches than a foot"),
        ("delay", "1/0\"", r"is not a delay"),
        ("delay", "3 dB", r"is not a delay; type milliseconds, a length or samples"),
        ("delay", "3.205…", r"was shortened to fit"),
        ("frequency", "0.5", r"frequency of 0\.5 Hz is out of range; it must lie between 1 and"),
        ("frequency", "30k", r"30000 Hz is too high for a sample rate of 48000 Hz"),
        ("frequency", "1k2k", r"is not a frequency"),
        ("high_pass", "lr23 100", r"LR 23, .* 12, 24, 36 or 48 dB per octave.* LR24 100"),
        ("high_pass", "lr 30", r"LR 30"),
        ("high_pass", "bes 6 100", r"BES 6, which is not a crossover"),
        ("high_pass", "lr48", r"names no frequency, and the cell holds none; type LR48 100"),
        ("high_pass", "lr24 23520", r"must lie below 23520 Hz"),
        ("high_pass", "LR24 100 200", r"is not a crossover; type LR 12, 24, 36 or 48, BW 6…48"),
        ("high_pass", "LR24 BW18 100", r"is not a crossover"),
        ("high_pass", "LR24 1,200", r"can be read in two ways"),
        ("eq", "peek 46", r"is not an EQ section; type peak, ls, hs"),
        ("eq", "peak", r"names no frequency"),
        ("eq", "46-3", r"is not an EQ section"),
        ("eq", "notch 50 -3", r"notch has no gain"),
        ("eq", "ls6 100 +4 q0.7", r"first order has no Q"),
        ("eq", "hp6 30", r"hp is of order 2"),
        ("eq", "peak 46 -3 first order", r"peak is of order 2"),
        ("eq", "ls 100 +4 1/3 oct", r"no bandwidth in octaves"),
        ("eq", "peak 46 -3 q2 1 oct", r"both a Q and octaves"),
        ("eq", "peak 46 -3 1/0 oct", r"is not an EQ section"),
        ("eq", "peak 46 -3 0 oct", r"above 0 and at most 10 octaves"),
        ("eq", "peak 46 -3 q200", r"Q of 200 is out of range; it must lie between 0\.05 and 100"),
        ("eq", "peak 46 -3 q2 q3", r"is not an EQ section"),
        ("eq", "peak 46 -3 -3", r"is not an EQ section"),
        ("eq", "1.2.3", r"is not an EQ section"),
        ("eq", "peak 46\n-3 q2", r"is not an EQ section"),
        ("rms", "99", r"threshold of 99 dBu is out of range; it must lie between −60 and 60 dBu"),
        ("rms", "8.3 dB", r"is not a limiter; type a threshold"),
        ("rms", "10/200 ms", r"names no threshold"),
        ("rms", "0 V", r"lies above zero"),
        ("rms", "2.84 Vpk", r"in volts rms"),
        ("rms", "8 9", r"is not a limiter"),
        ("rms", "8 1/70 s", r"release of 70000 ms is out of range"),
        ("route", "Balcony", r"is not a route; .*the inputs are “Left”, “Right”"),
        ("route", "L", r"“L” could be “Left”, “Lectern”; type more of the name"),
        ("route", "L 3", r"could be “Left”, “Lectern”"),
        ("route", "Left, left 3", r"“Left” is named twice"),
        ("route", "Left 30", r"gain of 30 dB is out of range; it must lie between −120 and 20 dB"),
        ("route", "Left 0.0, …", r"was shortened to fit"),
        ("route", "-3", r"is not a route"),
        ("route", "Left 0,", r"is not a route"),
        ("route", "   ", r"nothing was typed"),
    ],
)  # fmt: skip
def test_refusals(row, text, sentence):
    with pytest.raises(Refused, match=sentence):
        read(row, text)


def test_a_refusal_names_the_place_it_was_told():
    with pytest.raises(Refused) as refused:
        parse("gain", "70", context=context(where="outputs[0].gain_db"))
    assert [fault.where for fault in refused.value.faults] == ["outputs[0].gain_db"]


def test_a_change_of_family_does_not_change_the_slope_unasked():
    with pytest.raises(Refused, match="LR 18"):
        read("high_pass", "lr", bw(18, 80.0))


def test_input_that_has_no_inputs_to_name():
    with pytest.raises(Refused, match="is not a route"):
        read("route", "Left", inputs=())


@pytest.mark.parametrize("row", KINDS)
@pytest.mark.parametrize(
    "text", ["9" * 2_000_000, "lr" * 1_000_000, '"' * 1_000_000, " " * 999_999]
)
def test_pasted_megabytes_are_refused_at_once(row, text):
    started = time.perf_counter()
    with pytest.raises(Refused) as refused:
        read(row, text)
    # A tenth of a second is what still feels immediate (common practice, no source).
    assert time.perf_counter() - started < 0.1
    assert len(str(refused.value)) < 600


@pytest.mark.parametrize("row", KINDS)
@settings(max_examples=150, deadline=None)
@given(text=st.text(max_size=40) | st.text("0123456789.,+-−kKeE/\"' qlrbwhpsdmufto…", max_size=24))
def test_whatever_is_typed_is_read_or_refused(row, text):
    present = {"high_pass": lr(24, 100.0), "eq": section("peak", 46.0, 3.0, 2.0), "rms": limit(1.0)}
    for held in (None, present.get(row)):
        try:
            value = read(row, text, held)
        except Refused as refused:
            (fault,) = refused.faults
            assert inert(fault.message) == fault.message
            continue
        assert read(row, show(row, value)) == value


# Round trips

VALUES = {
    "gain": number(ranges.Gain),
    "polarity": polarity,
    "mute": st.booleans(),
    "delay": number(ranges.DelayMs),
    "frequency": number(ranges.FilterFrequencyHz, below=0.49 * RATE_HZ),
    "high_pass": st.none() | crossovers(RATE_HZ),
    "low_pass": st.none() | crossovers(RATE_HZ),
    "eq": st.none() | eq_sections(RATE_HZ),
    "rms": st.none() | limits,
    "peak": st.none() | limits,
}
OTHER = {
    "high_pass": bw(18, 77.0),
    "low_pass": lr(48, 5000.0),
    "eq": section("low_shelf", 99.0, 1.0, order=1, bypassed=True),
    "rms": limit(-7.0, 3.0, 33.0),
    "peak": limit(-7.0, 3.0, 33.0),
    "delay": 9.0,
}


def bits(value):
    """A float's bits, a zero without its sign; structures piece by piece."""
    if isinstance(value, float):
        return struct.pack(">d", value + 0.0)
    if hasattr(value, "__struct_fields__"):
        return [bits(getattr(value, name)) for name in value.__struct_fields__]
    return list(map(bits, value.items())) if isinstance(value, dict) else value


@pytest.mark.parametrize("row", VALUES)
@settings(max_examples=120, deadline=None)
@given(data=st.data())
def test_what_is_shown_reads_in_again_as_the_same_value(row, data):
    value = data.draw(VALUES[row])
    shown = show(row, value)
    for present in (None, value, OTHER.get(row)):
        assert bits(read(row, shown, present)) == bits(value)


@pytest.mark.parametrize("row", VALUES)
@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_mutated_spellings_still_read(row, data):
    value = data.draw(VALUES[row])
    text = show(row, value)
    text = data.draw(st.sampled_from((text, text.upper(), text.lower(), text.title())))
    text = text.replace("−", data.draw(st.sampled_from("-−–‐")))
    text = text.replace(" ", data.draw(st.sampled_from((" ", "  ", "\u2009", "\u00a0", "\t"))))
    comma = text.replace(".", ",")
    if data.draw(st.booleans()) and not any(
        len(piece.partition(",")[2]) == 3 and len(piece.partition(",")[0].strip("+-−–‐")) < 4
        for piece in comma.replace("/", " ").lower().replace("k", " ").replace("q", " ").split()
    ):  # three digits behind a comma could be thousands: refused, and tested above
        text = comma
    text = (
        data.draw(st.sampled_from(("", " ", "\u2002")))
        + text
        + data.draw(st.sampled_from(("", "  ", "\n")))
    )
    assert bits(read(row, text)) == bits(value)


HOSTILE = ("Sub +2.0", "–", "off", 'a"b', "a, b", "x=", "1", "1e5", "Left −", "\u202eevil", "a\\b",
           "…", "Sub", "dB", "Sub 2", "L:R", "；", "a'b", "3'7")  # fmt: skip


@settings(max_examples=200, deadline=None)
@given(data=st.data())
def test_routes_read_in_again_whatever_the_inputs_are_called(data):
    inputs = data.draw(
        unique_names(1, 4) | st.lists(st.sampled_from(HOSTILE), min_size=1, unique=True)
    )
    routes = data.draw(st.dictionaries(st.sampled_from(inputs), number(ranges.RouteGain)))
    shown = show("route", routes)
    assert inert(shown) == shown
    found = read("route", shown, {"Other": 3.0}, tuple(inputs))
    assert bits(found) == bits(routes)


def test_a_large_matrix_reads_in_again():
    inputs = tuple("\U0001f3a4," * 59 + f"{at:02}" for at in range(64))
    routes = {name: -3.0 for name in inputs}
    assert read("route", show("route", routes), inputs=inputs) == routes


@pytest.mark.parametrize(
    ("row", "value", "shown"),
    [
        ("gain", 0.0, "0.0"), ("gain", -0.0, "0.0"), ("gain", 2, "+2.0"), ("gain", -3.25, "−3.25"),
        ("gain", 1e-05, "+1e−05"), ("delay", 3.42, "3.42"), ("delay", 0.0, "0.00"),
        ("delay", 78.1, "78.10"), ("polarity", "normal", "normal"), ("mute", False, "open"),
        ("frequency", 999.5, "999.5"), ("frequency", 1000.0, "1k"),
        ("frequency", 1250.5, "1.2505k"),
        ("high_pass", lr(24, 100.0), "LR24 100"), ("high_pass", bw(24, 32.0), "BW24 32"),
        ("low_pass", crossover("bessel", 12, 1200.0), "BES12 1.2k"), ("low_pass", None, "–"),
        ("eq", section("peak", 46.0, -3.0, 2.0), "peak 46 −3.0 q2"),
        ("eq", section("low_shelf", 100.0, 4.0, order=1), "ls6 100 +4.0"),
        ("eq", section("all_pass", 80.0, q=0.7, bypassed=True), "ap 80 q0.7 bypassed"),
        ("eq", None, "–"), ("rms", limit(8.3), "+8.3 dBu 50/200 ms"), ("peak", None, "–"),
        ("route", {"Left": 0.0, "Right": -3.0}, "Left 0.0, Right −3.0"), ("route", {}, "–"),
        (("eq", 3), section("notch", 50.0, q=10.0), "notch 50 q10"),
    ],
)  # fmt: skip
def test_the_house_style(row, value, shown):
    assert show(row, value) == shown


@pytest.mark.parametrize(
    ("row", "value", "width", "shown"),
    [
        ("delay", 3.2051282051282053, 8, "3.205…"), ("delay", 3.2051282051282053, 5, "3.21…"),
        ("delay", 10000.0, 5, "…"), ("gain", -12.5, 4, "…"), ("gain", -12.5, 5, "−12.5"),
        ("high_pass", lr(24, 1234.5678), 12, "LR24 1.235k…"),
        ("high_pass", lr(24, 100.0), 7, "LR24 …"), ("high_pass", lr(24, 100.0), 1, "…"),
        ("eq", section("peak", 315.0, -2.5, 2.0), 12, "peak 315 …"),
        ("rms", limit(8.3), 12, "+8.3 dBu …"), ("gain", 1.0, 0, ""),
    ],
)  # fmt: skip
def test_shortened_to_a_width(row, value, width, shown):
    assert show(row, value, width=width) == shown


@pytest.mark.parametrize("row", VALUES)
@settings(max_examples=60, deadline=None)
@given(data=st.data(), width=st.integers(0, 30))
def test_what_was_shortened_fits_is_marked_and_does_not_read_in(row, data, width):
    value = data.draw(VALUES[row])
    shown = show(row, value, width=width)
    assert len(shown) <= width
    if MARK not in shown:
        assert shown in ("", show(row, value))
    else:
        with pytest.raises(Refused, match="shortened"):
            read(row, shown, value)


def test_a_value_of_another_row_is_a_fault_of_the_program():
    with pytest.raises(TypeError, match="delay"):
        show("delay", "normal")
    with pytest.raises(KeyError):
        show("loudness", 1.0)


# Nudges


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
    assert nudge("eq", peak, 1, part="q") == section("peak", 100.0, -3.0, 2.24)
    assert nudge("eq", peak, 99, part="q") == section("peak", 100.0, -3.0, 100.0)
    first = section("all_pass", 80.0, order=1)
    assert parts(first) == ("frequency",)
    assert nudge("eq", first, 3, part="gain") == nudge("eq", first, 3, part="q") == first
    assert parts(lr(24, 100.0)) == ("frequency",)
    assert parts(3.0) == ()


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
def test_a_step_back_gives_the_old_frequency_again(frequency_hz, steps, coarse):
    there = nudge("frequency", frequency_hz, steps, coarse)
    ratio = 2.0 ** (steps / (3.0 if coarse else 24.0))
    if not 1.0 < frequency_hz * ratio < 23_000.0:
        return
    assert there == pytest.approx(frequency_hz * ratio, rel=0.005 * math.sqrt(1 + abs(steps)))
    back = nudge("frequency", there, -steps, coarse)
    if abs(steps) == 1:
        assert back == frequency_hz
    assert back == pytest.approx(frequency_hz, rel=0.0145)  # half a fine step


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
    part = data.draw(st.sampled_from(("frequency", "gain", "q")))
    moved = nudge(row, value, steps, coarse, part)
    assert bits(read(row, show(row, moved))) == bits(moved)  # reading refuses what is out of range


def test_steps_held_together_go_as_far_as_one_by_one():
    one_by_one = lr(24, 87.3)
    for _ in range(30):
        one_by_one = nudge("high_pass", one_by_one, 1)
    assert nudge("high_pass", lr(24, 87.3), 30) == one_by_one


# Help


@pytest.mark.parametrize("row", KINDS)
def test_every_example_of_the_help_reads_in(row):
    line = help_for(row)
    assert line.startswith("type ")
    assert len(line) < 80
    present = {
        "high_pass": lr(24, 80.0), "low_pass": lr(24, 80.0), "eq": None, "rms": None, "peak": None,
    }  # fmt: skip
    examples = line.removeprefix("type ").split(", ")
    if row == "route":
        examples = [", ".join(examples[:2]), *examples[2:]]
    for text in examples:
        read(row, text, present.get(row))


def test_how_far_a_nudge_goes_is_said():
    assert step_words("delay") == "0.1 ms"
    assert step_words("gain", coarse=True) == "3 dB"
    assert step_words(("eq", 2)) == "1/24 octave"
    assert step_words("eq", part="q") == "Q × 1.12"  # 2^(1/6) = 1.1225
    assert step_words("mute") == ""


def test_every_family_and_kind_has_its_short_word():
    for family, slopes in FAMILY_SLOPES.items():
        for slope in slopes:
            assert read("high_pass", show("high_pass", crossover(family, slope, 80.0))).family == (
                family
            )
    for kind in EQ_SHAPES:
        gain_db = 1.0 if EQ_SHAPES[kind].has_gain else None
        assert read("eq", show("eq", section(kind, 80.0, gain_db, 1.0))).kind == kind
