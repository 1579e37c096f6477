"""Low-pass and high-pass bands that a processor's equaliser has no room for, in its crossovers.

A band of second order with a Q of 1/√2 is a Butterworth filter of 12 dB per octave, with a Q of
1/2 a Linkwitz-Riley filter of 12; where the output's own low-pass or high-pass is free, it can be
that, with the same response. Nothing else moves.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from msgspec.structs import replace

from xover.design.adapting.bands import has_crossover
from xover.design.adapting.fitting import SAME, is_available
from xover.dsp.conventions import BUTTERWORTH_Q
from xover.dsp.crossover import HIGH_PASS, LOW_PASS, Side
from xover.model import grids
from xover.model.places import label
from xover.model.preset import Preset
from xover.model.processing import Crossover, EqSection, Output
from xover.model.profile import Profile
from xover.model.units import short
from xover.model.words import EQ_NAMES, FAMILY_NAMES, Family

LINKWITZ_RILEY_Q = 0.5
FAMILIES: tuple[tuple[Family, float], ...] = (
    ("butterworth", BUTTERWORTH_Q),
    ("linkwitz-riley", LINKWITZ_RILEY_Q),
)


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
    for at, item in enumerate(preset.outputs):
        for side in (HIGH_PASS, LOW_PASS):
            number = _band_for(side, outputs[at], profile)
            if number is None:
                continue
            band = outputs[at].eq[number]
            crossover = _as_crossover(band, profile)
            assert crossover is not None
            eq = list(outputs[at].eq)
            eq[number] = replace(band, bypassed=True)
            outputs[at] = replace(outputs[at], eq=tuple(eq), **{side: crossover})
            sides.add((at, side))
            notes.append(
                f"{label(preset, f'outputs[{at}].eq[{number}]')}, a {EQ_NAMES[band.kind]} of Q "
                f"{short(band.q_or_one, 3)}, is entered as the {EQ_NAMES[side]} of {item.name}, "
                f"{FAMILY_NAMES[crossover.family]} of 12 dB per octave: the same filter"
            )
    return Slots(replace(preset, outputs=tuple(outputs)), frozenset(sides), tuple(notes))


def _band_for(side: Side, item: Output, profile: Profile) -> int | None:
    """The number of the band that this side of an output takes, None where none has to go."""
    if getattr(item, side) is not None or side in item.locked:
        return None
    active = [section for section in item.eq if not section.bypassed]
    fits = [
        number
        for number, section in enumerate(item.eq)
        if section.kind == side
        and not section.bypassed
        and _as_crossover(section, profile) is not None
    ]
    lacking = [number for number in fits if not is_available(item.eq[number], profile.eq)]
    excess = len(active) > profile.eq.bands_per_output
    return next(iter(lacking or (fits if excess else ())), None)


def _as_crossover(section: EqSection, profile: Profile) -> Crossover | None:
    """The crossover of the device with the response of this section, None where it has none.

    Where Q lies this near, |ln(H′/H)| is at most |ln(Q′/Q)| at every frequency.
    """
    if section.effective_order != 2:
        return None
    for family, q in FAMILIES:
        item = Crossover(family=family, slope_db_per_octave=12, frequency_hz=section.frequency_hz)
        is_same = abs(math.log(section.q_or_one / q)) < SAME
        if is_same and has_crossover(item, profile):
            reaches = grids.reaches(profile.crossover.frequency_hz, section.frequency_hz)
            return item if reaches else None
    return None
