"""The shape of one output on a device: crossovers and bands chosen together, errors measured.

Takes the sections meant and gives typed figures, what they amount to, and what cannot be. Knows
neither routing nor gains; those are `adapting.adaptation`'s.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from msgspec.structs import replace

from xover.design.adapting.bands import (
    Behaviour,
    Typed,
    TypedCrossover,
    band_response,
    below_top,
    can_run,
    crossover_neighbours,
    has_crossover,
    held,
    held_crossover,
    is_exact,
    possible,
    typed_crossover,
    typed_of,
    within,
)
from xover.design.adapting.fitting import Kept, Loss, reduce, replace_missing, told_once
from xover.design.adapting.result import Cannot
from xover.design.adapting.rounding import choose, log_errors, rms, rms_db
from xover.dsp.axis import Axis, ComplexArray
from xover.dsp.crossover import Side
from xover.dsp.response import crossover_response
from xover.model import grids
from xover.model.processing import Crossover, EqSection
from xover.model.units import show_hz
from xover.model.words import FAMILY_NAMES, FAMILY_SLOPES, Stage

POINTS_PER_OCTAVE = 48
BAND_DB = -10.0
"""Errors count where the output's filters are within this of their highest level."""
FILTERING = ("low_pass", "high_pass", "band_pass")
SIDES: tuple[Side, ...] = ("high_pass", "low_pass")
_DB = 20.0 / np.log(10.0)


@dataclass
class Shape:
    """What was chosen: typed figures by place, what they amount to, and the errors."""

    crossovers: dict[Side, tuple[TypedCrossover, Crossover]] = field(default_factory=dict)
    bands: list[tuple[Kept, Typed, EqSection]] = field(default_factory=list)
    cannot: list[Cannot] = field(default_factory=list)
    error: ComplexArray = field(default_factory=lambda: np.zeros(0, dtype=np.complex128))
    naive: ComplexArray = field(default_factory=lambda: np.zeros(0, dtype=np.complex128))

    @property
    def rms(self) -> float:
        """Rms of |ln(H′/H)|."""
        return rms(self.error)

    @property
    def naive_rms(self) -> float:
        """The same with every value rounded on its own."""
        return rms(self.naive)

    def rms_db(self, gain_error_db: float) -> float:
        """Rms error of level in dB, an error of gain included."""
        return rms_db(self.error + gain_error_db / _DB)

    def largest_db(self, gain_error_db: float) -> float:
        """The largest error of level in dB, an error of gain included."""
        if not self.error.size:
            return abs(gain_error_db)
        return float(np.max(np.abs(_DB * self.error.real + gain_error_db)))

    @property
    def largest_deg(self) -> float:
        """The largest error of phase in degrees, delay left out."""
        return float(np.max(np.abs(np.rad2deg(self.error.imag)))) if self.error.size else 0.0


def largest_db(error: ComplexArray) -> float:
    """The largest error of level of ln(H′/H), in dB."""
    return float(np.max(np.abs(_DB * error.real))) if error.size else 0.0


def band_of(
    crossovers: Mapping[Side, Crossover], eq: Sequence[EqSection], rate_hz: float, top_hz: float
) -> Axis:
    """The frequencies that count: 20 Hz to 20 kHz where the output's filters pass, 48 an octave.

    Boosts and cuts do not move the band, so that one high peak does not hide all the rest.
    """
    axis = Axis.log(POINTS_PER_OCTAVE, sample_rate_hz=rate_hz, high_hz=min(20_000.0, top_hz))
    level = np.ones(len(axis))
    for side, item in crossovers.items():
        level = level * np.abs(crossover_response(item, side, axis))
    for section in eq:
        if section.kind in FILTERING and not section.bypassed:
            level = level * np.abs(band_response(section, axis))
    keep = level >= level.max() * 10.0 ** (BAND_DB / 20.0)
    return Axis(axis.frequency_hz[keep], rate_hz)


def shape_of(
    where: str,
    crossovers: Mapping[Side, Crossover],
    eq: Sequence[EqSection],
    *,
    behaviour: Behaviour,
    rate_hz: float,
    bands_max: int,
    locked: Sequence[Stage] = (),
    given: Mapping[int, Typed] | None = None,
) -> Shape:
    """Choose the typed figures of one output's filters.

    `eq` are the sections in force with their places in the preset as keys of `where`; `given`
    holds figures that another output of a group has settled already. Bypassed sections are not
    entered.
    """
    active = [Kept(item, (at,)) for at, item in enumerate(eq) if not item.bypassed]
    top_hz = 0.49 * min(rate_hz, behaviour.filters_hz)
    axis = band_of(crossovers, eq, rate_hz, top_hz)
    device = behaviour.axis(axis)
    shape = Shape()
    fixed: ComplexArray = np.zeros(len(axis), dtype=np.complex128)
    kept, losses = replace_missing(active, behaviour, axis)
    kept, more = reduce(kept, bands_max, behaviour, axis)
    for loss in told_once(losses, more):
        fixed = fixed + loss.error
        shape.cannot += _losses(where, loss)
    parts: list[ComplexArray] = []
    options: list[list[Typed]] = []
    entered: list[Kept] = []
    for band in kept:
        exact = typed_of(below_top(band.item, behaviour), behaviour)
        choices = possible(exact, behaviour)
        meant = band_response(band.item, axis)
        if not choices:
            error = -log_errors(np.ones_like(meant), meant[None, :])[0]
            fixed = fixed + error
            why = "none of the processor's values around this band makes a filter; it is left out"
            shape.cannot += _losses(where, Loss(band.origins, why, error))
            continue
        settled = given.get(band.origins[0]) if given else None
        if settled is not None:
            choices = [(settled, held(settled, behaviour))]
        elif "eq" in locked:
            choices = choices[:1]
        parts.append(
            log_errors(meant, np.array([band_response(section, device) for _, section in choices]))
        )
        entered.append(band)
        options.append([typed for typed, _ in choices])
        _judge_band(where, band, exact, choices[0][0], parts[-1][0], shape, behaviour, locked)
    sides: list[tuple[Side, list[TypedCrossover]]] = []
    for side in SIDES:
        item = crossovers.get(side)
        if item is None:
            continue
        choices_here = _crossover_options(item, side, axis, device, behaviour, locked)
        if not choices_here:
            meant = crossover_response(item, side, axis)
            error = -log_errors(np.ones_like(meant), meant[None, :])[0]
            fixed = fixed + error
            shape.cannot.append(
                Cannot(
                    f"{where}.{side}",
                    "the processor has no crossover filters that it could be; it is left out",
                    largest_db(error),
                )
            )
            continue
        meant = crossover_response(item, side, axis)
        profile = behaviour.profile
        parts.append(
            log_errors(
                meant,
                np.array([
                    crossover_response(held_crossover(one, side, profile), side, device)
                    for one in choices_here
                ]),
            )
        )  # fmt: skip
        sides.append((side, choices_here))
        _judge_crossover(where, item, side, choices_here[0], parts[-1][0], shape, behaviour, locked)
    chosen = choose(parts, fixed=fixed)
    shape.error, shape.naive = fixed.copy(), fixed.copy()
    for part, at in zip(parts, chosen, strict=True):
        shape.error = shape.error + part[at]
        shape.naive = shape.naive + part[0]
    for band, typed_here, at in zip(entered, options, chosen, strict=False):
        shape.bands.append((band, typed_here[at], held(typed_here[at], behaviour)))
    for (side, choices_here), at in zip(sides, chosen[len(entered) :], strict=True):
        typed = choices_here[at]
        shape.crossovers[side] = (typed, held_crossover(typed, side, behaviour.profile))
    return shape


def _losses(where: str, loss: Loss) -> list[Cannot]:
    cost = largest_db(loss.error)
    return [Cannot(f"{where}.eq[{origin}]", loss.why, cost) for origin in loss.origins]


def _judge_band(
    where: str,
    band: Kept,
    exact: Typed,
    nearest: Typed,
    error: ComplexArray,
    shape: Shape,
    behaviour: Behaviour,
    locked: Sequence[Stage],
) -> None:
    """Note what no rounding can mend: figures out of range, locked figures not on the grid."""
    place = f"{where}.eq[{band.origins[0]}]"
    outside = within(exact, behaviour.eq)
    if band.item.frequency_hz >= behaviour.top_hz:
        outside.insert(0, _above(band.item.frequency_hz, behaviour))
    if outside and band.is_as_meant:
        shape.cannot.append(
            Cannot(place, f"{'; '.join(outside)}; the nearest is entered", largest_db(error))
        )
    if "eq" in locked and not outside and not is_exact(exact, nearest, behaviour.eq):
        shape.cannot.append(
            Cannot(
                place,
                "locked, but the processor's steps do not hold it; the nearest is entered",
                largest_db(error),
            )
        )


def _crossover_options(
    item: Crossover,
    side: Side,
    axis: Axis,
    device: Axis,
    behaviour: Behaviour,
    locked: Sequence[Stage],
) -> list[TypedCrossover]:
    """The typed crossovers to choose from; of another family or slope where there is no such."""
    profile = behaviour.profile
    if has_crossover(item, profile):
        within_hz = min(item.frequency_hz, 0.999 * behaviour.top_hz)
        exact = typed_crossover(replace(item, frequency_hz=within_hz), side, profile)
        return crossover_neighbours(exact, side, behaviour)[: 1 if side in locked else None]
    meant = crossover_response(item, side, axis)
    found: list[tuple[float, TypedCrossover]] = []
    grid = profile.crossover.frequency_hz
    for family in FAMILY_SLOPES:
        for slope in profile.crossover.families.get(family, ()):
            at = grids.nearest_index(grid, item.frequency_hz, logarithmic=True)
            reach = _steps_of_an_octave(grid, at)
            for k in range(max(0, at - reach), min(grids.count(grid) - 1, at + reach) + 1):
                typed = TypedCrossover(family, slope, grids.value(grid, k))
                if not can_run(typed, side, behaviour):
                    continue
                other = crossover_response(held_crossover(typed, side, profile), side, device)
                found.append((rms(log_errors(meant, other[None, :])[0]), typed))
    found.sort(key=lambda each: each[0])
    return [typed for _, typed in found[:4]]


def _above(frequency_hz: float, behaviour: Behaviour) -> str:
    rate = show_hz(behaviour.limit_rate_hz)
    return f"{frequency_hz:.5g} Hz lies above what filters at {rate} can do"


def _steps_of_an_octave(grid: grids.Scale, at: int) -> int:
    """How many steps make half an octave around one value, 40 at most."""
    here, last = grids.value(grid, at), grids.count(grid) - 1
    steps = 0
    while steps < 40 and at + steps < last and grids.value(grid, at + steps) < here * 1.42:
        steps += 1
    return max(steps, 1)


def _judge_crossover(
    where: str,
    item: Crossover,
    side: Side,
    nearest: TypedCrossover,
    error: ComplexArray,
    shape: Shape,
    behaviour: Behaviour,
    locked: Sequence[Stage],
) -> None:
    place, profile = f"{where}.{side}", behaviour.profile
    if not has_crossover(item, profile):
        shape.cannot.append(
            Cannot(
                place,
                f"the processor has no {FAMILY_NAMES[item.family]} filter of "
                f"{item.slope_db_per_octave} dB per octave; {FAMILY_NAMES[nearest.family]} of "
                f"{nearest.slope_db_per_octave} stands for it",
                largest_db(error),
            )
        )
        return
    exact = typed_crossover(item, side, profile)
    grid = profile.crossover.frequency_hz
    if item.frequency_hz >= behaviour.top_hz:
        why = f"{_above(item.frequency_hz, behaviour)}; the nearest is entered"
        shape.cannot.append(Cannot(place, why, largest_db(error)))
    elif not grids.reaches(grid, exact.frequency_hz):
        why = (
            f"{exact.frequency_hz:.5g} Hz lies outside {grids.lowest(grid):.5g} to "
            f"{grids.highest(grid):.5g} Hz; the nearest is entered"
        )
        shape.cannot.append(Cannot(place, why, largest_db(error)))
    elif side in locked and not grids.holds(grid, exact.frequency_hz, tolerance=1e-6):
        why = "locked, but the processor's steps do not hold it; the nearest is entered"
        shape.cannot.append(Cannot(place, why, largest_db(error)))
