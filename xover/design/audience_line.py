"""Between the listeners: who leads along a line through the audience, and where combing is worst.

Levels there are computed from boxes and places, without directivity; captures hold where they
were made. Places outside a box's coverage are marked.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

from msgspec import Struct
from msgspec.structs import replace

from xover.acoustics.arrivals import arrival_ms, level_difference_db
from xover.acoustics.geometry import is_outside_coverage, nearest
from xover.design.precedence import TOGETHER_MS, notches_hz, ripple_db
from xover.model.drive import Drive
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.ranges import PositionM
from xover.model.rig import Listener

MOST_POINTS = 120
CLOSEST_M = 0.25
COMB_MS = 0.05
"""Closer in time than this there is no comb to speak of: its first notch lies above 10 kHz."""


class LinePoint(Struct, frozen=True):
    """One place on the line, and how `move` stands to `to` there."""

    along_m: float
    position_m: PositionM
    listener: str | None
    """The listener who sits here, if any."""
    behind_ms: float
    difference_db: float
    leads: str
    covered: bool
    """Whether it lies in the nominal coverage of the nearest box of both."""
    ripple_db: float
    """Peak to peak of the comb where both play; NaN where a level is not known."""
    first_notch_hz: float | None
    notch_spacing_hz: float | None


class Line(Struct, frozen=True):
    """The line through the listeners named, in their order."""

    through: tuple[str, ...]
    length_m: float
    points: tuple[LinePoint, ...]
    hand_overs_m: tuple[float, ...]
    """Where the lead changes from one to the other."""
    worst: LinePoint | None
    """Where the two come nearest to equal level, in the coverage of both: they comb most there."""


def audience_line(preset: Preset, move: str, to: str, through: Sequence[str], drive: Drive) -> Line:
    """`move` against `to` at points along the line through listeners, the listeners among them.

    Both outputs need sources. Raises `Refused` for fewer than two listeners, or where all of them
    sit at one place.
    """
    corners = [preset.listener(name) for name in through]
    legs = [math.dist(a.position_m, b.position_m) for a, b in pairwise(corners)]
    length_m = sum(legs)
    if len(corners) < 2 or length_m < CLOSEST_M / 10.0:
        raise Refused.at(
            "listeners",
            f"{' and '.join(f'“{name}”' for name in through)} are one place, so there is no line "
            "between them; name two listeners apart",
        )
    step_m = max(CLOSEST_M, length_m / MOST_POINTS)
    places: list[tuple[float, PositionM, str | None]] = [
        (0.0, corners[0].position_m, corners[0].name)
    ]
    gone_m = 0.0
    for (a, b), leg_m in zip(pairwise(corners), legs, strict=True):
        pieces = max(1, math.ceil(leg_m / step_m))
        for piece in range(1, pieces + 1):
            share = piece / pieces
            x, y, z = (p + (q - p) * share for p, q in zip(a.position_m, b.position_m, strict=True))
            name = b.name if piece == pieces else None
            places.append((gone_m + share * leg_m, (x, y, z), name))
        gone_m += leg_m
    bare = replace(
        preset,
        listeners=tuple(
            Listener(name=str(index), position_m=place)
            for index, (_, place, _) in enumerate(places)
        ),
        measurements=(),
    )
    points = tuple(
        _point(bare, str(index), move, to, drive, along_m, place, name)
        for index, (along_m, place, name) in enumerate(places)
    )
    heard = [point for point in points if abs(point.behind_ms) > COMB_MS]
    heard = [point for point in heard if not math.isnan(point.difference_db)]
    heard = [point for point in heard if point.covered] or heard
    worst = min(heard, key=lambda point: abs(point.difference_db), default=None)
    return Line(tuple(through), length_m, points, _hand_overs(points), worst)


def _point(
    bare: Preset,
    key: str,
    move: str,
    to: str,
    drive: Drive,
    along_m: float,
    place: PositionM,
    name: str | None,
) -> LinePoint:
    times_ms, covered = [], True
    seat = Listener(name=key, position_m=place)
    for output in (move, to):
        source = nearest(bare.sources_of(output), place)
        assert source is not None  # the caller has looked
        times_ms.append(arrival_ms(bare, source, key, drive))
        covered &= not is_outside_coverage(source, bare.loudspeaker(source.loudspeaker), seat)
    behind_ms = times_ms[0] - times_ms[1]
    difference_db = level_difference_db(bare, move, to, key, drive)
    inverted = bare.output(move).polarity != bare.output(to).polarity
    notches = notches_hz(abs(behind_ms), inverted=inverted)
    first_hz, spacing_hz = notches or (None, None)
    ripple = math.nan if math.isnan(difference_db) else ripple_db(difference_db)
    return LinePoint(
        along_m,
        place,
        name,
        behind_ms,
        difference_db,
        move if behind_ms < -TOGETHER_MS else to,
        covered,
        ripple,
        first_hz,
        spacing_hz,
    )


def _hand_overs(points: Sequence[LinePoint]) -> tuple[float, ...]:
    found = []
    for a, b in pairwise(points):
        if a.leads != b.leads:
            share = min(1.0, max(0.0, a.behind_ms / (a.behind_ms - b.behind_ms)))
            found.append(a.along_m + share * (b.along_m - a.along_m))
    return tuple(found)
