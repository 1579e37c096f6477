"""Cable between amplifier and box: resistance, loss, and the drop along a line of boxes.

Resistances are the largest that the standard allows at 20 °C, so that a loss is never told too
small; a warm conductor has more. Reactance of the cable is left out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from xover.model.units import db_from_ratio

CLASS_5_OHM_PER_KM: Final = {
    0.5: 39.0,
    0.75: 26.0,
    1.0: 19.5,
    1.5: 13.3,
    2.5: 7.98,
    4.0: 4.95,
    6.0: 3.30,
    10.0: 1.91,
    16.0: 1.21,
}
"""Largest resistance of flexible copper conductors by mm², ohm per km at 20 °C (IEC 60228)."""


def conductor_ohm_per_km(area_mm2: float) -> float:
    """Resistance of one flexible copper conductor in ohm per km, IEC 60228 class 5.

    For sizes that the table does not list, resistance times area is taken straight between its
    neighbours over log area, and constant beyond its ends.
    """
    if area_mm2 in CLASS_5_OHM_PER_KM:
        return CLASS_5_OHM_PER_KM[area_mm2]
    sizes = list(CLASS_5_OHM_PER_KM)
    products = [size * ohms for size, ohms in CLASS_5_OHM_PER_KM.items()]
    above = next((at for at, size in enumerate(sizes) if size > area_mm2), len(sizes))
    if above in (0, len(sizes)):
        product = products[0] if above == 0 else products[-1]
    else:
        low, high = sizes[above - 1], sizes[above]
        share = math.log(area_mm2 / low) / math.log(high / low)
        product = products[above - 1] + share * (products[above] - products[above - 1])
    return product / area_mm2


def loop_ohm(length_m: float, area_mm2: float) -> float:
    """Resistance there and back of a run of `length_m` one way, in ohms: 2·L·r."""
    return 2.0 * length_m / 1000.0 * conductor_ohm_per_km(area_mm2)


def loss_db(load_ohm: float, cable_ohm: float) -> float:
    """What a cable takes from the voltage of a load at its end, ≥ 0: 20·log10((Z + R)/Z)."""
    return db_from_ratio((load_ohm + cable_ohm) / load_ohm)


def end_of_line_loss_db(loads_ohm: Sequence[float], cable_ohm: float) -> float:
    """Loss ≥ 0 at the last of loads spread evenly along a run, the first a step from its start.

    `cable_ohm` is the loop resistance of the whole run. The ladder is solved backwards from one
    volt at its end: each step carries the current of all loads behind it.
    """
    step_ohm = cable_ohm / len(loads_ohm)
    volts, amperes = 1.0, 0.0
    for load_ohm in reversed(loads_ohm):
        amperes += volts / load_ohm
        volts += amperes * step_ohm
    return db_from_ratio(volts)
