"""Advice about amplifier channels: loads, taps, lines, and boxes that nobody drives.

Figures and sentences are those of `design.loads`; nothing is computed here a second time.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from xover.design.advice.survey import Survey
from xover.design.loads import Concern, Kind
from xover.model.names import quoted
from xover.model.problems import Finding
from xover.model.units import short, show_hz

LINE_HIGH_PASS_HZ: Final = 50.0
"""A line's high-pass lies here or above, with 12 dB per octave: common practice, no source."""
LINE_HIGH_PASS_SLOPE: Final = 12

LOAD_CAUTION: Final = (
    "Below its minimum load an amplifier overheats, shuts down or fails in the middle of a show."
)
POWER_CAUTION: Final = (
    "An overloaded line amplifier clips or shuts down, and clipping burns drivers: take taps down "
    "or share the boxes between channels."
)
LINE_CAUTION: Final = (
    "70.7 V and 100 V lines can kill and destroy a box at once: switch off and isolate first, "
    "leave fixed wiring to licensed people, local codes first; never alter a voice-alarm line, its "
    "isolation and its earth-fault supervision stay on."
)
SATURATION_CAUTION: Final = (
    "A saturated transformer is a short circuit at low frequencies: it can take the amplifier down."
)


def low_loads(survey: Survey) -> Iterator[Finding]:
    """A channel whose load is below what its amplifier may drive."""
    for one in _concerns(survey, "load"):
        yield Finding("load-below-minimum", "warning", one.where, one.message, LOAD_CAUTION)


def unrated_loads(survey: Survey) -> Iterator[Finding]:
    """A channel whose load is below the lowest that its amplifier is rated for."""
    for one in _concerns(survey, "unrated-load"):
        yield Finding("load-not-rated", "warning", one.where, one.message, LOAD_CAUTION)


def full_lines(survey: Survey) -> Iterator[Finding]:
    """Taps that draw more than the amplifier has, or leave no reserve."""
    for one in _concerns(survey, "reserve"):
        severity = "error" if one.severe else "warning"
        yield Finding("taps-over-reserve", severity, one.where, one.message, POWER_CAUTION)


def unknown_taps(survey: Survey) -> Iterator[Finding]:
    """A tap that the box does not have."""
    for one in _concerns(survey, "tap"):
        yield Finding("tap-unknown", "warning", one.where, one.message)


def mismatched_lines(survey: Survey) -> Iterator[Finding]:
    """A low-impedance box on a line, a tap without one, a line that the amplifier lacks."""
    for one in _concerns(survey, "line"):
        severity = "error" if one.severe else "warning"
        yield Finding("line-mismatch", severity, one.where, one.message, LINE_CAUTION)


def part_filled_transformers(survey: Survey) -> Iterator[Finding]:
    """Boxes that do not fill the transformers which they share."""
    for one in _concerns(survey, "shared"):
        yield Finding("transformer-not-filled", "note", one.where, one.message)


def lines_without_high_pass(survey: Survey) -> Iterator[Finding]:
    """A line whose output has no high-pass that keeps transformers out of saturation."""
    for load in survey.limits.channels:
        line_v = load.channel.line_v
        if line_v is None or not load.hung:
            continue
        output = survey.preset.output(load.channel.output)
        place = f"{survey.places[output.name]}.high_pass"
        filters = [
            (item.frequency_hz, 12)
            for item in output.eq
            if item.kind == "high_pass" and not item.bypassed
        ]
        if output.high_pass is not None:
            item = output.high_pass
            filters.append((item.frequency_hz, item.slope_db_per_octave))
        if any(hz >= LINE_HIGH_PASS_HZ and slope >= LINE_HIGH_PASS_SLOPE for hz, slope in filters):
            continue
        has = ", ".join(f"{slope} dB per octave at {show_hz(hz)}" for hz, slope in filters)
        yield Finding(
            "line-no-high-pass",
            "warning",
            place,
            f"{quoted(output.name)} drives the transformers on the {short(line_v)} V line of "
            f"{quoted(load.channel.name)} "
            + (f"with a high-pass of only {has}" if has else "without a high-pass")
            + f"; they saturate as voltage over frequency, so set one at {show_hz(50.0)} to "
            f"{show_hz(80.0)} or above, 12 dB per octave or more",
            SATURATION_CAUTION,
        )


def sources_without_channel(survey: Survey) -> Iterator[Finding]:
    """A passive box that names no amplifier channel, where the preset lists channels."""
    preset = survey.preset
    if not preset.amplifier_channels:
        return
    for at, source in enumerate(preset.sources):
        if source.amplifier_channel is None and not preset.loudspeaker(source.loudspeaker).active:
            yield Finding(
                "source-without-channel",
                "warning",
                f"sources[{at}].amplifier_channel",
                f"{quoted(source.name)} names no amplifier channel: its level stays relative, and "
                f"the limiter of {quoted(source.output)} cannot be held against what its box bears",
            )


def _concerns(survey: Survey, kind: Kind) -> Iterator[Concern]:
    for load in survey.limits.channels:
        yield from (one for one in load.concerns if one.kind == kind)
