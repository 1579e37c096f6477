"""Low-pass and high-pass bands that a processor's equaliser has no room for, in its crossovers.

A band of second order with a Q of 1/√2 is a Butterworth filter of 12 dB per octave, with a Q of
1/2 a Linkwitz-Riley filter of 12, two of 1/√2 at one frequency are Linkwitz-Riley of 24, and so on;
where the output's own low-pass or high-pass is free, it can be that, with the same response.
Nothing else moves.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from msgspec.structs import replace

from xover.design.adapting.fitting import SAME, is_available
from xover.dsp.crossover import HIGH_PASS, LOW_PASS, Side, family_poles
from xover.model import grids
from xover.model.places import label
from xover.model.preset import Preset
from xover.model.processing import Crossover, Output
from xover.model.profile import Profile
from xover.model.units import short
from xover.model.words import EQ_NAMES, FAMILY_NAMES, Family

FAMILIES: tuple[Family, ...] = ("butterworth", "linkwitz-riley")
"""The families whose sections all stand at one frequency."""
SAME_HZ = 1e-6


class Slots(NamedTuple):
    """The preset with bands in free crossovers, which ones those are, and what is said of it."""

    preset: Preset
    sides: frozenset[tuple[int, Side]]
    """The output's number and the side of each crossover that was a band."""
    notes: tuple[str, ...]


def moved_to_crossovers(preset: Preset, profile: Profile) -> Slots:
    """The preset with bands that would be lost in crossovers that are free, if they are the same.

    A band moves where the equaliser lacks its kind or has too few bands; it stays in its place,
    bypassed, so that places mean what they meant. A locked crossover takes none.
    """
    outputs = list(preset.outputs)
    sides: set[tuple[int, Side]] = set()
    notes: list[str] = []
    for at in range(len(outputs)):
        for side in (HIGH_PASS, LOW_PASS):
            found = _found(side, outputs[at], profile)
            if found is None:
                continue
            eq = list(outputs[at].eq)
            for number in found.bands:
                eq[number] = replace(eq[number], bypassed=True)
            outputs[at] = replace(outputs[at], eq=tuple(eq), **{side: found.crossover})
            sides.add((at, side))
            notes.append(_note(preset, at, side, found))
    return Slots(replace(preset, outputs=tuple(outputs)), frozenset(sides), tuple(notes))


class _Found(NamedTuple):
    """A crossover of the device, and the numbers of the bands that it is."""

    crossover: Crossover
    bands: tuple[int, ...]


def _found(side: Side, item: Output, profile: Profile) -> _Found | None:
    """What this side of an output takes, as many bands as can be; None where none has to go."""
    if getattr(item, side) is not None or side in item.locked:
        return None
    active = [number for number, section in enumerate(item.eq) if not section.bypassed]
    fits = [number for number in active if item.eq[number].kind == side]
    lacking = [number for number in fits if not is_available(item.eq[number], profile.eq)]
    wanted = lacking or (fits if len(active) > profile.eq.bands_per_output else [])
    filters = [
        (family, slope, qs)
        for family in FAMILIES
        for slope in profile.crossover.families.get(family, ())
        if (qs := _section_qs(family, slope))
    ]
    for family, slope, qs in sorted(filters, key=lambda each: -len(each[2])):
        for first in wanted:
            hz = item.eq[first].frequency_hz
            beside = [n for n in wanted if abs(item.eq[n].frequency_hz / hz - 1.0) < SAME_HZ]
            bands = _matched([(n, item.eq[n].q_or_one) for n in beside], qs)
            if bands and grids.reaches(profile.crossover.frequency_hz, hz):
                crossover = Crossover(family=family, slope_db_per_octave=slope, frequency_hz=hz)
                return _Found(crossover, bands)
    return None


def _section_qs(family: Family, slope_db_per_octave: int) -> tuple[float, ...]:
    """The Qs of a filter's sections of second order, rising; none where one of first is left over.

    Two real poles are a section of Q 1/2.
    """
    poles, times = family_poles(family, slope_db_per_octave)
    real = times * sum(q is None for _, q in poles)
    if real % 2:
        return ()
    return tuple(sorted([0.5] * (real // 2) + [q for _, q in poles if q is not None] * times))


def _matched(bands: Sequence[tuple[int, float]], qs: Sequence[float]) -> tuple[int, ...]:
    """The numbers of bands that have just these Qs, the rest left aside; none where they do not.

    Where Qs lie this near, |ln(H′/H)| is at most the sum of their |ln(Q′/Q)| at every frequency.
    """
    left, found = list(bands), []
    for q in qs:
        near = [one for one in left if abs(math.log(one[1] / q)) < SAME / len(qs)]
        if not near:
            return ()
        left.remove(near[0])
        found.append(near[0][0])
    return tuple(sorted(found))


def _note(preset: Preset, at: int, side: Side, found: _Found) -> str:
    output, kind = preset.outputs[at], EQ_NAMES[side]
    qs = " and ".join(short(output.eq[number].q_or_one, 3) for number in found.bands)
    names = " and ".join(label(preset, f"outputs[{at}].eq[{number}]") for number in found.bands)
    what = f"a {kind} of Q {qs}, is" if len(found.bands) == 1 else f"{kind}es of Q {qs}, are"
    crossover = found.crossover
    return (
        f"{names}, {what} entered as the {kind} of {output.name}, "
        f"{FAMILY_NAMES[crossover.family]} of {crossover.slope_db_per_octave} dB per octave: the "
        "same filter"
    )
