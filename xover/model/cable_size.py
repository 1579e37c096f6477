"""Sizes of conductors as people type them: square millimetres, or a gauge number.

The preset holds square millimetres; a gauge is turned into them where it is typed, and that is
said. Nothing here knows of resistance.
"""

from __future__ import annotations

import math
import re

from xover.model.names import quoted
from xover.model.problems import Refused
from xover.model.units import short

_GAUGE = re.compile(r"(?:awg\s*#?\s*(?P<after>\d{1,2})|(?P<before>\d{1,2})\s*awg)", re.IGNORECASE)
_AREA = re.compile(r"(?P<area>\d+(?:[.,]\d+)?)\s*(?:mm2|mm²|sqmm)?", re.IGNORECASE)
LARGEST_GAUGE = 40


def area_of_gauge_mm2(gauge: int) -> float:
    """Cross-section in mm² of American wire gauge 0 to 40: d = 0.127·92^((36−n)/39) mm.

    ASTM B258, from memory; 12 is 3.3088 mm².
    """
    diameter_mm = float(0.127 * 92.0 ** ((36 - gauge) / 39.0))
    return math.pi / 4.0 * diameter_mm * diameter_mm


def nearest_gauge(area_mm2: float) -> int:
    """The gauge whose cross-section is nearest to `area_mm2` by ratio, within 0 to 40."""
    ratio = math.log(4.0 * area_mm2 / math.pi) / 2.0 - math.log(0.127)
    return min(LARGEST_GAUGE, max(0, round(36.0 - 39.0 * ratio / math.log(92.0))))


def read_area_mm2(text: str) -> float:
    """A size as typed, `2.5`, `2.5 mm²` or `AWG 12`, in mm² (a gauge to 0.0001 mm²).

    Raises `Refused` with what would be understood.
    """
    tidied = text.strip()
    if (found := _GAUGE.fullmatch(tidied)) is not None:
        gauge = int(found["after"] or found["before"])
        if gauge <= LARGEST_GAUGE:
            return round(area_of_gauge_mm2(gauge), 4)
    elif (found := _AREA.fullmatch(tidied)) is not None:
        area_mm2 = float(found["area"].replace(",", "."))
        if 0.0 < area_mm2 <= 10_000.0:
            return area_mm2
    raise Refused.at(
        "",
        f"{quoted(text)} is not the size of a conductor; write 2.5 for mm², or AWG 12 "
        f"(0 to {LARGEST_GAUGE})",
    )


def show_area(area_mm2: float) -> str:
    """`2.5 mm² (near AWG 13)`."""
    return f"{short(area_mm2, 4)} mm² (near AWG {nearest_gauge(area_mm2)})"
