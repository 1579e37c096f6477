"""Limiters and loads as entries of a list: what is set, what the ratings allow, what is loaded.

Figures and sentences are those of `design.limits` and `design.loads`; nothing is computed here a
second time. Names are made inert.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from textual.content import Content

from xover.model.names import inert
from xover.model.preset import Preset
from xover.model.units import plain, show_dbu
from xover.sheets.limits_text import bound_words, load_words, times_words
from xover.sheets.wording import sentence_case

if TYPE_CHECKING:
    from xover.design.bounds import Side
    from xover.design.limits import Limits, OutputLimits
    from xover.design.loads import ChannelLoad
    from xover.model.processing import Limit

AT_DB = 0.1
"""Thresholds this close are the same figure on the sheet."""
SIDES: tuple[Side, ...] = ("rms", "peak")
NAMES = {"rms": "RMS limit", "peak": "peak limit"}


class Entry(NamedTuple):
    """One entry: its place in the file ("" where Enter leads nowhere) and its lines."""

    where: str
    content: Content


class Power(NamedTuple):
    """What the pane shows of one preset."""

    preset: Preset
    answer: Limits
    entries: tuple[Entry, ...]
    changes: int
    """How many limiters applying would change."""


def power_of(preset: Preset) -> Power:
    """Limits and loads of a preset, ready to show. Computes; not for the way of a key."""
    from xover.design.limits import limits, settings

    answer = limits(preset)
    written = settings(preset, answer)
    changes = sum(
        _differ(getattr(limiter, side), _present(preset, name, side))
        for name, limiter in written.items()
        for side in SIDES
    )
    entries = [_heading("Limiters: now and allowed; a peak is the rms of the sine with that peak")]
    for each in answer.outputs:
        entries += [_limit(preset, each, side) for side in SIDES]
    if answer.channels:
        entries.append(_heading("Amplifier channels"))
        entries += [_channel(load) for load in answer.channels]
    concerns = [one for load in answer.channels for one in load.concerns]
    concerns += [one for each in answer.outputs for one in each.concerns]
    if concerns:
        entries.append(_heading("To look at"))
    for one in dict.fromkeys(concerns):
        style = "bold $text-error" if one.severe else "bold $text-warning"
        text = inert(sentence_case(one.message)) + "."
        entries.append(Entry(one.where, Content.styled("caution ", style) + Content(text)))
    entries += [Entry("", Content.styled(inert(note), "dim")) for note in answer.notes]
    return Power(preset, answer, tuple(entries), changes)


def _heading(text: str) -> Entry:
    return Entry("", Content.styled(text, "underline"))


def _present(preset: Preset, output: str, side: Side) -> Limit | None:
    limiter = preset.output(output).limiter
    found: Limit | None = None if limiter is None else getattr(limiter, side)
    return found


def _differ(one: Limit | None, other: Limit | None) -> bool:
    if one is None or other is None:
        return one is not other
    return abs(one.threshold_dbu - other.threshold_dbu) >= AT_DB


def _limit(preset: Preset, each: OutputLimits, side: Side) -> Entry:
    """`Sub, RMS limit  +10.0 dBu now, +10.0 allowed`, and below it volts, times and what binds."""
    from xover.design.limits import rounded_down

    threshold = each.side(side)
    limit = _present(preset, each.output, side)
    now = "none" if limit is None else show_dbu(limit.threshold_dbu, 2)
    head = Content.styled(f"{inert(each.output)}, {NAMES[side]}", "bold")
    if threshold.dbu is None or threshold.volts is None:
        return Entry(f"{each.where}.limiter.{side}", head + Content(f"  now {now}, not computed"))
    # Rounded down: what is shown as allowed never lets more through.
    allowed = show_dbu(rounded_down(threshold.dbu), 2)
    line = head + Content(f"  now {now}, allowed {allowed}")
    if limit is not None:
        over_db = limit.threshold_dbu - threshold.dbu
        if over_db > AT_DB / 2.0:
            words = f" {plain(over_db, 1)} dB too high"
            line += Content.styled(words, "bold $text-error")
        elif over_db < -0.5:
            line += Content(f" ({plain(-over_db, 1)} dB to spare)")
    what = "line" if threshold.bound_by == "tap" else "box"
    below = (
        f"\n{plain(threshold.volts, 2)} V at the {what}, {times_words(threshold)}, "
        f"held by {inert(bound_words(threshold))}"
    )
    return Entry(f"{each.where}.limiter.{side}", line + Content.styled(below, "dim"))


def _channel(load: ChannelLoad) -> Entry:
    """`Amp 1 A  3.40 ohm, may drive 2.00 ohm`, and below it taps, power, cable."""
    name, load_ohm, least, taps, available, cable, damping = load_words(load)
    line = Content.styled(inert(name), "bold")
    line += Content(f"  load {load_ohm}, may drive {least}")
    parts = [f"available {available}", f"cable loss {cable}"]
    if load.tap_total_w is not None:
        parts.insert(0, f"taps {taps}")
    if damping != "–":
        parts.append(f"damping {damping} at most")
    parts.append(f"fed by {inert(load.channel.output)}")
    return Entry(load.where, line + Content.styled("\n" + ", ".join(parts), "dim"))
