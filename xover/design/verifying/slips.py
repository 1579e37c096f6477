"""The slips an engineer makes at the rack, as changes of what was meant.

Each slip names its place, what was meant and what it looks like, in a sentence. Slips with a
story (a digit exchanged, a sign, another convention) come free; any other value of a single
field costs the freedom of having been fitted. Judges nothing.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
from msgspec import UNSET, Struct
from msgspec.structs import replace

from xover.design.adapting.bands import SHELVES, behaviour_of, typed_of
from xover.design.adapting.figures import rates_of
from xover.design.verifying.parts import Part, item_logs
from xover.design.verifying.values import (
    finer_frequencies,
    finer_gains,
    finer_qs,
    free_frequencies,
    free_gains,
    free_qs,
)
from xover.dsp.axis import Axis, ComplexArray
from xover.dsp.conventions import BUTTERWORTH_Q, convention_factor, octaves_from_q, q_from_octaves
from xover.dsp.crossover import Side
from xover.model.processing import Crossover, EqSection
from xover.model.profile import Profile, WidthConvention
from xover.model.units import short, show_db, show_hz
from xover.model.words import EQ_SHAPES, FAMILY_NAMES, FAMILY_SLOPES

FREE_COST = 9.0
"""What a fitted value costs in χ²; a slip with a story costs `STORY_COST`."""
STORY_COST = 0.0
CONVENTIONS: tuple[WidthConvention, ...] = (
    "minus-3-db", "from-flat-3-db", "denominator", "constant-q",
)  # fmt: skip
Items = Sequence[tuple[EqSection | Crossover, Side | None]]


class Slip(Struct, frozen=True):
    """One slip: the field, what was meant there and what it looks like, and what is said."""

    where: str
    meant: float | str
    looks_like: float | str
    sentence: str


class Change(Struct, frozen=True, eq=False):
    """A way the device may differ: slips, the parts concerned, and δ = ln(H′/H) on the axis.

    `wrong` is how many fields have to be wrong for it: of the settings of another output more than
    the one place they are told at.
    """

    slips: tuple[Slip, ...]
    parts: frozenset[int]
    cost: float
    delta: ComplexArray
    wrong: int = 1

    @property
    def places(self) -> frozenset[str]:
        """The fields concerned."""
        return frozenset(slip.where for slip in self.slips)


class Candidate(Struct, frozen=True):
    """A change before its response is known: `items` replace the parts of the same numbers."""

    slips: tuple[Slip, ...]
    parts: tuple[int, ...]
    items: tuple[EqSection | Crossover | None, ...]
    cost: float


def candidates(
    parts: Sequence[Part], names: Sequence[str], rate_hz: float, profile: Profile | None
) -> list[Candidate]:
    """Every single slip and every single free value; `names` are the parts' names for people."""
    found: list[Candidate] = []
    for at, part in enumerate(parts):
        if isinstance(part.item, EqSection):
            found += _band(at, part, part.item, names[at], rate_hz, profile)
        else:
            found += _crossover(at, part, part.item, names[at], rate_hz, profile)
    found += _exchanges(parts, names)
    return found


def finer(
    coarse: Change, parts: Sequence[Part], names: Sequence[str], rate_hz: float,
    profile: Profile | None,
) -> list[Candidate]:  # fmt: skip
    """The freely fitted values around one that was tried, which stand closer than those tried.

    With a profile every value of the device between the neighbours tried, without one round
    figures and small steps. Nothing where `coarse` is no freely fitted value of one field.
    """
    if coarse.cost != FREE_COST or len(coarse.slips) != 1 or len(coarse.parts) != 1:
        return []
    (at,), (slip,) = coarse.parts, coarse.slips
    part, field, tried = parts[at], slip.where.rpartition(".")[2], slip.looks_like
    assert isinstance(tried, float)
    values: Sequence[float] = ()
    if field == "frequency_hz":
        values = finer_frequencies(tried, rate_hz, profile)
    elif field == "gain_db":
        values = finer_gains(tried, profile)
    elif field == "q" and isinstance(part.item, EqSection):
        values = finer_qs(part.item, tried, rate_hz, profile)
    return [
        _free(at, part, names[at], field, one, rate_hz, profile)
        for one in values
        if abs(one - tried) > 1e-9 and one != getattr(part.item, field)
    ]


def changes_of(found: Sequence[Candidate], parts: Sequence[Part], axis: Axis) -> list[Change]:
    """The candidates with their δ; what changes nothing to speak of is left out."""
    items = [
        (item, parts[at].side)
        for one in found
        for at, item in zip(one.parts, one.items, strict=True)
        if item is not None
    ]
    logs = iter(item_logs(items, axis))
    result: list[Change] = []
    for one in found:
        delta = np.zeros(len(axis), dtype=np.complex128)
        for at, item in zip(one.parts, one.items, strict=True):
            delta -= parts[at].log
            if item is not None:
                delta += next(logs)
        if np.max(np.abs(delta)) > 1e-6:
            wrong = len(one.slips)
            result.append(Change(one.slips, frozenset(one.parts), one.cost, delta, wrong))
    return result


def _band(
    at: int, part: Part, item: EqSection, name: str, rate_hz: float, profile: Profile | None
) -> Iterator[Candidate]:
    shape = EQ_SHAPES[item.kind]

    def one(
        other: EqSection | None, field: str, meant: float | str, seen: float | str, words: str
    ) -> Candidate:
        slip = Slip(f"{part.where}.{field}", meant, seen, f"{name}{words}")
        return Candidate((slip,), (at,), (other,), STORY_COST)

    yield one(None, "bypassed", "in", "out", ": looks bypassed or missing")
    for hz, how in _other_frequencies(item.frequency_hz, rate_hz):
        words = f" frequency: meant {show_hz(item.frequency_hz)}, looks like {show_hz(hz)}{how}"
        yield one(replace(item, frequency_hz=hz), "frequency_hz", item.frequency_hz, hz, words)
    if shape.has_gain and item.gain_or_zero_db:
        gain_db = -item.gain_or_zero_db
        words = f" gain: meant {show_db(item.gain_or_zero_db)}, looks like {show_db(gain_db)}"
        yield one(replace(item, gain_db=gain_db), "gain_db", item.gain_or_zero_db, gain_db, words)
    if _has_both_orders(item, profile):
        own, seen = item.effective_order, 3 - item.effective_order
        turned = replace(item, order=seen, q=UNSET if seen == 1 else BUTTERWORTH_Q)
        words = f" order: meant {own}, looks like {seen}"
        yield one(turned, "order", float(own), float(seen), words)
    if item.q is not UNSET:
        for q, how in _other_widths(item):
            words = f"{width_words(item, q, rate_hz, profile)}, {how}"
            yield one(replace(item, q=q), "q", item.q_or_one, q, words)
    free = {"frequency_hz": free_frequencies(item.frequency_hz, rate_hz, profile)}
    if shape.has_gain:
        free["gain_db"] = free_gains(profile)
    if item.q is not UNSET:
        free["q"] = free_qs(item, rate_hz, profile)
    for field, values in free.items():
        for value in values:
            yield _free(at, part, name, field, value, rate_hz, profile)


def _free(
    at: int, part: Part, name: str, field: str, value: float, rate_hz: float,
    profile: Profile | None,
) -> Candidate:  # fmt: skip
    """A value of one field without a story, as it was fitted."""
    item = part.item
    other = replace(item, **{field: value})
    meant = item.frequency_hz
    words = f" frequency: meant {show_hz(item.frequency_hz)}, looks like {show_hz(value)}"
    if isinstance(item, EqSection) and field == "gain_db":
        meant = item.gain_or_zero_db
        words = f" gain: meant {show_db(meant)}, looks like {show_db(value)}"
    elif isinstance(item, EqSection) and field == "q":
        meant, words = item.q_or_one, width_words(item, value, rate_hz, profile)
    slip = Slip(f"{part.where}.{field}", meant, value, f"{name}{words}")
    return Candidate((slip,), (at,), (other,), FREE_COST)


def _has_both_orders(item: EqSection, profile: Profile | None) -> bool:
    """Whether the device has this kind in first and in second order."""
    if profile is None:
        return EQ_SHAPES[item.kind].has_order
    return item.kind in profile.eq.kinds and item.kind in profile.eq.first_order_kinds


def _crossover(
    at: int, part: Part, item: Crossover, name: str, rate_hz: float, profile: Profile | None
) -> Iterator[Candidate]:
    def one(
        other: Crossover | None, field: str, meant: float | str, seen: float | str, words: str
    ) -> Candidate:
        where = f"{part.where}.{field}" if field else part.where
        slip = Slip(where, meant, seen, f"{name}{words}")
        return Candidate((slip,), (at,), (other,), STORY_COST)

    yield one(None, "", "in", "out", ": looks bypassed or missing")
    meant = f"{FAMILY_NAMES[item.family]} {item.slope_db_per_octave}"
    for family, slopes in FAMILY_SLOPES.items():
        for slope in slopes:
            if (family, slope) == (item.family, item.slope_db_per_octave):
                continue
            seen = f"{FAMILY_NAMES[family]} {slope}"
            field = "family" if family != item.family else "slope_db_per_octave"
            words = f": meant {meant}, looks like {seen}"
            other = replace(item, family=family, slope_db_per_octave=slope)
            yield one(other, field, meant, seen, words)
    for hz, how in _other_frequencies(item.frequency_hz, rate_hz):
        words = f" frequency: meant {show_hz(item.frequency_hz)}, looks like {show_hz(hz)}{how}"
        yield one(replace(item, frequency_hz=hz), "frequency_hz", item.frequency_hz, hz, words)
    for hz in free_frequencies(item.frequency_hz, rate_hz, profile):
        yield _free(at, part, name, "frequency_hz", hz, rate_hz, profile)


def _exchanges(parts: Sequence[Part], names: Sequence[str]) -> Iterator[Candidate]:
    """A value of one band that landed in another, and the other's in the first."""
    bands = [(at, part) for at, part in enumerate(parts) if isinstance(part.item, EqSection)]
    for index, (a, first) in enumerate(bands):
        for b, second in bands[index + 1 :]:
            one, two = first.item, second.item
            assert isinstance(one, EqSection)
            assert isinstance(two, EqSection)
            for field in ("frequency_hz", "gain_db", "q"):
                mine, theirs = getattr(one, field), getattr(two, field)
                if mine is UNSET or theirs is UNSET or mine == theirs:
                    continue
                said = {"frequency_hz": "frequency", "gain_db": "gain", "q": "Q"}[field]
                words = f"{names[a]} and {names[b]}: {said} exchanged"
                yield Candidate(
                    (
                        Slip(f"{first.where}.{field}", mine, theirs, words),
                        Slip(f"{second.where}.{field}", theirs, mine, words),
                    ),
                    (a, b),
                    (replace(one, **{field: theirs}), replace(two, **{field: mine})),
                    STORY_COST,
                )


def _other_frequencies(frequency_hz: float, rate_hz: float) -> list[tuple[float, str]]:
    """Ten times off, and two neighbouring digits exchanged, as the figure is typed."""
    found: dict[float, str] = {}
    for factor, how in ((10.0, ", ten times too high"), (0.1, ", ten times too low"),
                        (1000.0, ", kHz for Hz"), (0.001, ", Hz for kHz")):  # fmt: skip
        found[frequency_hz * factor] = how
    text = f"{frequency_hz:.6g}"
    if "e" not in text:
        for k in range(len(text) - 1):
            if text[k] == text[k + 1] or "." in text[k : k + 2]:
                continue
            swapped = text[:k] + text[k + 1] + text[k] + text[k + 2 :]
            found.setdefault(float(swapped), ", digits exchanged")
    return [
        (hz, how)
        for hz, how in found.items()
        if 1.0 <= hz < 0.49 * rate_hz and abs(hz - frequency_hz) > 1e-9
    ]


def _other_widths(item: EqSection) -> list[tuple[float, str]]:
    q, gain_db = item.q_or_one, item.gain_or_zero_db
    found = [
        (q_from_octaves(q), "the Q typed as octaves"),
        (octaves_from_q(q), "the octaves typed as Q"),
    ]
    if item.kind == "peak":
        for convention in CONVENTIONS:
            if convention in ("minus-3-db", "from-flat-3-db") and abs(gain_db) < 6.0:
                continue
            factor = convention_factor(convention, gain_db)
            found.append((q * factor, f"read as {convention}"))
            found.append((q / factor, f"meant as {convention}"))
    return [(one, how) for one, how in found if 0.02 < one < 200.0 and abs(one / q - 1.0) > 1e-6]


def width_words(item: EqSection, q: float, rate_hz: float, profile: Profile | None) -> str:
    """` Q: meant 2, looks like 4`, with a profile in the device's own unit."""
    pair = (item, replace(item, q=q))
    fixed = item.kind in SHELVES and (profile is None or profile.eq.shelf_width is None)
    if profile is None or fixed:
        return f" Q: meant {short(item.q_or_one, 3)}, looks like {short(q, 3)}"
    behaviour = behaviour_of(profile, rates_of(profile, rate_hz), rate_hz)
    typed = [typed_of(one, behaviour).width or 0.0 for one in pair]
    setting = profile.eq.shelf_width if item.kind in SHELVES else profile.eq.width
    assert setting is not None
    unit = {"bandwidth_octaves": "bandwidth", "slope": "slope"}.get(setting.unit, "Q")
    after = " oct" if unit == "bandwidth" else ""
    return f" {unit}: meant {short(typed[0], 3)}{after}, looks like {short(typed[1], 3)}{after}"


def roundings_of(parts: Sequence[Part], axis: Axis) -> ComplexArray:
    """What a device's unknown steps may do to each part, one standard deviation each, (m, n).

    Steps of 1/24 octave, 0.5 dB and 10 % of Q, evenly spread: common practice, no source.
    """
    items: list[tuple[EqSection | Crossover, Side | None]] = []
    owners: list[int] = []
    spread = 1.0 / math.sqrt(12.0)
    for at, part in enumerate(parts):
        item = part.item
        hz = item.frequency_hz * 2.0 ** (spread / 24.0)
        others: list[EqSection | Crossover] = [replace(item, frequency_hz=hz)]
        if isinstance(item, EqSection):
            if EQ_SHAPES[item.kind].has_gain:
                others.append(replace(item, gain_db=item.gain_or_zero_db + 0.5 * spread))
            if item.q is not UNSET:
                others.append(replace(item, q=item.q_or_one * (1.0 + 0.1 * spread)))
        items += [(other, part.side) for other in others]
        owners += [at] * len(others)
    if not items:
        return np.zeros((0, len(axis)), dtype=np.complex128)
    return np.asarray(item_logs(items, axis) - np.array([parts[at].log for at in owners]))
