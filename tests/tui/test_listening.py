"""What is looked at, without a screen."""

from __future__ import annotations

from msgspec.structs import replace

import xover
from xover.model.drive import Drive
from xover.tui.listening import Listening


def hall() -> xover.Preset:
    return xover.load(xover.default_example())


def test_a_preset_opens_in_the_middle_of_its_listeners() -> None:
    first = Listening.first(hall())
    assert first.listener == "Row 8"
    assert first.what == "sum"
    bare = replace(hall(), listeners=(), measurements=())
    assert Listening.first(bare).listener is None
    assert Listening.first(bare).request(bare).outputs == (
        "Sub",
        "Top L",
        "Top R",
        "Delay L",
        "Delay R",
    )


def test_what_is_gone_is_let_go() -> None:
    preset = hall()
    at = Listening("Row 99", "sum", Drive({"Nobody": 0.0}))
    settled = at.within(preset)
    assert settled.listener == "Row 8"
    assert settled.drive is None
    assert Listening("Row 3", "sum").within(preset).listener == "Row 3"


def test_captures_are_those_of_the_listener() -> None:
    request = Listening("Row 24", "sum", captures=True).request(hall())
    assert request.captures == ()
    request = Listening("Row 8", "sum", captures=True).request(hall())
    assert "Sub" in request.captures


def test_titles_say_what_the_level_is() -> None:
    at = Listening("Row 8", "sum")
    assert (
        at.title(spl=True, flight_ms=29.66) == "at Row 8, dB SPL for 0.0 dBu; phase less 29.66 ms"
    )
    assert at.title(spl=False, flight_ms=0.0) == "at Row 8, relative dB"
