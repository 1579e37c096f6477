"""Limiter thresholds and loads as text for people: figures first, then how they came about.

The same words on the command line and in the workbench. Computes nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from xover.model.units import plain, short, show_dbu
from xover.sheets.cells import table
from xover.sheets.wording import PEAK_MEANING, POWER_CAUTIONS, sentence_case

if TYPE_CHECKING:
    from xover.design.limits import Limits, OutputLimits, Threshold
    from xover.design.loads import ChannelLoad


def limits_text(answer: Limits, *, working: bool = True) -> str:
    """The whole answer in lines: outputs, channels, cautions, notes, what can hurt.

    Names are as they are in the preset; whoever shows the text makes it inert.
    """
    blocks = [output_text(each, working=working) for each in answer.outputs]
    if answer.channels:
        rows = [LOAD_HEADS, *(load_words(load) for load in answer.channels)]
        blocks.append("\n".join(["Amplifier channels", *table(rows, "<>>>>>>")]))
    if answer.cautions:
        blocks.append("\n".join(f"Caution: {sentence_case(one)}." for one in answer.cautions))
    notes = [*answer.notes, PEAK_MEANING.removesuffix(".")]
    blocks.append("\n".join(f"Note: {sentence_case(one)}." for one in notes))
    blocks.append("\n".join(POWER_CAUTIONS))
    return "\n\n".join(blocks)


def output_text(each: OutputLimits, *, working: bool = True) -> str:
    """One output: its two limiters, and the working below them."""
    lines = [each.output, *(f"  {line}" for line in threshold_lines(each))]
    if working and each.working:
        lines += ["  working", *(f"    {line}" for line in each.working)]
    return "\n".join(lines)


def threshold_lines(each: OutputLimits) -> list[str]:
    """`rms   +10.04 dBu   97.98 V   attack/release 160/620 ms   loudspeaker “Subs”`, and peak."""
    return [_threshold("rms", each.rms), _threshold("peak", each.peak)]


def times_words(threshold: Threshold) -> str:
    """`160/620 ms`, `–` where there are none."""
    if threshold.attack_ms is None or threshold.release_ms is None:
        return "–"
    return f"{short(threshold.attack_ms, 2)}/{short(threshold.release_ms, 1)} ms"


def bound_words(threshold: Threshold) -> str:
    """`loudspeaker Subs`: what binds, and which."""
    if threshold.bound_by is None:
        return "nothing known"
    what = "line of" if threshold.bound_by == "tap" else threshold.bound_by
    return f"{what} {threshold.bound_at}"


def load_words(load: ChannelLoad) -> tuple[str, ...]:
    """A channel's row: name, load, least, taps, available, cable loss, damping."""

    def figure(value: float | None, decimals: int, unit: str) -> str:
        return "–" if value is None else f"{plain(value, decimals)} {unit}"

    line_v = load.channel.line_v
    damping = "–"
    if load.damping is not None and line_v is None:
        damping = short(load.damping, 0)
    name = load.channel.name + (" (bridged)" if load.channel.bridged else "")
    return (
        name if line_v is None else f"{name}, {short(line_v)} V",
        figure(load.load_ohm, 2, "ohm"),
        f"{plain(load.amplifier.minimum_load_ohm, 2)} ohm",
        "–" if load.tap_total_w is None else f"{short(load.tap_total_w, 1)} W",
        "–" if load.available_w is None else f"{short(load.available_w, 0)} W",
        figure(load.cable_loss_db, 2, "dB"),
        damping,
    )


LOAD_HEADS = ("channel", "load", "may drive", "taps", "available", "cable loss", "damping")


def _threshold(side: str, threshold: Threshold) -> str:
    if threshold.dbu is None or threshold.volts is None:
        return f"{side:<5} not computed"
    return (
        f"{side:<5}{show_dbu(threshold.dbu, 2):>11}{plain(threshold.volts, 2):>9} V"
        f"{times_words(threshold):>13}  {bound_words(threshold)}"
    )
