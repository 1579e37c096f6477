"""What there is to say of a delay by distance, in sentences: who leads, who pulls, what else."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from xover.acoustics.air import humid_speed_notes
from xover.design.precedence import TOGETHER_MS
from xover.model.preset import Preset
from xover.model.units import plain, show_db, show_ms, signed

if TYPE_CHECKING:
    from xover.design.distance import ArrivalRow
    from xover.design.lift import Lift

SHOWN_MS = TOGETHER_MS
"""Differences below this are not worth a sentence."""


def notes_of(
    preset: Preset,
    move: str,
    to: str,
    *,
    aim: str,
    shift_ms: float,
    offset_ms: float,
    rows: Sequence[ArrivalRow],
    lift: Lift | None,
    by_tape: bool = False,
) -> tuple[str, ...]:
    """Every sentence about one moved output, in the order of weight.

    `by_tape`: its way was measured, and yet there is a line between listeners to tell of.
    """
    notes: list[str] = []
    leads = [
        f"{row.listener} by {show_ms(-row.behind_ms)}" for row in rows if row.behind_ms < -SHOWN_MS
    ]
    if leads:
        notes.append(f"“{move}” arrives before “{to}” at: {', '.join(leads)}")
    crossing = _cross_over(preset, move, to)
    if not crossing:
        notes += [sentence for row in rows if (sentence := _pulling(row, to))]
    if crossing:
        notes.append(
            f"“{move}” and “{to}” cross over in frequency, so their phases decide; "
            "`xover align` is the tool for that"
        )
    if shift_ms < -SHOWN_MS:
        present_ms = preset.output(move).delay_ms
        text = f"“{move}” arrives {show_ms(-shift_ms)} late, so everything else is delayed"
        if present_ms + shift_ms >= 0.0:
            text += (
                f"; the same comes of lowering its own delay from {show_ms(present_ms)} to "
                f"{show_ms(present_ms + shift_ms)}"
            )
        notes.append(text)
    if by_tape:
        notes.append("between the listeners coordinates count, not the ways that were measured")
    if offset_ms:
        notes.append(
            f"{plain(offset_ms, 1)} ms later than the flight alone: 5 to 20 ms is common "
            "practice, no source"
        )
    notes += humid_speed_notes(preset.air)
    return tuple(notes + ([] if lift is None else _lifting(lift, move, to, aim)))


def _pulling(row: ArrivalRow, to: str) -> str:
    """A sentence where the reference leads and yet does not keep the image; else ""."""
    stand = row.precedence
    if stand is None or stand.first != to or stand.image in (None, to):
        return ""
    if stand.late_ms <= TOGETHER_MS:  # together: it seems to come from between the two
        return ""
    start = f"at {row.listener} “{stand.later}” is {show_db(stand.later_db)} beside “{to}” and "
    start += f"{show_ms(stand.late_ms, 1)} later"
    if stand.bound_db < 0.0:
        return f"{start}: it may be heard as an echo"
    return (
        f"{start}, {plain(stand.excess_db, 1)} dB more than lets the sound seem to come from “{to}”"
    )


def _lifting(lift: Lift, move: str, to: str, aim: str) -> list[str]:
    notes = [
        f"the lift counts “{to}” and “{move}” alone, added as powers: common practice, no source"
    ]
    most_db, seat_db = lift.most_gain_change_db, lift.most_lift_db
    if most_db is not None and seat_db is not None and most_db < lift.gain_change_db:
        notes.append(
            f"for the image to stay with “{to}” wherever it leads, the gain of “{move}” may change "
            f"by {signed(most_db, 1)} dB at most, which lifts {aim} by {plain(seat_db, 1)} dB"
        )
    if lift.gain_change_db > 0.0:
        notes.append(
            f"“{move}” becomes {plain(lift.gain_change_db, 1)} dB louder: check its limiters, and "
            "mind the ears of whoever sits near it"
        )
    return notes


def _cross_over(preset: Preset, first: str, second: str) -> bool:
    """Whether one output's low-pass meets the other's high-pass within an octave."""
    a, b = preset.output(first), preset.output(second)
    for low, high in ((a.low_pass, b.high_pass), (b.low_pass, a.high_pass)):
        if low is not None and high is not None:
            ratio = low.frequency_hz / high.frequency_hz
            if 0.5 <= ratio <= 2.0:
                return True
    return False
