"""Which answers about reading a capture go together, through whichever door they come.

An answer goes by the reader's name for it; sentences speak of the options, and a door that asks
in other words puts its own in their place. Nothing is read here.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from xover.model.problems import Refused

Given = Mapping[str, Any]
"""Answers by name; what was not answered is missing, None or False."""

_GOES_WITH: tuple[tuple[str, str, str], ...] = (
    ("take", "sweep", "--take belongs to --sweep SWEEP, which is not given"),
    ("time_zero", "sweep", "--time-zero belongs to --sweep SWEEP, which is not given"),
    ("splice_at_hz", "splice_far", "--splice-at goes with --splice FAR"),
    ("splice_octaves", "splice_far", "--splice-octaves goes with --splice FAR"),
    ("splice_far", "splice_at_hz", "--splice needs --splice-at HZ, where the far capture takes "
     "over"),
    ("smooth_of", "smooth_fraction", "--smooth-of goes with --smooth 1/N"),
)  # fmt: skip
"""An answer, the one that it needs, and what is said where that one is missing."""
_APART: tuple[tuple[str, str, str], ...] = (
    ("average", "splice_far", "average first and splice the result, or the other way round"),
    ("minimum_phase", "without_delay", "--minimum-phase has no delay to remove; leave out "
     "--remove-delay"),
)  # fmt: skip
"""Two answers that exclude each other, and what is said then."""
_CALIBRATOR = {
    "calibrator_db": "--calibrator-db",
    "calibrator_hz": "--calibrator-hz",
    "calibrator_channel": "--calibrator-channel",
}


def check_together(given: Given) -> None:
    """Refuse answers that need another one, or that exclude each other. Raises `Refused`.

    `spl_calibration` is a figure in dB, or the path of a calibrator's recording.
    """
    for one, other, sentence in _APART:
        if _is_given(given, one) and _is_given(given, other):
            raise Refused.at("", sentence)
    for one, needed, sentence in _GOES_WITH:
        if _is_given(given, one) and not _is_given(given, needed):
            raise Refused.at("", sentence)
    for one, option in _CALIBRATOR.items():
        if _is_given(given, one) and not isinstance(given.get("spl_calibration"), str):
            raise Refused.at(
                "", f"{option} speaks of a recording of a calibrator, --spl-calibration FILE"
            )


def _is_given(given: Given, name: str) -> bool:
    value = given.get(name)
    return value is not None and value is not False


def smoothing_fraction(text: str) -> int | None:
    """The N of “1/N”, or of “N” alone, an octave; None where it is neither."""
    head, slash, number = text.strip().partition("/")
    if not slash:
        head, number = "1", head
    return int(number) if head.strip() == "1" and number.strip().isdecimal() else None
