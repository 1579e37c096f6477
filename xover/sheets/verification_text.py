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
    lines: list[str] = []
    for one in results:
        if lines:
            lines.append("")
        lines += _output(preset, one)
    return folded(inert(line) for line in lines)


def _output(preset: Preset, one: Verified) -> list[str]:
    span = f"{show_hz(one.frequency_hz[0])} to {show_hz(one.frequency_hz[-1])}"
    remains = f"{plain(one.residual_db_rms, 2)} dB and {plain(one.residual_deg_rms, 1)}° rms"
    verdict = "matches" if one.matches else "does not match"
    lines = [f"{one.output}: {verdict}"]
    lines.append(f"  {remains} from what was meant, {span}")
    lines.append(
        f"  loop: {show_ms(one.latency_ms)}, {show_db(one.gain_offset_db)}; a match may differ by "
        f"{plain(one.tolerance_db, 1)} dB and {plain(one.tolerance_deg, 0)}° rms"
    )
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
    lines += [f"  {note}" for note in one.notes]
    return lines


def limiter_text(one: LimiterVerified) -> list[str]:
    """The lines about one limiter, all inert."""
    verdict = "matches" if one.matches else "does not match"
    lines = [f"{one.output}, {one.kind} limiter: {verdict} (a sine of {show_hz(one.frequency_hz)})"]
    lines += [f"  {sentence}" for sentence in one.sentences]
    return folded(inert(line) for line in lines)
