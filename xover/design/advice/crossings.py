"""Advice about where neighbouring outputs hand over: corners, polarity, missing all-passes.

The sums are those of the filters alone; boxes and delays are for an alignment to judge, and its
verdict on measurements goes before this one.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from xover.acoustics.measured import is_summable
from xover.design.advice.survey import Survey, in_db, octaves, with_frequencies
from xover.design.array_preset import is_array_rear
from xover.design.splits import (
    THIRD_OCTAVE,
    Split,
    chains,
    filters_of,
    needs_inversion,
    polarity_to_air,
    split_all_pass,
    split_sum,
)
from xover.dsp.axis import Axis, FloatArray
from xover.model.names import quoted
from xover.model.preset import Preset
from xover.model.problems import Finding
from xover.model.processing import EqSection, Output
from xover.model.units import plain, short, show_db, show_hz

WARNED_FROM_DB: Final = 3.0
"""Error of a sum from which corners apart are warned, not noted: common practice, no source."""
NULL_FLOOR_DB: Final = -40.0
"""A null is told no deeper than this."""
DIP_SHOWN_DB: Final = 0.1
DIP_WARNED_DB: Final = 1.0
"""Costs of a missing all-pass from which it is worth a note or a warning."""
SAME_FREQUENCY: Final = 0.05
SAME_Q: Final = 0.1
"""How far, relatively, an all-pass may be from the ideal one and still count as it."""


def corners(survey: Survey) -> Iterator[Finding]:
    """A gap or an overlap between neighbouring outputs."""
    for split in survey.splits:
        if split.meets:
            continue
        axis = with_frequencies(
            survey.axis, (split.low_pass.frequency_hz, split.high_pass.frequency_hz)
        )
        # At the better polarity: which one is set is another rule's business.
        error_db, error_hz = min(
            (_largest_error(split, axis, inverted=turn) for turn in (False, True)),
            key=lambda error: abs(error[0]),
        )
        gap = split.ratio > 1.0
        apart = abs(octaves(split.low_pass.frequency_hz, split.high_pass.frequency_hz))
        yield Finding(
            "crossover-gap" if gap else "crossover-overlap",
            "warning" if abs(error_db) >= WARNED_FROM_DB else "note",
            f"{survey.places[split.lower.name]}.low_pass.frequency_hz",
            f"the low-pass of {quoted(split.lower.name)} at "
            f"{show_hz(split.low_pass.frequency_hz)} and the high-pass of "
            f"{quoted(split.upper.name)} at {show_hz(split.high_pass.frequency_hz)} "
            f"{'leave a gap' if gap else 'overlap'} of {plain(apart, 1)} octaves: their "
            f"electrical sum is off by up to {show_db(error_db)}, at {show_hz(error_hz)}, even "
            "in the better polarity; keep it only if "
            "the boxes call for it",
        )


def polarity(survey: Survey) -> Iterator[Finding]:
    """A Linkwitz-Riley pair whose polarities make a null at the crossover."""
    preset = survey.preset
    for split in survey.splits:
        slope = split.linkwitz_riley_slope
        signs = [polarity_to_air(preset, one.name) for one in (split.lower, split.upper)]
        if slope is None or not split.meets or None in signs:
            continue
        if is_array_rear(preset, split.lower.name):
            continue
        turned = [_is_turned_below(one, split.centre_hz) for one in (split.lower, split.upper)]
        inverted = (signs[0] != signs[1]) != (turned[0] != turned[1])
        if inverted == needs_inversion(slope):
            continue
        axis = with_frequencies(
            survey.axis,
            (split.low_pass.frequency_hz, split.high_pass.frequency_hz, split.centre_hz),
        )
        total_db = in_db(np.abs(split_sum(split, axis, inverted=inverted)))
        at = int(np.argmin(np.where(_around(axis, split.centre_hz, 1.0), total_db, np.inf)))
        depth_db = float(total_db[at])
        depth = (
            f"more than {plain(-NULL_FLOOR_DB, 0)} dB deep"
            if depth_db < NULL_FLOOR_DB
            else f"of {show_db(depth_db)}"
        )
        listeners = _measured_together(preset, split)
        yield Finding(
            "linkwitz-riley-null",
            "note" if listeners else "error" if needs_inversion(slope) else "warning",
            f"{survey.places[_to_turn(split, inverted).name]}.polarity",
            f"{quoted(split.lower.name)} and {quoted(split.upper.name)} cross with "
            f"Linkwitz-Riley filters of {slope} dB per octave, which "
            f"{'need exactly one side' if needs_inversion(slope) else 'sum with neither side'} "
            f"inverted, {_polarity_words(inverted, any(turned))}: their electrical sum has "
            f"a null {depth} at {show_hz(float(axis.frequency_hz[at]))}"
            + (
                f"; leave it if an alignment on the captures at {quoted(listeners[0])} set it so"
                if listeners
                else "; invert one of them, or align them on measurements"
            ),
        )


def missing_all_pass(survey: Survey) -> Iterator[Finding]:
    """Three and more Linkwitz-Riley ways, the outer ones without the other split's all-pass."""
    for chain in chains(survey.preset):
        if any(split.linkwitz_riley_slope is None for split in chain):
            continue
        branches = _branches(chain)
        lacking = [branch for branch in branches if branch.lacks]
        if not lacking:
            continue
        centres_hz = [split.centre_hz for split in chain]
        between_hz = [math.sqrt(low * high) for low, high in pairwise(centres_hz)]
        axis = with_frequencies(survey.axis, centres_hz + between_hz)
        inside = (axis.frequency_hz >= chain[0].centre_hz / 4.0) & (
            axis.frequency_hz <= chain[-1].centre_hz * 4.0
        )
        now_db, then_db = (
            np.where(inside, _chain_sum_db(branches, axis, complete=complete), np.inf)
            for complete in (False, True)
        )
        at = int(np.argmin(now_db))
        dip_db, left_db = float(now_db[at]), float(np.min(then_db))
        if left_db - dip_db < DIP_SHOWN_DB:
            continue
        names = [quoted(branch.output.name) for branch in branches]
        turns = [quoted(one.output.name) for one in lacking if one.sign != one.full_sign]
        yield Finding(
            "missing-all-pass",
            "warning" if left_db - dip_db >= DIP_WARNED_DB else "note",
            f"{survey.places[lacking[0].output.name]}.eq",
            f"{', '.join(names[:-1])} and {names[-1]} cross with Linkwitz-Riley filters at "
            f"{' and '.join(show_hz(split.centre_hz) for split in chain)}, and "
            f"{'; '.join(_lack_words(branch) for branch in lacking)}: the electrical sum falls to "
            f"{show_db(dip_db, 2)} at {show_hz(float(axis.frequency_hz[at]))}, with "
            f"{'it' if len(lacking) == 1 else 'them'} to {show_db(left_db, 2)}"
            + (f" once the polarity of {' and '.join(turns)} is turned as well" if turns else ""),
        )


class _Branch(Struct, frozen=True):
    """One way of a chain: its filters inside the chain, and the other splits' all-passes."""

    output: Output
    high_pass: bool
    low_pass: bool
    has: tuple[EqSection, ...]
    """Sections of its own that serve as all-passes of other splits."""
    lacks: tuple[EqSection, ...]
    sign: float
    """The polarity at which the ways sum as they are now."""
    full_sign: float
    """The same with every all-pass in place."""


def _branches(chain: Sequence[Split]) -> list[_Branch]:
    """The ways of a chain, low to high.

    With A_j = L_j + σ_j·H_j the all-pass of split j (σ = −1 for orders 4k + 2), the product of all
    A_j is the flat sum; way k is its term H_{k−1}·L_k times the A_j of every other split, up to
    what is 24 dB and more down (S. P. Lipshitz and J. Vanderkooy, JAES 34(11), 1986).
    """
    outputs = [chain[0].lower, *(split.upper for split in chain)]
    found = []
    for at, output in enumerate(outputs):
        sign = full_sign = 1.0
        unused = [one for one in output.eq if one.kind == "all_pass" and not one.bypassed]
        has: list[EqSection] = []
        lacks: list[EqSection] = []
        for position, split in enumerate(chain):
            turn = -1.0 if needs_inversion(split.low_pass.slope_db_per_octave) else 1.0
            if position == at - 1:
                sign, full_sign = sign * turn, full_sign * turn
            if position in (at - 1, at):
                continue
            wanted = split_all_pass(split.low_pass)
            there = _matching(wanted, unused)
            missing = [one for one in wanted if not _matching([one], there)]
            has += there
            lacks += missing
            if position < at and any(one.effective_order == 1 for one in missing):
                # Far above its corner that section is worth −1: without it the way is turned.
                sign = -sign
        found.append(
            _Branch(output, at > 0, at < len(chain), tuple(has), tuple(lacks), sign, full_sign)
        )
    return found


def _matching(wanted: Sequence[EqSection], present: Sequence[EqSection]) -> list[EqSection]:
    """Those of `present` that are one of `wanted`, each wanted one at most once."""
    found: list[EqSection] = []
    for ideal in wanted:
        for one in present:
            if one in found or one.effective_order != ideal.effective_order:
                continue
            if abs(one.frequency_hz / ideal.frequency_hz - 1.0) > SAME_FREQUENCY:
                continue
            if abs(one.q_or_one / ideal.q_or_one - 1.0) <= SAME_Q:
                found.append(one)
                break
    return found


def _chain_sum_db(branches: Sequence[_Branch], axis: Axis, *, complete: bool) -> FloatArray:
    """The sum of the ways' filters in dB, (n,): as they are, or with every all-pass."""
    total = np.zeros(len(axis), dtype=np.complex128)
    for branch in branches:
        response = filters_of(
            branch.output,
            axis,
            high_pass=branch.high_pass,
            low_pass=branch.low_pass,
            eq=branch.has + branch.lacks if complete else branch.has,
        )
        total += response * (branch.full_sign if complete else branch.sign)
    return in_db(np.abs(total))


def _lack_words(branch: _Branch) -> str:
    sections = [
        f"{show_hz(one.frequency_hz)} order {one.effective_order}"
        + (f" Q {short(one.q_or_one)}" if one.effective_order == 2 else "")
        for one in branch.lacks
    ]
    return f"{quoted(branch.output.name)} lacks the all-pass {' and '.join(sections)}"


def _around(axis: Axis, centre_hz: float, within_octaves: float) -> NDArray[np.bool_]:
    return np.asarray(np.abs(np.log2(axis.frequency_hz / centre_hz)) <= within_octaves)


def _largest_error(split: Split, axis: Axis, *, inverted: bool) -> tuple[float, float]:
    """The furthest that the sum of a split gets from 0 dB, in dB, and at how many Hz."""
    total_db = in_db(np.abs(split_sum(split, axis, inverted=inverted)))
    at = int(np.argmax(np.abs(total_db)))
    return float(total_db[at]), float(axis.frequency_hz[at])


def _polarity_words(inverted: bool, turned: bool) -> str:
    counted = "the wiring of sources and boxes" + (" and all-passes further down" if turned else "")
    return f"but {'one is' if inverted else 'both are alike'} ({counted} counted)"


def _is_turned_below(output: Output, centre_hz: float) -> bool:
    """Whether first-order all-passes below a split invert the output there.

    Such a section is worth −1 far above its frequency.
    """
    below = [
        one
        for one in output.eq
        if one.kind == "all_pass"
        and one.effective_order == 1
        and not one.bypassed
        and one.frequency_hz * THIRD_OCTAVE < centre_hz
    ]
    return len(below) % 2 == 1


def _to_turn(split: Split, inverted: bool) -> Output:
    """Whose polarity to look at: the inverted one of two that differ, else the lower."""
    if inverted and split.upper.polarity == "inverted":
        return split.upper
    return split.lower


def _measured_together(preset: Preset, split: Split) -> list[str]:
    """Listeners at which both sides were captured with known settings."""
    return [
        place.name
        for place in preset.listeners
        if all(
            is_summable(preset.measurement(one.name, place.name))
            for one in (split.lower, split.upper)
        )
    ]
