"""Which answers about a capture go together, in the sentences of the options."""

from __future__ import annotations

from typing import Any

import pytest

from xover.design.capture_rules import check_together, smoothing_fraction
from xover.model.problems import Refused


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({"take": "Sub"}, "--take belongs to --sweep"),
        ({"time_zero": "file", "sweep": None}, "--time-zero belongs to --sweep"),
        ({"splice_far": "far.txt"}, "--splice needs --splice-at HZ"),
        ({"splice_octaves": 0.5}, "--splice-octaves goes with --splice FAR"),
        ({"smooth_of": "complex"}, "--smooth-of goes with --smooth"),
        ({"average": "power", "splice_far": "far.txt"}, "average first"),
        ({"minimum_phase": True, "without_delay": True}, "no delay to remove"),
        ({"calibrator_channel": 2, "spl_calibration": 94.0}, "--calibrator-channel speaks of"),
    ],
)
def test_what_does_not_go_together(given: dict[str, Any], sentence: str) -> None:
    with pytest.raises(Refused, match=sentence):
        check_together(given)


def test_what_goes_together_and_what_was_not_given() -> None:
    check_together({})
    check_together({"minimum_phase": True, "without_delay": False, "take": None})
    check_together({"calibrator_db": 114.0, "spl_calibration": "tone.wav"})
    check_together({"splice_far": "far.txt", "splice_at_hz": 300.0, "splice_octaves": 1.0})


@pytest.mark.parametrize(
    ("text", "fraction"),
    [("1/6", 6), (" 3 ", 3), ("1 / 48", 48), ("2/3", None), ("1/", None), ("a", None)],
)
def test_a_part_of_an_octave(text: str, fraction: int | None) -> None:
    assert smoothing_fraction(text) == fraction
