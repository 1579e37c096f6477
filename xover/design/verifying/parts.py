"""What an output is made of, as parts whose logs add: crossovers and bands, each with its place.

A part can be without, or other than, what was meant; its effect on the whole is the difference of
two logs. Knows no capture.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec import Struct

from xover.dsp.axis import Axis, ComplexArray
from xover.dsp.biquad import Section, section_of
from xover.dsp.crossover import Side, crossover_kernel
from xover.dsp.log_response import section_logs
from xover.model.processing import Crossover, EqSection, Input, Output


class Part(Struct, frozen=True, eq=False):
    """One band or crossover: its place, what was meant, and ln H of that on the axis (n,)."""

    where: str
    item: EqSection | Crossover
    side: Side | None
    log: ComplexArray

    @property
    def is_band(self) -> bool:
        """Whether this is a band of the equaliser."""
        return self.side is None


def parts_of(
    output: Output, where: str, inputs: Sequence[tuple[str, Input]], axis: Axis
) -> list[Part]:
    """The parts in signal order: the driven inputs' bands, crossovers, bands of the output."""
    found: list[tuple[str, EqSection | Crossover, Side | None]] = []
    for place, item in inputs:
        found += [
            (f"{place}.eq[{at}]", one, None) for at, one in enumerate(item.eq) if not one.bypassed
        ]
    if output.high_pass is not None:
        found.append((f"{where}.high_pass", output.high_pass, "high_pass"))
    if output.low_pass is not None:
        found.append((f"{where}.low_pass", output.low_pass, "low_pass"))
    found += [
        (f"{where}.eq[{at}]", one, None) for at, one in enumerate(output.eq) if not one.bypassed
    ]
    logs = item_logs([(item, side) for _, item, side in found], axis)
    return [
        Part(place, item, side, log) for (place, item, side), log in zip(found, logs, strict=True)
    ]


def item_logs(
    items: Sequence[tuple[EqSection | Crossover, Side | None]], axis: Axis
) -> ComplexArray:
    """Ln H of many bands and crossovers on the axis, shape (m, n)."""
    sections: list[Section] = []
    starts: list[int] = []
    powers: list[int] = []
    for item, side in items:
        starts.append(len(sections))
        if isinstance(item, EqSection):
            sections.append(section_of(item))
            powers.append(1)
        else:
            assert side is not None
            kernel, power = crossover_kernel(item, side)
            sections += kernel
            powers.append(power)
    if not items:
        return np.zeros((0, len(axis)), dtype=np.complex128)
    logs = section_logs(sections, axis)
    summed = np.add.reduceat(logs, starts, axis=0)
    return np.asarray(summed * np.array(powers, dtype=np.float64)[:, None])
