"""What a cell shows: its style, that it reads in again bit for bit, shortening to a width."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from tests.model.entry_values import (
    OTHER,
    VALUES,
    bits,
    bw,
    crossover,
    limit,
    lr,
    read,
    section,
)
from tests.strategies import number, unique_names
from xover.model import ranges
from xover.model.entry import show
from xover.model.entry_text import MARK
from xover.model.names import inert
from xover.model.problems import Refused


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
        ("peak", replace(limit(6.23), attack_ms=0.56), 17, "+6.23 dBu …"),
        ("peak", replace(limit(6.23), attack_ms=0.56), 9, "+6.23 …"),
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
