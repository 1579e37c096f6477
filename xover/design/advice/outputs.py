"""Advice about single outputs and inputs: routing, mutes, limiters, delays.

Reads the file as it stands; nothing here needs a response.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from xover.acoustics.air import speed_of_sound_m_s
from xover.acoustics.geometry import distance_m
from xover.design.advice.survey import Survey
from xover.model.names import quoted
from xover.model.preset import Preset
from xover.model.problems import Finding
from xover.model.units import METRES_PER_FOOT, short, show_m, show_ms

LONGEST_DELAY_MS: Final = 500.0
DELAY_MARGIN: Final = 1.5
DELAY_MARGIN_MS: Final = 50.0
"""A delay beyond 1.5 flights over the rig and 50 ms is seldom meant: common practice, no source."""

DRIVER_CAUTION: Final = (
    "Without limiters a dropped microphone or feedback can destroy drivers: take thresholds from "
    "the box's data sheet before the amplifier is turned up."
)
RMS_CAUTION: Final = (
    "A peak limiter alone lets sustained level burn voice coils: set an rms limiter from the "
    "continuous rating."
)
PEAK_CAUTION: Final = (
    "An rms limiter alone lets short peaks through: excursion or clipping can damage drivers."
)


def unrouted(survey: Survey) -> Iterator[Finding]:
    """An output that no input is routed to."""
    for at, output in enumerate(survey.preset.outputs):
        if not output.inputs:
            yield Finding(
                "unrouted-output",
                "warning",
                f"outputs[{at}].inputs",
                f"no input is routed to {quoted(output.name)}, so it stays silent; route one of "
                f"the {len(survey.preset.inputs)} inputs or take the output out",
            )


def muted(survey: Survey) -> Iterator[Finding]:
    """A muted output."""
    for at, output in enumerate(survey.preset.outputs):
        if output.muted:
            yield Finding(
                "muted-output",
                "note",
                f"outputs[{at}].muted",
                f"{quoted(output.name)} is muted; predictions leave it out",
            )


def limiters(survey: Survey) -> Iterator[Finding]:
    """An output without a limiter, or without one of the two kinds before a passive box."""
    for at, output in enumerate(survey.preset.outputs):
        boxes = survey.boxes(output.name)
        passive = [box for box in boxes if not box.active]
        rms = output.limiter is not None and output.limiter.rms is not None
        peak = output.limiter is not None and output.limiter.peak is not None
        where = f"outputs[{at}].limiter"
        if boxes and not passive:
            continue
        if not boxes:
            if not rms and not peak:
                yield Finding(
                    "no-limiter",
                    "note",
                    where,
                    f"{quoted(output.name)} has no limiter, and no source says what it feeds",
                )
            continue
        what = f"its passive box {quoted(passive[0].name)}"
        power_w = passive[0].power_w
        if power_w is not None:
            what += f" ({short(power_w.continuous, 1)} W continuous)"
        if not rms and not peak:
            message = f"{quoted(output.name)} has no limiter to protect {what}"
            yield Finding("no-limiter", "warning", where, message, DRIVER_CAUTION)
        elif not rms:
            message = f"{quoted(output.name)} has a peak limiter but no rms limiter before {what}"
            yield Finding("no-rms-limiter", "warning", f"{where}.rms", message, RMS_CAUTION)
        elif not peak:
            message = f"{quoted(output.name)} has an rms limiter but no peak limiter before {what}"
            yield Finding("no-peak-limiter", "warning", f"{where}.peak", message, PEAK_CAUTION)


def long_delays(survey: Survey) -> Iterator[Finding]:
    """A delay so long that it looks like a figure in another unit."""
    preset = survey.preset
    speed_m_s = speed_of_sound_m_s(preset.air)
    flight = _largest_distance_m(preset)
    limit_ms = LONGEST_DELAY_MS
    against = f"more than {show_ms(LONGEST_DELAY_MS, 0)}"
    if flight is not None:
        length_m, source, listener = flight
        flight_ms = 1000.0 * length_m / speed_m_s
        within_ms = DELAY_MARGIN * flight_ms + DELAY_MARGIN_MS
        if within_ms < limit_ms:
            limit_ms = within_ms
            against = (
                f"while sound takes {show_ms(flight_ms)} over the rig's largest distance, "
                f"{show_m(length_m)} from {quoted(source)} to {quoted(listener)}"
            )
    stages = [(f"inputs[{at}]", item.name, item.delay_ms) for at, item in enumerate(preset.inputs)]
    stages += [
        (f"outputs[{at}]", item.name, item.delay_ms) for at, item in enumerate(preset.outputs)
    ]
    for where, name, delay_ms in stages:
        if delay_ms <= limit_ms:
            continue
        figure = short(delay_ms)
        as_samples_ms = 1000.0 * delay_ms / preset.sample_rate_hz
        as_feet_ms = 1000.0 * delay_ms * METRES_PER_FOOT / speed_m_s
        as_metres_ms = 1000.0 * delay_ms / speed_m_s
        yield Finding(
            "long-delay",
            "warning",
            f"{where}.delay_ms",
            f"{quoted(name)} is delayed by {show_ms(delay_ms)}, the time of "
            f"{show_m(delay_ms * speed_m_s / 1000.0)} of air, {against}; was another unit meant? "
            f"{figure} samples are {show_ms(as_samples_ms)}, {figure} ft {show_ms(as_feet_ms)}, "
            f"{figure} m {show_ms(as_metres_ms)}",
        )


def _largest_distance_m(preset: Preset) -> tuple[float, str, str] | None:
    """The largest distance between a source and a listener, and which; None without either."""
    return max(
        (
            (distance_m(source.position_m, place.position_m), source.name, place.name)
            for source in preset.sources
            for place in preset.listeners
        ),
        key=lambda entry: entry[0],
        default=None,
    )
