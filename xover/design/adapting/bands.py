"""One band or crossover on a device: what to type, what it then does, its neighbours on the grid.

`Typed` holds figures in the device's own unit and convention; `held` is what such figures amount
to in the preset's terms. Chooses nothing among the neighbours: that is `adapting.rounding`.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

from msgspec import UNSET, Struct
from msgspec.structs import replace

from xover.design.adapting.figures import Rates
from xover.dsp.axis import Axis, ComplexArray
from xover.dsp.biquad import section_of, section_response
from xover.dsp.conventions import (
    BUTTERWORTH_Q,
    bessel_factor,
    convention_in_force,
    octaves_from_q,
    q_from_octaves,
    q_from_width,
    running_q,
    shelf_corner_factor,
    shelf_q,
    shelf_width,
    typed_q,
    width_from_q,
)
from xover.dsp.crossover import Side
from xover.model import grids
from xover.model.processing import Crossover, EqSection
from xover.model.profile import EqSetting, Profile, Steps
from xover.model.ranges import FILTER_NYQUIST_FRACTION, FilterFrequencyHz, Gain, Q, limits_of
from xover.model.words import EQ_SHAPES, EqKind, Family

SHELVES: tuple[EqKind, ...] = ("low_shelf", "high_shelf")
FREQUENCIES, GAINS, WIDTHS = 4, 3, 4
"""How many neighbours on the grid are tried of each."""
ANALOGUE_RATE_HZ = 48e6
"""A rate so high that a bilinear section is its analogue prototype to 1e-6."""


class Typed(Struct, frozen=True):
    """A band's figures as typed; `gain_db` and `width` None where the device asks for none."""

    kind: EqKind
    frequency_hz: float
    gain_db: float | None = None
    width: float | None = None
    order: int = 2


class TypedCrossover(Struct, frozen=True):
    """A crossover's figures as typed."""

    family: Family
    slope_db_per_octave: int
    frequency_hz: float


class Behaviour(Struct, frozen=True):
    """How a device's filters run: its equaliser, rate, and whether they follow the analogue."""

    eq: EqSetting
    profile: Profile
    filters_hz: float
    width_corrected: bool
    held_rate_hz: float
    """The rate of the preset that is held."""
    limit_rate_hz: float
    """The lower of that rate and the one the device's filters run at."""

    @property
    def top_hz(self) -> float:
        """What every frequency stays below."""
        return FILTER_NYQUIST_FRACTION * self.limit_rate_hz

    def axis(self, frequency_hz: Axis) -> Axis:
        """The same frequencies on the device's own filters."""
        return Axis(frequency_hz.frequency_hz, self.filters_hz)


def behaviour_of(profile: Profile, rates: Rates, preset_rate_hz: float) -> Behaviour:
    """What the profile says of the filters; where it says nothing, they run as the preset's do."""
    high = profile.eq.high_frequency
    filters_hz = {
        "analogue-matched": ANALOGUE_RATE_HZ,
        "unknown": preset_rate_hz,
    }.get(high, rates.filters_hz)
    held_hz = preset_rate_hz if high == "analogue-matched" else filters_hz
    corrected = high == "bilinear-width-corrected"
    limit_hz = min(held_hz, rates.filters_hz)
    return Behaviour(profile.eq, profile, filters_hz, corrected, held_hz, limit_hz)


def typed_of(item: EqSection, behaviour: Behaviour) -> Typed:
    """What to type for a section, translated exactly and not yet rounded.

    The kind must be one that the device has in this order.
    """
    eq, kind = behaviour.eq, item.kind
    gain_db = item.gain_or_zero_db
    order = item.effective_order
    if kind in SHELVES:
        factor = shelf_corner_factor(
            eq.shelf_corner, gain_db, is_high=kind == "high_shelf", order=order
        )
        width = None
        if eq.shelf_width is not None and order == 2:
            width = shelf_width(item.q_or_one, gain_db, unit=eq.shelf_width.unit)
        return Typed(kind, item.frequency_hz / factor, gain_db, width, order)
    if order == 1:
        return Typed(kind, item.frequency_hz, order=1)
    q = item.q_or_one
    if behaviour.width_corrected:
        q = typed_q(q, item.frequency_hz, behaviour.filters_hz)
    if kind == "peak":
        convention = convention_in_force(eq, gain_db)
        width = width_from_q(q, gain_db, unit=eq.width.unit, convention=convention)
        return Typed(kind, item.frequency_hz, gain_db, width)
    width = q if eq.width.unit == "q" else octaves_from_q(q)
    return Typed(kind, item.frequency_hz, None, width)


def held(typed: Typed, behaviour: Behaviour) -> EqSection:
    """What typed figures amount to, as a section in the preset's terms at the device's rate."""
    eq, kind = behaviour.eq, typed.kind
    gain_db = typed.gain_db or 0.0
    if kind in SHELVES:
        factor = shelf_corner_factor(
            eq.shelf_corner, gain_db, is_high=kind == "high_shelf", order=typed.order
        )
        if typed.order == 1:
            hz = typed.frequency_hz * factor
            return EqSection(kind=kind, frequency_hz=hz, gain_db=gain_db, order=1)
        q = BUTTERWORTH_Q
        if eq.shelf_width is not None:
            q = shelf_q(typed.width, gain_db, unit=eq.shelf_width.unit)
        return EqSection(kind=kind, frequency_hz=typed.frequency_hz * factor, gain_db=gain_db, q=q)
    if typed.order == 1:
        return EqSection(kind=kind, frequency_hz=typed.frequency_hz, order=1)
    assert typed.width is not None
    if kind == "peak":
        convention = convention_in_force(eq, gain_db)
        q = q_from_width(typed.width, gain_db, unit=eq.width.unit, convention=convention)
    else:
        q = typed.width if eq.width.unit == "q" else q_from_octaves(typed.width)
    if behaviour.width_corrected:
        q = running_q(q, typed.frequency_hz, behaviour.filters_hz)
    return EqSection(
        kind=kind,
        frequency_hz=typed.frequency_hz,
        gain_db=gain_db if EQ_SHAPES[kind].has_gain else UNSET,
        q=q,
    )


def below_top(item: EqSection, behaviour: Behaviour) -> EqSection:
    """The section, moved below what the filters can do where it lies above."""
    if item.frequency_hz < behaviour.top_hz:
        return item
    return replace(item, frequency_hz=0.999 * behaviour.top_hz)


def possible(exact: Typed, behaviour: Behaviour) -> list[tuple[Typed, EqSection]]:
    """The neighbours of exact figures that amount to a filter, each with what it amounts to.

    Those are left out which lie above the filters' rate or outside what a preset can state, and
    slopes of shelves that do not exist at their gain. Empty where nothing is left.
    """
    found = []
    for typed in neighbours(exact, behaviour.eq):
        try:
            section = held(typed, behaviour)
        except ValueError:  # a shelf so steep that there is none
            continue
        if _is_legal(section, behaviour):
            found.append((typed, section))
    return found


def _is_legal(item: EqSection, behaviour: Behaviour) -> bool:
    lowest_hz, lowest_q, highest_q = limits_of(FilterFrequencyHz)[0], *limits_of(Q)
    low_db, high_db = limits_of(Gain)
    return (
        lowest_hz <= item.frequency_hz < behaviour.top_hz
        and lowest_q <= item.q_or_one <= highest_q
        and low_db <= item.gain_or_zero_db <= high_db
    )


def neighbours(
    exact: Typed,
    eq: EqSetting,
    *,
    frequencies: int = FREQUENCIES,
    gains: int = GAINS,
    widths: int = WIDTHS,
) -> list[Typed]:
    """The combinations of values around exact figures; the first is nearest in each."""
    scale = eq.width.values
    if exact.kind in SHELVES:
        scale = eq.shelf_width.values if eq.shelf_width is not None else scale
    choices: tuple[list[float | None], ...] = (
        [*around(eq.frequency_hz, exact.frequency_hz, frequencies, logarithmic=True)],
        [None] if exact.gain_db is None else [*around(eq.gain_db, exact.gain_db, gains)],
        [None] if exact.width is None else [*around(scale, exact.width, widths, logarithmic=True)],
    )
    return [
        Typed(exact.kind, float(frequency_hz or 0.0), gain_db, width, exact.order)
        for frequency_hz, gain_db, width in product(*choices)
    ]


def around(
    scale: grids.Scale, wanted: float, count: int, *, logarithmic: bool = False
) -> list[float]:
    """The `count` values of a grid nearest to a figure, the nearest first."""
    at = grids.nearest_index(scale, wanted, logarithmic=logarithmic)
    low, high = max(0, at - count), min(grids.count(scale) - 1, at + count)
    found = [grids.value(scale, k) for k in range(low, high + 1)]
    nearest = grids.value(scale, at)
    if logarithmic:
        found.sort(key=lambda one: max(one / wanted, wanted / one))
    else:
        found.sort(key=lambda one: abs(one - wanted))
    found.remove(nearest)
    return [nearest, *found][:count]


def typed_crossover(item: Crossover, side: Side, profile: Profile) -> TypedCrossover:
    """What to type for a crossover whose family and slope the device has, not yet rounded."""
    return TypedCrossover(
        item.family, item.slope_db_per_octave, item.frequency_hz / _factor(item, side, profile)
    )


def held_crossover(typed: TypedCrossover, side: Side, profile: Profile) -> Crossover:
    """What a typed crossover amounts to in the preset's terms."""
    item = Crossover(
        family=typed.family,
        slope_db_per_octave=typed.slope_db_per_octave,
        frequency_hz=typed.frequency_hz,
    )
    factor = _factor(item, side, profile)
    return Crossover(
        family=item.family,
        slope_db_per_octave=item.slope_db_per_octave,
        frequency_hz=typed.frequency_hz * factor,
    )


def has_crossover(item: Crossover, profile: Profile) -> bool:
    """Whether the device has this family and slope."""
    return item.slope_db_per_octave in profile.crossover.families.get(item.family, ())


def crossover_neighbours(
    exact: TypedCrossover, side: Side, behaviour: Behaviour
) -> list[TypedCrossover]:
    """The typed crossovers around exact figures, nearest first; none above the filters' rate."""
    grid = behaviour.profile.crossover.frequency_hz
    found = [
        TypedCrossover(exact.family, exact.slope_db_per_octave, frequency_hz)
        for frequency_hz in around(grid, exact.frequency_hz, FREQUENCIES, logarithmic=True)
    ]
    return [typed for typed in found if can_run(typed, side, behaviour)]


def can_run(typed: TypedCrossover, side: Side, behaviour: Behaviour) -> bool:
    """Whether a typed crossover lies below what the filters can do."""
    frequency_hz = held_crossover(typed, side, behaviour.profile).frequency_hz
    return limits_of(FilterFrequencyHz)[0] <= frequency_hz < behaviour.top_hz


def band_response(item: EqSection, axis: Axis) -> ComplexArray:
    """H of one section on an axis, shape (n,)."""
    return section_response(section_of(item), axis)


def is_exact(exact: Typed, typed: Typed, eq: EqSetting, *, tolerance: float = 1e-6) -> bool:
    """Whether rounding changed nothing that matters."""
    pairs: Sequence[tuple[float | None, float | None]] = (
        (exact.frequency_hz, typed.frequency_hz),
        (exact.gain_db, typed.gain_db),
        (exact.width, typed.width),
    )
    return all(
        one is None or other is None or abs(one - other) <= tolerance * max(1.0, abs(one))
        for one, other in pairs
    )


def within(exact: Typed, eq: EqSetting) -> list[str]:
    """Which figures lie outside what the device can be given, in words; empty where none does."""
    found = []
    if not grids.reaches(eq.frequency_hz, exact.frequency_hz):
        found.append(_outside("frequency", exact.frequency_hz, "Hz", eq.frequency_hz))
    if exact.gain_db is not None and not grids.reaches(eq.gain_db, exact.gain_db):
        found.append(_outside("gain", exact.gain_db, "dB", eq.gain_db))
    is_shelf = exact.kind in SHELVES
    steps = eq.width.values
    if is_shelf and eq.shelf_width is not None:
        steps = eq.shelf_width.values
    if exact.width is not None and not grids.reaches(steps, exact.width):
        unit = "octaves" if eq.width.unit == "bandwidth_octaves" and not is_shelf else ""
        found.append(_outside("steepness" if is_shelf else "width", exact.width, unit, steps))
    return found


def _outside(what: str, value: float, unit: str, scale: grids.Scale | Steps) -> str:
    low, high = grids.lowest(scale), grids.highest(scale)
    figures = f"{what} {value:.5g} {unit}".rstrip()
    text = f"{figures} lies outside {low:.5g} to {high:.5g} {unit}".rstrip()
    return text.replace("-", "−")


def _factor(item: Crossover, side: Side, profile: Profile) -> float:
    if item.family != "bessel":
        return 1.0
    return bessel_factor(profile.crossover.bessel_normalisation, item.slope_db_per_octave, side)
