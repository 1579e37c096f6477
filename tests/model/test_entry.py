"""Typing over a cell: every documented spelling, and what is refused with which sentence."""

from __future__ import annotations

import math
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.model.entry_values import (
    bw,
    context,
    crossover,
    limit,
    lr,
    metres_ms,
    read,
    section,
)
from xover.model.entry import KINDS, help_for, parse, show, step_words
from xover.model.names import inert
from xover.model.problems import Refused
from xover.model.words import EQ_SHAPES, FAMILY_SLOPES

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
    started = time.process_time()
    with pytest.raises(Refused) as refused:
        read(row, text)
    # A tenth of a second still feels immediate (common practice, no source).
    assert time.process_time() - started < 0.1
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
