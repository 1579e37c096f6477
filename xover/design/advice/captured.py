"""Advice about traces: where they end, what they were captured with, whether they compare.

A capture that cannot be used is told here, before a prediction or an alignment refuses it.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Final, NamedTuple

from xover.acoustics.measured import captured_settings_response, retiming_ms
from xover.design.advice.survey import Survey, octaves
from xover.dsp.axis import Axis
from xover.model.names import listed, quoted
from xover.model.preset import Preset
from xover.model.problems import Finding, Refused
from xover.model.rig import Measurement, Trace
from xover.model.units import plain, show_c, show_hz, show_m, signed

EDGE_OCTAVES: Final = 1.0 / 6.0
"""How much of an output's band a trace may miss without a word: common practice, no source."""
AIR_CHANGED_C: Final = 5.0
MOVED_M: Final = 0.1
"""Changes since a capture from which re-timing is told: common practice, no source."""


def short_traces(survey: Survey) -> Iterator[Finding]:
    """A trace that does not cover the band its output plays."""
    preset = survey.preset
    for at, measurement in enumerate(preset.measurements):
        low_hz, high_hz = _played_hz(survey, measurement.output)
        missing = _missing_words(measurement.trace, low_hz, high_hz)
        if missing:
            yield Finding(
                "trace-too-short",
                "warning",
                f"measurements[{at}].trace.frequency_hz",
                f"the capture of {_whose(measurement)} {missing}, while the output plays "
                f"{show_hz(low_hz)} to {show_hz(high_hz)}; nothing is known of it there",
            )
    for at, box in enumerate(preset.loudspeakers):
        if box.response is None:
            continue
        for output in dict.fromkeys(s.output for s in preset.sources if s.loudspeaker == box.name):
            low_hz, high_hz = _within(survey.band_hz(output), box.passband_hz)
            missing = _missing_words(box.response.trace, low_hz, high_hz)
            if missing:
                yield Finding(
                    "trace-too-short",
                    "warning",
                    f"loudspeakers[{at}].response.trace.frequency_hz",
                    f"the trace of the box {quoted(box.name)} {missing}, while {quoted(output)} "
                    f"plays {show_hz(low_hz)} to {show_hz(high_hz)} through it; nothing is known "
                    "of it there",
                )
                break


def unknown_settings(survey: Survey) -> Iterator[Finding]:
    """A capture whose settings are unknown, or cannot be divided out."""
    preset = survey.preset
    axis = Axis.log(3, sample_rate_hz=preset.sample_rate_hz)
    for at, measurement in enumerate(preset.measurements):
        if measurement.captured == "unknown":
            yield Finding(
                "captured-unknown",
                "warning",
                f"measurements[{at}].captured",
                f"what was set during the capture of {_whose(measurement)} is unknown: it is "
                "shown and never summed or aligned; attach it again as flat or with its settings",
            )
        elif measurement.captured == "settings":
            try:
                captured_settings_response(preset, measurement, axis)
            except Refused as refused:
                for fault in refused.faults:
                    place = fault.where or f"measurements[{at}]"
                    yield Finding("capture-unusable", "error", place, fault.message)


def sessions(survey: Survey) -> Iterator[Finding]:
    """Captures at one listener that do not share a known time zero."""
    preset = survey.preset
    for place in preset.listeners:
        here = [
            (at, one)
            for at, one in enumerate(preset.measurements)
            if one.listener == place.name and one.trace.phase_deg is not None
        ]
        known: dict[str, str] = {}
        for at, one in here:
            if one.trace.session is None:
                alone = len(here) == 1
                yield Finding(
                    "session-unknown",
                    "note" if alone else "warning",
                    f"measurements[{at}].trace.session",
                    f"the capture of {_whose(one)} has phase but names no session, so its time "
                    "zero is its own"
                    + (
                        ""
                        if alone
                        else f" and its phase does not compare with the other "
                        f"{len(here) - 1} captured there; attach it with --session"
                    ),
                )
                continue
            known.setdefault(one.trace.session, one.output)
            first = next(iter(known))
            if one.trace.session != first:
                yield Finding(
                    "sessions-differ",
                    "warning",
                    f"measurements[{at}].trace.session",
                    f"at {quoted(place.name)} {quoted(known[first])} was captured in session "
                    f"{quoted(first)} and {quoted(one.output)} in {quoted(one.trace.session)}: "
                    "the phase between them is not known; capture both in one session",
                )


def retimed(survey: Survey) -> Iterator[Finding]:
    """Captures in other weather, or of boxes and seats that were moved since: one a session."""
    preset = survey.preset
    stale: dict[str | None, list[_Stale]] = {}
    for at, measurement in enumerate(preset.measurements):
        changes = tuple(_changes(preset, measurement))
        if changes:
            shift_ms, _ = retiming_ms(preset, measurement, preset.listener(measurement.listener))
            found = _Stale(f"measurements[{at}]", measurement, changes, shift_ms)
            stale.setdefault(measurement.trace.session, []).append(found)
    for session, captures in stale.items():
        where, *also = [each.where for each in captures]
        yield Finding(
            "capture-stale", "note", where, _stale_words(session, captures), also=tuple(also)
        )


class _Stale(NamedTuple):
    """A capture that is not of today: its place, what changed since, and how it is re-timed."""

    where: str
    measurement: Measurement
    changes: tuple[str, ...]
    shift_ms: float


def _stale_words(session: str | None, captures: Sequence[_Stale]) -> str:
    count = len(captures)
    if count == 1:
        since = f"since the capture of {_whose(captures[0].measurement)}"
        changes = ", ".join(captures[0].changes)
    else:
        named = f"of session {quoted(session)}" if session is not None else "of no session"
        since = f"since the {count} captures {named}"
        causes = Counter(change for each in captures for change in each.changes)
        changes = ", ".join(
            cause if held == count else f"{cause} ({held} of them)"
            for cause, held in causes.items()
        )
    shifts_ms = sorted(each.shift_ms for each in captures)
    least, most = signed(shifts_ms[0], 2), signed(shifts_ms[-1], 2)
    by = most if least == most else f"{least} to {most}"
    if count > 1:
        told = f"they are re-timed by {by} ms, their levels are not changed"
    else:
        told = f"it is re-timed by {by} ms, its level is not changed"
    if not any(shifts_ms):
        told = "they are not re-timed" if count > 1 else "it is not re-timed"
    again = "them" if count > 1 else "it"
    return f"{since} {changes}: {told}; capture {again} again when there is time"


def _changes(preset: Preset, measurement: Measurement) -> Iterator[str]:
    air = measurement.captured_air
    if air is not None and abs(preset.air.temperature_c - air.temperature_c) > AIR_CHANGED_C:
        yield (
            f"the air went from {show_c(air.temperature_c)} to {show_c(preset.air.temperature_c)}"
        )
    positions = measurement.captured_positions_m
    if positions is None:
        return
    today = {source.name: source.position_m for source in preset.sources_of(measurement.output)}
    for name, then_m in positions.sources.items():
        if name in today and math.dist(then_m, today[name]) > MOVED_M:
            yield f"{quoted(name)} moved by {show_m(math.dist(then_m, today[name]))}"
    gone = [name for name in positions.sources if name not in today]
    if gone:
        yield f"{listed(gone, 3)} went away"
    seat_m = preset.listener(measurement.listener).position_m
    if positions.listener is not None and math.dist(positions.listener, seat_m) > MOVED_M:
        moved = show_m(math.dist(positions.listener, seat_m))
        yield f"{quoted(measurement.listener)} moved by {moved}"


def _played_hz(survey: Survey, output: str) -> tuple[float, float]:
    """An output's band, as far as its boxes reach."""
    band_hz = survey.band_hz(output)
    boxes = survey.boxes(output)
    if not boxes:
        return band_hz
    reach_hz = (min(b.passband_hz[0] for b in boxes), max(b.passband_hz[1] for b in boxes))
    return _within(band_hz, reach_hz)


def _within(band_hz: tuple[float, float], reach_hz: tuple[float, float]) -> tuple[float, float]:
    """The common part of two bands; the first where there is none."""
    low_hz, high_hz = max(band_hz[0], reach_hz[0]), min(band_hz[1], reach_hz[1])
    return (low_hz, high_hz) if low_hz < high_hz else band_hz


def _missing_words(trace: Trace, low_hz: float, high_hz: float) -> str:
    """What of a band a trace leaves out, as the middle of a sentence; "" where it covers it."""
    words = []
    first_hz, last_hz = trace.frequency_hz[0], trace.frequency_hz[-1]
    if octaves(low_hz, first_hz) > EDGE_OCTAVES:
        apart = plain(octaves(low_hz, first_hz), 1)
        words.append(f"begins at {show_hz(first_hz)}, {apart} octaves too high")
    if octaves(last_hz, high_hz) > EDGE_OCTAVES:
        apart = plain(octaves(last_hz, high_hz), 1)
        words.append(f"ends at {show_hz(last_hz)}, {apart} octaves too low")
    return " and ".join(words)


def _whose(measurement: Measurement) -> str:
    return f"{quoted(measurement.output)} at {quoted(measurement.listener)}"
