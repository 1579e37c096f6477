"""Lengths as a crew types them: metres, feet and inches (1 ft = 0.3048 m exactly, 1959)."""

from __future__ import annotations

import pytest

from xover.model.entry_figures import parse_length
from xover.model.entry_text import Context
from xover.model.problems import Refused

CONTEXT = Context(sample_rate_hz=48_000.0, speed_of_sound_m_s=343.2)


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("26.3", 26.3),
        ("26,3 m", 26.3),
        ("2630 cm", 26.3),
        ("26300mm", 26.3),
        ("1m10", 1.1),
        ("-2.5", -2.5),
        ("−2.5 metres", -2.5),
        ("86 ft", 86 * 0.3048),
        ("86'3\"", (86 + 3 / 12) * 0.3048),
        ("-4'", -4 * 0.3048),
        ('9 1/2"', 9.5 / 12 * 0.3048),
    ],
)
def test_lengths_are_read(text: str, metres: float) -> None:
    assert parse_length(text, CONTEXT) == pytest.approx(metres, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "words"),
    [("3 ms", "is not a length"), ("154 samples", "is not a length"), ("", "nothing was typed"),
     ("1,200", "can be read in two ways"), ("3'14\"", "more inches than a foot"),
     ("nan", "is not a length"), ("9" * 300, "has 300 characters"), ("1/0\"", "is not")],
)  # fmt: skip
def test_what_is_no_length_is_refused(text: str, words: str) -> None:
    with pytest.raises(Refused, match=words):
        parse_length(text, CONTEXT)
