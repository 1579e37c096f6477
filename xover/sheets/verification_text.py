"""What a verification found, as people read it: match or not, the slips, what was not tested."""

from __future__ import annotations

from collections.abc import Sequence

from xover.design.verifying.limiters import LimiterVerified
from xover.design.verifying.verification import Verified
from xover.model.names import inert
from xover.model.places import label
from xover.model.preset import Preset
from xover.model.units import plain, show_db, show_hz, show_ms
from xover.sheets.cells import folded

TOLD = 0.005
"""Explanations with a smaller share of the likelihood are left to the JSON."""


def verification_text(preset: Preset, results: Sequence[Verified]) -> list[str]:
    """The lines of a report, all inert."""
    shared = (
        [note for note in results[0].notes if all(note in one.notes for one in results)]
        if len(results) > 1
        else []
    )
    lines: list[str] = []
    for one in results:
        if lines:
            lines.append("")
        lines += _output(preset, one, [note for note in one.notes if note not in shared])
    if shared:
        lines += ["", "Of all:", *(f"  {note}" for note in shared)]
    return folded(inert(line) for line in lines)


def _output(preset: Preset, one: Verified, notes: Sequence[str]) -> list[str]:
    lines = [headline(one), f"  {remains(one)}", *(f"  {line}" for line in through(one))]
    likely = [each for each in one.explanations if each.confidence >= TOLD]
    for number, each in enumerate(likely, 1):
        sentences = list(dict.fromkeys(slip.sentence for slip in each.slips))
        left = f"leaves {plain(each.residual_db_rms, 2)} dB, {plain(each.residual_deg_rms, 1)}°"
        lines.append(f"  {number}. {sentences[0]}")
        lines += [f"     and {sentence}" for sentence in sentences[1:]]
        lines.append(f"     ({left}; {plain(100.0 * each.confidence, 0)} % of the likelihood)")
    if one.not_testable:
        names = "; ".join(label(preset, where) for where in one.not_testable)
        lines.append(f"  not testable this way: {names}")
    lines += [f"  {note}" for note in notes]
    return lines


def headline(one: Verified) -> str:
    """`Top L: matches`."""
    return f"{one.output}: {'matches' if one.matches else 'does not match'}"


def remains(one: Verified) -> str:
    """What lies between captured and meant, over which range, and what a match may have."""
    return (
        f"{plain(one.residual_db_rms, 2)} dB and {plain(one.residual_deg_rms, 1)}° rms from what "
        f"was meant, {show_hz(one.frequency_hz[0])} to {show_hz(one.frequency_hz[-1])} (a match "
        f"may have {plain(one.tolerance_db, 1)} dB and {plain(one.tolerance_deg, 0)}°)"
    )


def through(one: Verified) -> list[str]:
    """A line about latency and gain, as far as they are known; none where neither is."""
    figures = []
    if one.latency_ms is not None:
        figures.append(show_ms(one.latency_ms))
    if one.gain_offset_db is not None:
        figures.append(show_db(one.gain_offset_db))
    what = "processor, the loop taken out" if one.loop_known else "processor and loop"
    return [f"{what}: {', '.join(figures)}"] if figures else []


def limiter_text(one: LimiterVerified) -> list[str]:
    """The lines about one limiter, all inert."""
    verdict = "matches" if one.matches else "does not match"
    lines = [f"{one.output}, {one.kind} limiter: {verdict} (a sine of {show_hz(one.frequency_hz)})"]
    lines += [f"  {sentence}" for sentence in one.sentences]
    return folded(inert(line) for line in lines)
