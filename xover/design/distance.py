"""Delay by time of flight: the delayed source arrives with, or a little after, the main one.

The tool for delay speakers and fills; where two parts cross over in frequency, alignment by
phase is the tool, and this says so.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Literal

from msgspec import Struct
from msgspec.structs import replace

from xover.acoustics.air import humid_speed_m_s, speed_of_sound_m_s
from xover.design.audience_line import Line, audience_line
from xover.design.distance_notes import notes_of
from xover.design.lift import Lift, gains_after, lift_of
from xover.design.moves import check_moves
from xover.design.precedence import Precedence, precedence
from xover.design.ways import Ways, checked_ways
from xover.model.changes import (
    Setting,
    Shift,
    settings_after,
    with_outputs,
    with_settings,
)
from xover.model.drive import Drive, drive_of
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.ranges import TemperatureC
from xover.model.walk import number_problem
from xover.model.words import Polarity

SETTLED_MS = 5e-4
"""Moves below half a microsecond are rounding and are not made."""


class ArrivalRow(Struct, frozen=True):
    """When and how loud one output's nearest source arrives at one listener, after applying."""

    listener: str
    output: str
    ms: float
    level_db: float
    """NaN where it is not known."""
    behind_ms: float
    """After (positive) or before (negative) the reference output at this listener."""
    precedence: Precedence | None
    """How the moved output stands to the reference here; None for the reference itself."""


class ShowRow(Struct, frozen=True):
    """One listener at the other temperature: how late the moved output is then, and the change."""

    listener: str
    behind_ms: float
    change_ms: float


class ShowTime(Struct, frozen=True):
    """What another temperature does to the setting of the moved output."""

    temperature_c: float
    speed_of_sound_m_s: float
    reading_now_ms: float
    """What the moved output has to read in the preset's air, ..."""
    reading_then_ms: float
    """... and what it has to read then."""
    set_for: Literal["now", "show"]
    off_now_ms: float
    """How late (positive) the moved output comes now, against what was asked, as it is set."""
    off_then_ms: float
    """The same at the other temperature."""
    rows: tuple[ShowRow, ...]


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
    measured: tuple[str, ...]
    """The outputs whose way was measured."""
    speed_of_sound_m_s: float
    offset_ms: float
    arrivals: tuple[ArrivalRow, ...]
    per_degree_ms: float
    humidity_ms: float
    """What the humidity of the air, which is not counted, would change of the delay needed."""
    show: ShowTime | None
    lift: Lift | None
    line: Line | None
    notes: tuple[str, ...]


class DistanceAnswer(Struct, frozen=True):
    """All results, and the final settings of every output."""

    results: tuple[DistanceResult, ...]
    settings: dict[str, Setting]
    gains_db: dict[str, float]
    """The final gain of every output."""
    drive: Drive


class _Asked(Struct, frozen=True):
    """What holds for every moved output alike."""

    preset: Preset
    ways: Ways
    to: str
    offset_ms: float
    drive: Drive
    then: Preset | None
    """The preset in the air of show time."""
    set_for: Literal["now", "show"]
    line: tuple[str, ...]


def delay_by_distance(
    preset: Preset,
    *,
    move: Sequence[str],
    to: str,
    listener: str | Sequence[str],
    offset_ms: float = 0.0,
    drive: Drive | None = None,
    measured: Mapping[tuple[str, str], float] | None = None,
    show_temperature_c: float | None = None,
    set_for: Literal["now", "show"] = "now",
    lift_db: float | None = None,
    line: Sequence[str] | None = None,
) -> DistanceAnswer:
    """Delay outputs `move` so that each arrives `offset_ms` after output `to` at `listener`.

    Exact names; one listener for all, or one for each moved output in its order. (r_to − r_move)/c
    there with present delays and all latencies taken into account; an output's nearest source
    counts; c = 343.2·√(T/293.15 K) (ISO 9613-1). An offset of 5…20 ms is common practice, no
    source. `measured` maps (output, listener) to metres that replace coordinates.
    `show_temperature_c` tells what another air does, `set_for` for which of the two delays are
    set. `lift_db` > 0 trims the gain of each so that it lifts its listener by that much. `line`
    names listeners to look between, in their order; without it all listeners of the preset.
    Raises `Refused` for a way that is not known, one name twice, or outputs tied in one group.
    """
    settled = drive_of(preset) if drive is None else drive
    aims = [listener] * len(move) if isinstance(listener, str) else list(listener)
    _check(preset, move, to, aims, offset_ms, lift_db)
    ways = checked_ways(preset, measured or {})
    then = _at_show_time(preset, show_temperature_c, set_for)
    asked = _Asked(preset, ways, to, offset_ms, settled, then, set_for, tuple(line or ()))
    shifts_ms: dict[str, tuple[float, float | None]] = {}
    for name, aim in zip(move, aims, strict=True):
        for output in (name, to):
            ways.needed(output, aim)
        now_ms = _shift_ms(asked, preset, name, aim)
        then_ms = None if then is None else _shift_ms(asked, then, name, aim)
        shifts_ms[name] = now_ms, then_ms
    shifts = {
        name: Shift(_settled(now_ms if set_for == "now" or then_ms is None else then_ms))
        for name, (now_ms, then_ms) in shifts_ms.items()
    }
    settings = settings_after(preset, shifts)
    delayed = with_settings(preset, settings)
    lifts: dict[str, Lift] = {}
    if lift_db is not None:
        for name, aim in zip(move, aims, strict=True):
            lifts[name] = lift_of(ways, delayed, name, to, aim, lift_db, settled)
    gains_db = gains_after(preset, tuple(lifts.items()))
    applied = _with_gains(delayed, gains_db)
    results = tuple(
        _result(asked, applied, name, aim, shifts[name], shifts_ms[name], lifts.get(name))
        for name, aim in zip(move, aims, strict=True)
    )
    return DistanceAnswer(results, settings, gains_db, settled)


def apply_distance(preset: Preset, answer: DistanceAnswer) -> Preset:
    """The preset with the answer's delays, and gains where they were asked for, written in."""
    return _with_gains(with_settings(preset, answer.settings), answer.gains_db)


def _with_gains(preset: Preset, gains_db: Mapping[str, float]) -> Preset:
    return with_outputs(preset, lambda item: replace(item, gain_db=gains_db[item.name]))


def _check(
    preset: Preset,
    move: Sequence[str],
    to: str,
    aims: Sequence[str],
    offset_ms: float,
    lift_db: float | None,
) -> None:
    check_moves(preset, move, to)
    if len(aims) != len(move):
        raise Refused.at(
            "",
            f"{len(move)} {'output is' if len(move) == 1 else 'outputs are'} moved and {len(aims)} "
            "listeners named; name one for all, or "
            "one for each in the same order",
        )
    if not -1000.0 <= offset_ms <= 1000.0:
        raise Refused.at("", "the offset must be between −1,000 and +1,000 ms")
    if lift_db is not None and not 0.0 < lift_db <= 20.0:
        raise Refused.at("", "the lift must be above 0 and at most 20 dB")


def _at_show_time(
    preset: Preset, temperature_c: float | None, set_for: Literal["now", "show"]
) -> Preset | None:
    if temperature_c is None:
        if set_for == "show":
            raise Refused.at("", "delays for show time need its temperature; give it, too")
        return None
    problem = number_problem(temperature_c, TemperatureC)
    if problem:
        raise Refused.at("", f"a temperature of {problem}")
    return replace(preset, air=replace(preset.air, temperature_c=temperature_c))


def _settled(shift_ms: float) -> float:
    return shift_ms if abs(shift_ms) >= SETTLED_MS else 0.0


def _shift_ms(asked: _Asked, preset: Preset, name: str, aim: str) -> float:
    """How much later `name` has to come than it does, in the air of `preset`."""
    there_ms = asked.ways.arrival_ms(preset, asked.to, aim, asked.drive)
    own_ms = asked.ways.arrival_ms(preset, name, aim, asked.drive)
    assert there_ms is not None
    assert own_ms is not None  # both ways are known, or this was refused
    return there_ms + asked.offset_ms - own_ms


def _result(
    asked: _Asked,
    applied: Preset,
    name: str,
    aim: str,
    shift: Shift,
    shifts_ms: tuple[float, float | None],
    lift: Lift | None,
) -> DistanceResult:
    preset, to, ways = asked.preset, asked.to, asked.ways
    speed = speed_of_sound_m_s(preset.air)
    kelvin = preset.air.temperature_c + 273.15
    distance_m = {output: ways.needed(output, aim) for output in (to, name)}
    rows = _rows(asked, applied, name)
    line = _line(asked, applied, name)
    measured = tuple(output for output in (to, name) if (output, aim) in ways.measured)
    # d(r/c)/dT = −r/(2·c·T): the flight over the difference of the two ways
    per_degree_ms = (distance_m[name] - distance_m[to]) * 1e3 / (2.0 * speed * kelvin)
    humid_m_s = humid_speed_m_s(preset.air)
    humidity_ms = 1e3 * (distance_m[to] - distance_m[name]) * (1.0 / humid_m_s - 1.0 / speed)
    return DistanceResult(
        move=name,
        to=to,
        listener=aim,
        delayed_output=name if shift.delay_ms >= 0.0 else to,
        delay_ms=abs(shift.delay_ms),
        polarity=preset.output(name).polarity,
        distance_m=distance_m,
        measured=measured,
        speed_of_sound_m_s=speed,
        offset_ms=asked.offset_ms,
        arrivals=rows,
        per_degree_ms=per_degree_ms,
        humidity_ms=humidity_ms,
        show=_show(asked, applied, name, shifts_ms),
        lift=lift,
        line=line,
        notes=notes_of(
            preset,
            name,
            to,
            aim=aim,
            shift_ms=shift.delay_ms,
            offset_ms=asked.offset_ms,
            rows=rows,
            lift=lift,
            by_tape=bool(measured) and line is not None,
        ),
    )


def _rows(asked: _Asked, applied: Preset, name: str) -> tuple[ArrivalRow, ...]:
    rows: list[ArrivalRow] = []
    for place in asked.ways.listeners:
        behind_ms = asked.ways.behind_ms(applied, name, asked.to, place, asked.drive)
        if behind_ms is None:
            continue
        there_ms = asked.ways.arrival_ms(applied, asked.to, place, asked.drive)
        assert there_ms is not None
        levels = asked.ways.level_db(applied, place, asked.drive)
        difference_db = asked.ways.difference_db(applied, name, asked.to, place, asked.drive)
        stand = precedence(asked.to, name, behind_ms, difference_db)
        rows.append(
            ArrivalRow(place, asked.to, there_ms, levels.get(asked.to, math.nan), 0.0, None)
        )
        rows.append(
            ArrivalRow(
                place,
                name,
                there_ms + behind_ms,
                levels.get(name, math.nan),
                behind_ms,
                stand,
            )
        )
    return tuple(rows)


def _show(
    asked: _Asked, applied: Preset, name: str, shifts_ms: tuple[float, float | None]
) -> ShowTime | None:
    now_ms, then_ms = shifts_ms
    if asked.then is None or then_ms is None:
        return None
    hot = replace(applied, air=asked.then.air)
    rows = []
    for place in asked.ways.listeners:
        before_ms = asked.ways.behind_ms(applied, name, asked.to, place, asked.drive)
        after_ms = asked.ways.behind_ms(hot, name, asked.to, place, asked.drive)
        if before_ms is not None and after_ms is not None:
            rows.append(ShowRow(place, after_ms, after_ms - before_ms))
    set_ms = now_ms if asked.set_for == "now" else then_ms
    reading_ms = applied.output(name).delay_ms
    return ShowTime(
        asked.then.air.temperature_c,
        speed_of_sound_m_s(asked.then.air),
        reading_ms + now_ms - set_ms,
        reading_ms + then_ms - set_ms,
        asked.set_for,
        set_ms - now_ms,
        set_ms - then_ms,
        tuple(rows),
    )


def _line(asked: _Asked, applied: Preset, name: str) -> Line | None:
    preset = asked.preset
    bare = [output for output in (asked.to, name) if not preset.sources_of(output)]
    if asked.line:
        if bare:
            raise Refused.at(
                "sources",
                f"“{bare[0]}” has no source, so nothing is known of it between listeners; add a "
                "source with its position, or leave out the line",
            )
        return audience_line(applied, name, asked.to, asked.line, asked.drive)
    if bare or len(preset.listeners) < 2:
        return None
    try:
        through = [item.name for item in preset.listeners]
        return audience_line(applied, name, asked.to, through, asked.drive)
    except Refused:  # all listeners at one place: there is no line to tell of
        return None
