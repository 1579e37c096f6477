"""A delay by distance as text for people: what to set, who hears what first, what may change.

Computes nothing; whoever shows the text makes it inert.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from xover.design.precedence import TOGETHER_MS
from xover.model.units import plain, show_c, show_db, show_hz, show_m, show_ms, signed
from xover.sheets.cells import table

if TYPE_CHECKING:
    from xover.design.audience_line import Line, LinePoint
    from xover.design.distance import ArrivalRow, DistanceAnswer, DistanceResult, ShowTime
    from xover.design.lift import Lift
    from xover.model.preset import Preset

SHOWN_POINTS = 13
HEARD_HZ = 20_000.0
"""A notch above what is heard is none."""


def distance_text(preset: Preset, answer: DistanceAnswer, *, points: bool = False) -> str:
    """The whole answer in lines, one paragraph a moved output; `points`: the line as a table."""
    return "\n\n".join(_result(preset, result, points) for result in answer.results)


def _result(preset: Preset, result: DistanceResult, points: bool) -> str:
    output = preset.output(result.delayed_output)
    set_line = (
        f"  add {show_ms(result.delay_ms, 3)} to {result.delayed_output}, "
        f"which then reads {show_ms(output.delay_ms + result.delay_ms, 3)}"
    )
    if result.offset_ms:
        set_line += f" ({signed(result.offset_ms, 1)} ms for precedence)"
    ways = [
        f"{name} {show_m(r_m)}{' (measured)' if name in result.measured else ''}"
        for name, r_m in result.distance_m.items()
    ]
    lines = [
        f"{result.move} to {result.to} at {result.listener}",
        set_line,
        f"  {', '.join(ways)}; {plain(result.speed_of_sound_m_s, 1)} m/s at "
        f"{show_c(preset.air.temperature_c)}; a degree more is "
        f"{signed(result.per_degree_ms, 3)} ms, humidity (not counted) "
        f"{signed(result.humidity_ms, 3)} ms",
    ]
    if result.lift is not None:
        lines += _lift(result.lift, result)
    lines += ["  arrivals once applied", *_arrivals(result)]
    if result.show is not None:
        lines += _show(preset, result.show, result)
    if result.line is not None:
        lines += _line(result.line, result, points)
    lines += [f"  Note: {note}" for note in result.notes]
    return "\n".join(lines)


def _arrivals(result: DistanceResult) -> list[str]:
    rows = [
        (
            row.listener,
            row.output,
            f"{plain(row.ms, 2)} ms",
            "unknown" if math.isnan(row.level_db) else show_db(row.level_db),
            *_stand(row, result),
        )
        for row in result.arrivals
    ]
    heads = ("", "", "arrives", "level", "later by", "louder by", "")
    if not any(row.precedence for row in result.arrivals):
        heads = ("", "", "arrives", "level", "", "", "")
    return table([heads, *rows], "<<>>>><", indent="    ")


def _stand(row: ArrivalRow, result: DistanceResult) -> tuple[str, str, str]:
    """How far it is behind, how loud it is beside, and what that does."""
    stand = row.precedence
    if stand is None:
        return "", "", ""
    beside = ""
    if not math.isnan(stand.later_db):
        own_db = stand.later_db if stand.later == result.move else -stand.later_db
        beside = show_db(own_db)
    does = ""
    if stand.late_ms <= TOGETHER_MS:
        does = "together"
    elif stand.first == result.move:
        does = "leads"
    elif stand.image == result.move:
        does = "an echo" if stand.bound_db < 0.0 else "pulls"
    return f"{signed(row.behind_ms, 2)} ms", beside, does


def _lift(lift: Lift, result: DistanceResult) -> list[str]:
    return [
        f"  gain of {result.move} {show_db(lift.gain_db)} (a change of "
        f"{show_db(lift.gain_change_db)}): {show_db(lift.difference_db)} beside {result.to}, "
        f"lifts {result.listener} by {plain(lift.lift_db, 1)} dB"
    ]


def _late(off_ms: float) -> str:
    if abs(off_ms) < 0.005:
        return "as asked"
    return f"{show_ms(abs(off_ms))} {'late' if off_ms > 0.0 else 'early'}"


def _show(preset: Preset, show: ShowTime, result: DistanceResult) -> list[str]:
    now, then = show_c(preset.air.temperature_c), show_c(show.temperature_c)
    lines = [
        f"  at {now} {result.move} has to read {show_ms(show.reading_now_ms, 3)}, at {then} "
        f"{show_ms(show.reading_then_ms, 3)} ({plain(show.speed_of_sound_m_s, 1)} m/s)",
        f"  set for {now if show.set_for == 'now' else then}: now {_late(show.off_now_ms)}, then "
        f"{_late(show.off_then_ms)}",
    ]
    rows = [
        (
            row.listener,
            f"then {signed(row.behind_ms, 2)} ms",
            f"after {result.to}, a change of {signed(row.change_ms, 2)} ms",
        )
        for row in show.rows
    ]
    return lines + table(rows, "<><", indent="    ")


def _line(line: Line, result: DistanceResult, points: bool) -> list[str]:
    way = f"{line.through[0]} to {line.through[-1]}, {show_m(line.length_m, 1)}"
    lines = [f"  along {way}, computed: {_leaders(line)}"]
    worst = line.worst
    if worst is not None:
        comb = _comb(worst)
        lines.append(
            f"  combs most {show_m(worst.along_m, 1)} along"
            + (f" ({worst.listener})" if worst.listener else "")
            + f": {result.move} {show_db(worst.difference_db)}, {signed(worst.behind_ms, 2)} ms, "
            + f"ripple {plain(worst.ripple_db, 0)} dB{comb}"
        )
    if points:
        step = max(1, math.ceil((len(line.points) - 1) / (SHOWN_POINTS - 1)))
        chosen = [
            point
            for index, point in enumerate(line.points)
            if index % step == 0 or point.listener or point is line.points[-1]
        ]
        heads = ("along", "later by", "louder by", "leads", "notch", "", "")
        lines += table([heads, *map(_row, chosen)], ">>><><<", indent="    ")
    return lines


def _leaders(line: Line) -> str:
    first = line.points[0].leads
    other = next((point.leads for point in line.points if point.leads != first), None)
    if not line.hand_overs_m or other is None:
        return f"{first} leads all along"
    names = [first, other]
    parts, start = [], "0.0"
    for number, end_m in enumerate([*line.hand_overs_m, line.length_m]):
        end = plain(end_m, 1)
        parts.append(f"{names[number % 2]} from {start} to {end} m")
        start = end
    return f"{', '.join(parts)} leads"


def _comb(point: LinePoint) -> str:
    if point.first_notch_hz is None or point.notch_spacing_hz is None:
        return ""
    if point.first_notch_hz > HEARD_HZ:
        return ""
    return (
        f", notches at {show_hz(point.first_notch_hz)} and every "
        f"{show_hz(point.notch_spacing_hz)} more"
    )


def _row(point: LinePoint) -> tuple[str, ...]:
    notch_hz = point.first_notch_hz
    return (
        f"{plain(point.along_m, 1)} m",
        f"{signed(point.behind_ms, 2)} ms",
        "unknown" if math.isnan(point.difference_db) else show_db(point.difference_db),
        point.leads,
        "" if notch_hz is None or notch_hz > HEARD_HZ else show_hz(notch_hz),
        "" if point.covered else "not covered",
        point.listener or "",
    )
