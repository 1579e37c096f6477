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
