"""Where things stand: distances, the nearest source, who sits outside a box's coverage.

Distances are three-dimensional and never below 0.1 m, so that a listener put on top of a box
does not make a level without bounds. Coverage marks listeners; it computes no level.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Final

from xover.model.preset import Preset
from xover.model.ranges import PositionM
from xover.model.rig import Aim, Listener, Loudspeaker, Source

SHORTEST_M: Final = 0.1


def distance_m(here: PositionM, there: PositionM) -> float:
    """The straight line between two places in metres, at least `SHORTEST_M`."""
    return max(SHORTEST_M, math.dist(here, there))


def nearest(
    sources: Sequence[Source],
    listener_m: PositionM,
    positions_m: Mapping[str, PositionM] | None = None,
) -> Source | None:
    """The source with the shortest way to `listener_m`, the first of equals; None without any.

    `positions_m` replaces today's positions (a capture's); a source absent from it is left out.
    """
    if positions_m is None:
        positions_m = {source.name: source.position_m for source in sources}
    known = [source for source in sources if source.name in positions_m]
    return min(
        known, key=lambda source: distance_m(positions_m[source.name], listener_m), default=None
    )


def nearest_distance_m(preset: Preset, output: str, listener: str) -> float | None:
    """Metres from the output's nearest source to the listener; None without a source."""
    place_m = preset.listener(listener).position_m
    source = nearest(preset.sources_of(output), place_m)
    return None if source is None else distance_m(source.position_m, place_m)


def off_axis_deg(aim: Aim, box_m: PositionM, listener_m: PositionM) -> tuple[float, float]:
    """Horizontal and vertical angle between a box's axis and the listener, in degrees.

    Azimuth turns from y towards x (clockwise seen from above), elevation lifts the axis; the
    angles are taken in the box's own planes, the horizontal one within ±180°.
    """
    x, y, z = (b - a for a, b in zip(box_m, listener_m, strict=True))
    turn, lift = math.radians(aim.azimuth), math.radians(aim.elevation)
    level_forward = x * math.sin(turn) + y * math.cos(turn)
    right = x * math.cos(turn) - y * math.sin(turn)
    forward = level_forward * math.cos(lift) + z * math.sin(lift)
    up = z * math.cos(lift) - level_forward * math.sin(lift)
    horizontal = math.degrees(math.atan2(right, forward))
    vertical = math.degrees(math.atan2(up, math.hypot(forward, right)))
    return horizontal, vertical


def is_outside_coverage(source: Source, box: Loudspeaker, listener: Listener) -> bool:
    """Whether the listener sits outside the box's nominal coverage; False where none is given."""
    if box.coverage_deg is None:
        return False
    horizontal, vertical = off_axis_deg(source.aim_deg, source.position_m, listener.position_m)
    wide, high = box.coverage_deg
    # A hundredth of a degree: a seat placed exactly on the edge counts as inside.
    return abs(horizontal) > wide / 2.0 + 0.01 or abs(vertical) > high / 2.0 + 0.01
