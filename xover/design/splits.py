"""Which outputs hand over to which: neighbouring ways, chains of ways, what their filters sum to.

Read from routing and filters alone; gains, delays and equalisers answer to the boxes and are left
out. Outputs that play the same range (left and right, delay speakers) are never neighbours.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from typing import Final

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from xover.dsp.axis import Axis, ComplexArray
from xover.dsp.crossover import family_poles
from xover.dsp.response import output_stage
from xover.model.preset import Preset
from xover.model.processing import Crossover, EqSection, Output

THIRD_OCTAVE: Final = 2.0 ** (1.0 / 3.0)
"""Corners further apart than this ratio leave a gap or overlap: common practice, no source."""
AUDIBLE_HZ: Final = (20.0, 20_000.0)
"""Where an output without a filter is taken to end."""
SAME_CORNER: Final = 1.01


class Split(Struct, frozen=True):
    """The low-pass of one output and the high-pass of the one that takes over above it."""

    lower: Output
    upper: Output

    @property
    def low_pass(self) -> Crossover:
        """The lower output's low-pass."""
        assert self.lower.low_pass is not None
        return self.lower.low_pass

    @property
    def high_pass(self) -> Crossover:
        """The upper output's high-pass."""
        assert self.upper.high_pass is not None
        return self.upper.high_pass

    @property
    def ratio(self) -> float:
        """High-pass over low-pass corner: above 1 a gap, below 1 an overlap."""
        return self.high_pass.frequency_hz / self.low_pass.frequency_hz

    @property
    def centre_hz(self) -> float:
        """The geometric mean of the two corners."""
        return math.sqrt(self.high_pass.frequency_hz * self.low_pass.frequency_hz)

    @property
    def meets(self) -> bool:
        """Whether the corners lie within a third of an octave of each other."""
        return max(self.ratio, 1.0 / self.ratio) <= THIRD_OCTAVE * (1.0 + 1e-9)

    @property
    def linkwitz_riley_slope(self) -> int | None:
        """The slope in dB per octave where both sides are Linkwitz-Riley of one slope."""
        if (self.low_pass.family, self.high_pass.family) != ("linkwitz-riley", "linkwitz-riley"):
            return None
        slope = self.low_pass.slope_db_per_octave
        return slope if slope == self.high_pass.slope_db_per_octave else None


def needs_inversion(slope_db_per_octave: int) -> bool:
    """Whether a Linkwitz-Riley split of this slope sums only with one side inverted.

    Order 4k + 2: at the corner the two sides are half a turn apart (S. P. Lipshitz and
    J. Vanderkooy, JAES 34(11), 1986).
    """
    return slope_db_per_octave % 24 == 12


def splits(preset: Preset, *, alike: Collection[str] = ()) -> tuple[Split, ...]:
    """Every handing over, in file order of the lower outputs.

    For each output with a low-pass: those outputs above it, fed by a common input, whose
    high-pass corner lies nearest (all of them where several share that corner). Inputs in `alike`
    carry one signal, so they count as common: subs on a send of their own hand over too.
    """
    found: list[Split] = []
    for lower in preset.outputs:
        options = [
            Split(lower, upper) for upper in preset.outputs if _takes_over(lower, upper, alike)
        ]
        nearest = min((abs(math.log(one.ratio)) for one in options), default=0.0)
        limit = nearest + math.log(SAME_CORNER)
        found += [one for one in options if abs(math.log(one.ratio)) <= limit]
    return tuple(found)


def chains(preset: Preset) -> tuple[tuple[Split, ...], ...]:
    """Ways of three and more, as their splits from low to high; one for each lowest output.

    Only splits whose corners meet. Where several outputs could come next, the first that no other
    chain took, so that left goes with left.
    """
    onward: dict[str, list[Split]] = {}
    for split in splits(preset):
        if split.meets:
            onward.setdefault(split.lower.name, []).append(split)
    above = {split.upper.name for each in onward.values() for split in each}
    taken: set[str] = set()
    found: list[tuple[Split, ...]] = []
    for start in onward:
        if start in above:
            continue
        chain: list[Split] = []
        inputs = set(preset.output(start).inputs)
        name = start
        while options := [one for one in onward.get(name, ()) if inputs & set(one.upper.inputs)]:
            step = next((one for one in options if one.upper.name not in taken), options[0])
            chain.append(step)
            name = step.upper.name
            taken.add(name)
            inputs &= set(step.upper.inputs)
        if len(chain) > 1:
            found.append(tuple(chain))
    return tuple(found)


def filters_of(
    output: Output,
    axis: Axis,
    *,
    high_pass: bool = True,
    low_pass: bool = True,
    eq: tuple[EqSection, ...] = (),
) -> ComplexArray:
    """The crossover filters of an output alone, with the sections of `eq`; shape (n,)."""
    bare = replace(
        output,
        gain_db=0.0,
        polarity="normal",
        delay_ms=0.0,
        muted=False,
        high_pass=output.high_pass if high_pass else None,
        low_pass=output.low_pass if low_pass else None,
        eq=eq,
    )
    return output_stage(bare, axis)


def split_sum(split: Split, axis: Axis, *, inverted: bool) -> ComplexArray:
    """What low-pass and high-pass sum to, one of them inverted or not; shape (n,)."""
    low = filters_of(split.lower, axis, high_pass=False)
    high = filters_of(split.upper, axis, low_pass=False)
    return np.asarray(low - high if inverted else low + high)


def polarity_to_air(preset: Preset, output: str) -> int | None:
    """+1 or −1: the output's polarity times that of its sources and boxes as they are wired.

    None where its sources disagree.
    """
    own = -1 if preset.output(output).polarity == "inverted" else 1
    signs = {
        (-1 if source.polarity == "inverted" else 1)
        * (-1 if preset.loudspeaker(source.loudspeaker).polarity == "inverted" else 1)
        for source in preset.sources_of(output)
    }
    if len(signs) > 1:
        return None
    return own * (signs.pop() if signs else 1)


def split_all_pass(item: Crossover) -> tuple[EqSection, ...]:
    """The all-pass sections that a Linkwitz-Riley split of this filter sums to.

    The poles of the Butterworth filter that is squared, mirrored into zeros (S. P. Lipshitz and
    J. Vanderkooy, JAES 34(11), 1986): order 1 for 12 dB per octave, order 2 with Q 0.7071 for 24.
    Raises `ValueError` for another family.
    """
    if item.family != "linkwitz-riley":
        raise ValueError(f"a {item.family} split does not sum to an all-pass")
    poles, _ = family_poles(item.family, item.slope_db_per_octave)
    return tuple(
        EqSection(kind="all_pass", frequency_hz=item.frequency_hz, order=1)
        if q is None
        else EqSection(kind="all_pass", frequency_hz=item.frequency_hz, q=q, order=2)
        for _, q in poles
    )


def _takes_over(lower: Output, upper: Output, alike: Collection[str]) -> bool:
    """Whether `upper` goes on where `lower` ends: it reaches higher and starts higher."""
    if lower.name == upper.name or lower.low_pass is None or upper.high_pass is None:
        return False
    together = all(any(name in alike for name in one.inputs) for one in (lower, upper))
    if not together and not set(lower.inputs) & set(upper.inputs):
        return False
    bottom_hz = lower.high_pass.frequency_hz if lower.high_pass else AUDIBLE_HZ[0]
    top_hz = upper.low_pass.frequency_hz if upper.low_pass else AUDIBLE_HZ[1]
    end_hz, start_hz = lower.low_pass.frequency_hz, upper.high_pass.frequency_hz
    return (
        start_hz > bottom_hz * THIRD_OCTAVE
        and top_hz > end_hz * THIRD_OCTAVE
        and end_hz < math.sqrt(start_hz * top_hz)
    )
