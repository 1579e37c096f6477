"""Delay by time of flight: the delayed source arrives with, or a little after, the main one.

The tool for delay speakers and fills; where two parts cross over in frequency, alignment by
phase is the tool, and this says so.
"""

from __future__ import annotations

from collections.abc import Sequence

from msgspec import Struct

from xover.acoustics.air import speed_of_sound_m_s
from xover.acoustics.arrivals import arrival_ms, arrivals
from xover.acoustics.geometry import nearest, nearest_distance_m
from xover.model.changes import (
    Setting,
    Shift,
    followers,
    is_locked,
    settings_after,
    with_settings,
)
from xover.model.drive import Drive, drive_of
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.units import plain, show_ms
from xover.model.words import Polarity

SHOWN_MS = 0.005
"""Differences below this are not worth a sentence."""
SETTLED_MS = 5e-4
"""Moves below half a microsecond are rounding and are not made."""


class ArrivalRow(Struct, frozen=True):
    """When and how loud one output's nearest source arrives at one listener, after applying."""

    listener: str
    output: str
    ms: float
    level_db: float
    behind_ms: float
    """After (positive) or before (negative) the reference output at this listener."""


class DistanceResult(Struct, frozen=True):
    """One delayed output against the reference at the aiming listener.

    `delay_ms` ≥ 0 is what is added to the present delay of `delayed_output`; `polarity` is that
    of the moved output, which this never changes.
    """

    move: str
    to: str
    listener: str
    delayed_output: str
    delay_ms: float
    polarity: Polarity
    distance_m: dict[str, float]
    speed_of_sound_m_s: float
    offset_ms: float
    arrivals: tuple[ArrivalRow, ...]
    per_degree_ms: float
    notes: tuple[str, ...]


class DistanceAnswer(Struct, frozen=True):
    """All results, and the final settings of every output."""

    results: tuple[DistanceResult, ...]
    settings: dict[str, Setting]
    drive: Drive


def delay_by_distance(
    preset: Preset,
    *,
    move: Sequence[str],
    to: str,
    listener: str,
    offset_ms: float = 0.0,
    drive: Drive | None = None,
) -> DistanceAnswer:
    """Delay outputs `move` so that each arrives `offset_ms` after output `to` at `listener`.

    Exact names. (r_to − r_move)/c at the aiming listener with present delays and all latencies
    taken into account; an output's nearest source counts; c = 343.2·√(T/293.15 K)
    (ISO 9613-1). An offset of 5…20 ms is common practice, no source. Raises `Refused` for an
    output without a source, one name twice, or outputs tied in one group.
    """
    settled = drive_of(preset) if drive is None else drive
    _check(preset, move, to, listener, offset_ms)
    shifts: dict[str, Shift] = {}
    for name in move:
        late_ms = _arrival_ms(preset, to, listener, settled) + offset_ms
        move_ms = late_ms - _arrival_ms(preset, name, listener, settled)
        shifts[name] = Shift(move_ms if abs(move_ms) >= SETTLED_MS else 0.0)
    settings = settings_after(preset, shifts)
    applied = with_settings(preset, settings)
    results = tuple(
        _result(preset, applied, name, to, listener, offset_ms, shifts[name], settled)
        for name in move
    )
    return DistanceAnswer(results, settings, settled)


def apply_distance(preset: Preset, answer: DistanceAnswer) -> Preset:
    """The preset with the answer's delays written into every output."""
    return with_settings(preset, answer.settings)


def _check(preset: Preset, move: Sequence[str], to: str, listener: str, offset_ms: float) -> None:
    if not move:
        raise Refused.at("", "name at least one output to move")
    if len(set(move)) != len(move):
        raise Refused.at("", "the same output is given twice")
    if to in move:
        raise Refused.at("", f"“{to}” cannot be moved and be the reference at once")
    if not -1000.0 <= offset_ms <= 1000.0:
        raise Refused.at("", "the offset must be between −1,000 and +1,000 ms")
    for name in (*move, to):
        if not preset.sources_of(name):
            raise Refused.at(
                "sources",
                f"“{name}” has no source, so its distance to “{listener}” is not known; add a "
                "source with its position",
            )
    for name in move:
        if to in followers(preset, name, "delay"):
            raise Refused.at(
                "",
                f"“{name}” and “{to}” are in one group that follows delay, so nothing between "
                "them can change; take one of them out of the group",
            )
        if is_locked(preset, name, "delay"):
            raise Refused.at(
                f'outputs["{name}"].locked',
                f"the delay of “{name}” is locked; unlock it, or put it in a group that moves "
                "whole",
            )


def _arrival_ms(preset: Preset, output: str, listener: str, drive: Drive) -> float:
    source = nearest(preset.sources_of(output), preset.listener(listener).position_m)
    assert source is not None  # checked before
    return arrival_ms(preset, source, listener, drive)


def _result(
    preset: Preset,
    applied: Preset,
    name: str,
    to: str,
    listener: str,
    offset_ms: float,
    shift: Shift,
    drive: Drive,
) -> DistanceResult:
    speed = speed_of_sound_m_s(preset.air)
    kelvin = preset.air.temperature_c + 273.15
    distance_m: dict[str, float] = {}
    for output in (to, name):
        metres = nearest_distance_m(preset, output, listener)
        assert metres is not None
        distance_m[output] = metres
    rows: list[ArrivalRow] = []
    leads: list[str] = []
    for place in preset.listeners:
        found = {row.output: row for row in arrivals(applied, place.name, drive)}
        main_ms = found[to].time_ms
        for output in dict.fromkeys((to, name)):
            row = found[output]
            rows.append(
                ArrivalRow(place.name, output, row.time_ms, row.level_db, row.time_ms - main_ms)
            )
        if found[name].time_ms < main_ms - SHOWN_MS:
            leads.append(f"{place.name} by {show_ms(main_ms - found[name].time_ms)}")
    notes: list[str] = []
    if leads:
        notes.append(f"“{name}” arrives before “{to}” at: {', '.join(leads)}")
    if _cross_over(preset, name, to):
        notes.append(
            f"“{name}” and “{to}” cross over in frequency, so their phases decide; "
            "`xover align` is the tool for that"
        )
    if shift.delay_ms < -SHOWN_MS:
        present_ms = preset.output(name).delay_ms
        text = f"“{name}” arrives {show_ms(-shift.delay_ms)} late, so everything else is delayed"
        if present_ms + shift.delay_ms >= 0.0:
            text += (
                f"; the same comes of lowering its own delay from {show_ms(present_ms)} to "
                f"{show_ms(present_ms + shift.delay_ms)}"
            )
        notes.append(text)
    if offset_ms:
        notes.append(
            f"{plain(offset_ms, 1)} ms later than the flight alone: 5 to 20 ms is common practice, "
            "no source"
        )
    # d(r/c)/dT = −r/(2·c·T): the flight over the difference of the two ways
    per_degree_ms = (distance_m[name] - distance_m[to]) * 1e3 / (2.0 * speed * kelvin)
    return DistanceResult(
        move=name,
        to=to,
        listener=listener,
        delayed_output=name if shift.delay_ms >= 0.0 else to,
        delay_ms=abs(shift.delay_ms),
        polarity=preset.output(name).polarity,
        distance_m=distance_m,
        speed_of_sound_m_s=speed,
        offset_ms=offset_ms,
        arrivals=tuple(rows),
        per_degree_ms=per_degree_ms,
        notes=tuple(notes),
    )


def _cross_over(preset: Preset, first: str, second: str) -> bool:
    """Whether one output's low-pass meets the other's high-pass within an octave."""
    a, b = preset.output(first), preset.output(second)
    for low, high in ((a.low_pass, b.high_pass), (b.low_pass, a.high_pass)):
        if low is not None and high is not None:
            ratio = low.frequency_hz / high.frequency_hz
            if 0.5 <= ratio <= 2.0:
                return True
    return False
