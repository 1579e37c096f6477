"""Advice about outputs that ought to be alike: left and right, and groups that follow gain.

A pair is found by its names (left/right, L/R) or by boxes of one kind that mirror each other about
the centre line. Delays are not compared: rooms and stages are seldom symmetrical to the millimetre.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import combinations
from typing import Final

import numpy as np

from xover.design.advice.survey import Survey, in_db
from xover.design.splits import AUDIBLE_HZ, polarity_to_air
from xover.dsp.biquad import active_sections, cascade_response
from xover.model.names import fold, quoted
from xover.model.preset import Preset
from xover.model.problems import Finding
from xover.model.processing import Crossover, Group, Output
from xover.model.units import plain, show_db, show_hz
from xover.model.words import Family, Stage

SAME_DB: Final = 0.05
WARNED_DB: Final = 1.0
"""Differences from which a pair is warned rather than noted: common practice, no source."""
DEEP_DB: Final = -100.0
"""Nulls count as this deep."""
MIRROR_M: Final = 0.1

_SIDES: Final = {"left": 0, "l": 0, "right": 1, "r": 1}
_WORD = re.compile(r"[^\W\d_]+")
_SUFFIX = re.compile(r"(?<=[a-z0-9])[LR]$")
_FAMILY_WORDS: dict[Family, str] = {
    "butterworth": "Butterworth",
    "linkwitz-riley": "Linkwitz-Riley",
    "bessel": "Bessel",
}


def pairs(preset: Preset) -> tuple[tuple[int, int], ...]:
    """Indices of outputs that are left and right of each other, each output in one pair at most."""
    found: list[tuple[int, int]] = []
    paired: set[int] = set()
    stems = [_stem_and_side(output.name) for output in preset.outputs]

    def by_name(one: int, two: int) -> bool:
        return _opposite(stems[one], stems[two])

    def by_place(one: int, two: int) -> bool:
        return _mirrored(preset, preset.outputs[one], preset.outputs[two])

    for alike in (by_name, by_place):
        for one, two in combinations(range(len(preset.outputs)), 2):
            if one not in paired and two not in paired and alike(one, two):
                found.append((one, two))
                paired |= {one, two}
    return tuple(sorted(found))


def groups_beyond_pairs(preset: Preset, stage: Stage) -> Iterator[tuple[int, Group]]:
    """The groups of several outputs that follow `stage`, but those of a left and a right alone."""
    names = [{preset.outputs[at].name for at in pair} for pair in pairs(preset)]
    for at, group in enumerate(preset.groups):
        if stage in group.follow and len(group.outputs) > 1 and set(group.outputs) not in names:
            yield at, group


def unlike_pairs(survey: Survey) -> Iterator[Finding]:
    """Gain, polarity, crossover filters or EQ that differ between left and right."""
    preset = survey.preset
    for one_at, two_at in pairs(preset):
        one, two = preset.outputs[one_at], preset.outputs[two_at]
        where, names = f"outputs[{two_at}]", f"{quoted(one.name)} and {quoted(two.name)}"
        apart_db = abs(two.gain_db - one.gain_db)
        if apart_db > SAME_DB:
            yield Finding(
                "pair-gain-differs",
                _severity(apart_db),
                f"{where}.gain_db",
                f"the gains of {names} differ by {plain(apart_db, 1)} dB: "
                f"{show_db(one.gain_db)} and {show_db(two.gain_db)}",
            )
        signs = [polarity_to_air(preset, output.name) for output in (one, two)]
        if None not in signs and signs[0] != signs[1]:
            yield Finding(
                "pair-polarity-differs",
                "warning",
                f"{where}.polarity",
                f"of {names} one is inverted, the wiring of sources and boxes counted; "
                "lows cancel in the middle",
            )
        for field, word in (("high_pass", "high-pass"), ("low_pass", "low-pass")):
            first, second = getattr(one, field), getattr(two, field)
            if first != second:
                yield Finding(
                    "pair-filters-differ",
                    "warning",
                    f"{where}.{field}",
                    f"the {word} filters of {names} differ: {_words(first)} and {_words(second)}",
                )
        yield from _unlike_eq(survey, one, two, where, names)


def unlike_gains(survey: Survey) -> Iterator[Finding]:
    """A group that follows gain whose outputs do not have one gain."""
    preset = survey.preset
    for at, group in groups_beyond_pairs(preset, "gain"):
        members = sorted((preset.output(name) for name in group.outputs), key=lambda o: o.gain_db)
        low, high = members[0], members[-1]
        if high.gain_db - low.gain_db > SAME_DB:
            yield Finding(
                "group-gain-differs",
                "note",
                f"groups[{at}].outputs",
                f"the outputs of the group {quoted(group.name)} follow each other's gain and "
                f"stand {plain(high.gain_db - low.gain_db, 1)} dB apart: {quoted(low.name)} at "
                f"{show_db(low.gain_db)}, {quoted(high.name)} at {show_db(high.gain_db)}",
            )


def _unlike_eq(
    survey: Survey, one: Output, two: Output, where: str, names: str
) -> Iterator[Finding]:
    if one.eq == two.eq:
        return
    first, second = (
        np.maximum(
            in_db(np.abs(cascade_response(active_sections(output.eq), survey.axis))), DEEP_DB
        )
        for output in (one, two)
    )
    audible = survey.axis.frequency_hz >= AUDIBLE_HZ[0]
    apart_db = np.where(audible, np.abs(first - second), 0.0)
    at = int(np.argmax(apart_db))
    largest_db = float(apart_db[at])
    if largest_db > SAME_DB:
        yield Finding(
            "pair-eq-differs",
            _severity(largest_db),
            f"{where}.eq",
            f"the EQ of {names} differs by up to {plain(largest_db, 1)} dB, at "
            f"{show_hz(float(survey.axis.frequency_hz[at]))}",
        )


def _severity(apart_db: float) -> str:
    return "warning" if apart_db >= WARNED_DB else "note"


def _words(item: Crossover | None) -> str:
    if item is None:
        return "none"
    family = _FAMILY_WORDS[item.family]
    return f"{family} {item.slope_db_per_octave} dB per octave at {show_hz(item.frequency_hz)}"


def _stem_and_side(name: str) -> tuple[str, int | None]:
    """A name without its side, folded, and that side: 0 left, 1 right, None neither or both."""
    suffix = _SUFFIX.search(name)
    if suffix is not None and not re.search(r"\b[LR]$", name):
        return fold(name[: suffix.start()]), _SIDES[suffix.group().lower()]
    sides = [match for match in _WORD.finditer(name) if match.group().lower() in _SIDES]
    if len(sides) != 1:
        return fold(name), None
    start, end = sides[0].span()
    return fold(name[:start] + "\0" + name[end:]), _SIDES[sides[0].group().lower()]


def _opposite(one: tuple[str, int | None], two: tuple[str, int | None]) -> bool:
    return one[0] == two[0] and {one[1], two[1]} == {0, 1}


def _mirrored(preset: Preset, one: Output, two: Output) -> bool:
    """Whether both feed the same kinds of box at places that mirror each other in x."""
    here = [(s.loudspeaker, s.position_m) for s in preset.sources_of(one.name)]
    there = [(s.loudspeaker, s.position_m) for s in preset.sources_of(two.name)]
    if not here or len(here) != len(there) or any(abs(at[0]) < MIRROR_M for _, at in here):
        return False
    if len({at[0] > 0.0 for _, at in here}) > 1:
        return False
    for box, (x, y, z) in here:
        match = next(
            (
                other
                for other in there
                if other[0] == box
                and all(abs(a - b) <= MIRROR_M for a, b in zip(other[1], (-x, y, z), strict=True))
            ),
            None,
        )
        if match is None:
            return False
        there.remove(match)
    return True
