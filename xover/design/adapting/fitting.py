"""Doing with fewer or other bands: what is dropped, merged or replaced, and what that costs.

Costs are errors of the complex response, ln(H′/H), in the output's own band. Rounds nothing.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from xover.design.adapting.bands import Behaviour, band_response
from xover.design.adapting.rounding import log_errors, rms
from xover.dsp.axis import Axis, ComplexArray
from xover.model import grids
from xover.model.processing import EqSection
from xover.model.profile import EqSetting
from xover.model.ranges import FILTER_NYQUIST_FRACTION, Gain, limits_of
from xover.model.words import EQ_NAMES, EqKind

Array = NDArray[np.float64]
Q_RANGE = (0.1, 40.0)
SAME = 0.002
"""A stand-in whose |ln(H′/H)| is nowhere larger (0.017 dB, 0.1°) is as good as what was meant."""
GAINFUL: tuple[EqKind, ...] = ("peak", "low_shelf", "high_shelf")


@dataclass(frozen=True)
class Kept:
    """A band that is entered: the section meant, and the preset's bands it stands for."""

    item: EqSection
    origins: tuple[int, ...]
    is_as_meant: bool = True


@dataclass(frozen=True)
class Loss:
    """What doing without cost: the bands concerned, how, and the error ln(H′/H) of this step."""

    origins: tuple[int, ...]
    why: str
    error: ComplexArray


def is_available(item: EqSection, eq: EqSetting) -> bool:
    """Whether the device has this kind of section in this order."""
    return item.kind in (eq.kinds if item.effective_order == 2 else eq.first_order_kinds)


def replace_missing(
    bands: Sequence[Kept], behaviour: Behaviour, axis: Axis
) -> tuple[list[Kept], list[Loss]]:
    """Bands of kinds that the device lacks, each replaced by the nearest that it has, or left out.

    Replaced only where that errs less than leaving it out.
    """
    kept: list[Kept] = []
    losses: list[Loss] = []
    for band in bands:
        item = band.item
        if is_available(item, behaviour.eq):
            kept.append(band)
            continue
        what = _name(item)
        target = np.log(_response(item, axis))
        lost = -target
        # An all-pass has no stand-in: whatever turned the phase alike would move the level.
        found = None if item.kind == "all_pass" else _best(target, item, behaviour, axis)
        if found is not None and rms(found[1]) < 0.9 * rms(lost):
            stand_in, error = found
            kept.append(Kept(stand_in, band.origins, False))
            if np.max(np.abs(error)) < SAME:
                continue
            named = EQ_NAMES[stand_in.kind]
            why = f"the processor has no {what}; a {named} stands for it"
            losses.append(Loss(band.origins, why, error))
        else:
            losses.append(Loss(band.origins, f"the processor has no {what}; it is left out", lost))
    return kept, losses


def reduce(
    bands: Sequence[Kept], limit: int, behaviour: Behaviour, axis: Axis
) -> tuple[list[Kept], list[Loss]]:
    """At most `limit` bands: the least costly are merged with a neighbour or left out, in turn."""
    kept = list(bands)
    losses: list[Loss] = []
    logs = [np.log(_response(band.item, axis)) for band in kept]
    error: ComplexArray = np.zeros(len(axis), dtype=np.complex128)
    merged: dict[tuple[EqSection, EqSection], EqSection | None] = {}
    first = len(kept)
    while len(kept) > limit:
        options: list[tuple[float, int, int | None, EqSection | None, ComplexArray]] = []
        for at, log in enumerate(logs):
            options.append((rms(error - log), at, None, None, -log))
        order = sorted(range(len(kept)), key=lambda at: kept[at].item.frequency_hz)
        for low, high in itertools.pairwise(order):
            pair = (kept[low].item, kept[high].item)
            if any(item.kind not in GAINFUL for item in pair):
                continue
            target = logs[low] + logs[high]
            if pair not in merged:
                merged[pair] = _merge(target, pair, behaviour, axis)
            one = merged[pair]
            if one is not None:
                change = np.log(_response(one, axis)) - target
                options.append((rms(error + change), low, high, one, change))
        _, at, other, one, change = min(options, key=lambda option: option[0])
        error = error + change
        here = "no bands" if not limit else "1 band" if limit == 1 else f"{limit} bands"
        many = (
            f"the processor has {here} here, and {first} {'is' if first == 1 else 'are'} asked for"
        )
        if other is None or one is None:
            why = f"{many}; this one is left out"
            losses.append(Loss(kept[at].origins, why, change))
            del kept[at], logs[at]
        else:
            origins = tuple(sorted((*kept[at].origins, *kept[other].origins)))
            losses.append(Loss(origins, f"{many}; these are merged into one", change))
            kept[at], logs[at] = Kept(one, origins, False), np.log(_response(one, axis))
            del kept[other], logs[other]
    return kept, losses


def told_once(first: Sequence[Loss], second: Sequence[Loss]) -> list[Loss]:
    """The losses of two steps: what was replaced in one and left out in the other is one loss."""
    by_origins = {loss.origins: loss for loss in first}
    found = []
    for loss in second:
        before = by_origins.pop(loss.origins, None)
        if before is not None:
            loss = Loss(loss.origins, loss.why, before.error + loss.error)
        found.append(loss)
    return [*by_origins.values(), *found]


def _response(item: EqSection, axis: Axis) -> ComplexArray:
    """H, never quite 0: the middle of a null is held at −120 dB."""
    response = band_response(item, axis)
    small = np.abs(response) < 1e-6
    return np.where(small, 1e-6, response)


def _best(
    target: ComplexArray, item: EqSection, behaviour: Behaviour, axis: Axis
) -> tuple[EqSection, ComplexArray] | None:
    """The kind the device has that comes nearest to a log response, fitted; None if none can."""
    found: list[tuple[float, EqSection, ComplexArray]] = []
    if not _can_fit(behaviour, axis):
        return None
    for kind in GAINFUL:
        if kind not in behaviour.eq.kinds:
            continue
        for start in _starts(kind, item):
            one = _fit(target, kind, start, behaviour, axis)
            error = log_errors(np.exp(target), _response(one, axis)[None, :])[0]
            found.append((rms(error), one, error))
    if not found:
        return None
    _, one, error = min(found, key=lambda each: each[0])
    return one, error


def _merge(
    target: ComplexArray,
    pair: tuple[EqSection, EqSection],
    behaviour: Behaviour,
    axis: Axis,
) -> EqSection | None:
    if "peak" not in behaviour.eq.kinds or not _can_fit(behaviour, axis):
        return None
    first, second = pair
    weights = [abs(item.gain_or_zero_db) + 1e-3 for item in pair]
    share = weights[0] / sum(weights)
    frequency_hz = first.frequency_hz**share * second.frequency_hz ** (1.0 - share)
    gain_db = share * first.gain_or_zero_db + (1.0 - share) * second.gain_or_zero_db
    start = (frequency_hz, gain_db, min(first.q_or_one, second.q_or_one) * 0.8)
    return _fit(target, "peak", start, behaviour, axis)


def _can_fit(behaviour: Behaviour, axis: Axis) -> bool:
    """Whether the device's frequencies begin below what filters at the preset's rate can do."""
    lowest_hz = grids.lowest(behaviour.eq.frequency_hz)
    return 1.02 * lowest_hz < FILTER_NYQUIST_FRACTION * axis.sample_rate_hz


def _starts(kind: EqKind, item: EqSection) -> list[tuple[float, float, float]]:
    gain_db = item.gain_or_zero_db if item.kind in GAINFUL else -12.0
    if kind == "peak" and item.kind in ("low_shelf", "high_shelf"):
        towards = 0.4 if item.kind == "low_shelf" else 2.5
        return [(item.frequency_hz * towards, gain_db, 0.5)]
    return [(item.frequency_hz, gain_db, item.q_or_one)]


def _fit(
    target: ComplexArray,
    kind: EqKind,
    start: tuple[float, float, float],
    behaviour: Behaviour,
    axis: Axis,
) -> EqSection:
    """Frequency, gain and Q of a kind within the device's limits, by bounded least squares."""
    from scipy.optimize import least_squares

    eq = behaviour.eq
    top_hz = min(grids.highest(eq.frequency_hz), 0.945 * float(axis.frequency_hz[-1]))
    low_db, high_db = limits_of(Gain)
    low_db, high_db = max(low_db, eq.gain_db.min), min(high_db, eq.gain_db.max)
    low = np.array([np.log(grids.lowest(eq.frequency_hz)), low_db, np.log(Q_RANGE[0])])
    high = np.array([np.log(max(top_hz, 1.01 * np.exp(low[0]))), high_db, np.log(Q_RANGE[1])])
    if kind != "peak":
        low[2], high[2] = np.log(0.5), np.log(1.2)
    high = np.maximum(high, low + 1e-6)

    def item(values: Array) -> EqSection:
        return EqSection(
            kind=kind,
            frequency_hz=float(np.exp(values[0])),
            gain_db=float(values[1]),
            q=float(np.exp(values[2])),
        )

    def residual(values: Array) -> Array:
        error = np.log(_response(item(values), axis)) - target
        return np.concatenate([error.real, error.imag])

    begin = np.array([np.log(start[0]), start[1], np.log(start[2])])
    begin = np.clip(begin, low + 1e-7, high - 1e-7)
    found = least_squares(residual, begin, bounds=(low, high), xtol=1e-6, ftol=1e-6, max_nfev=60)
    return item(found.x)


def _name(item: EqSection) -> str:
    order = "first-order " if item.effective_order == 1 else ""
    return order + EQ_NAMES[item.kind]
