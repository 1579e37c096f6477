"""How far things may drift before more is lost: a delay, a listener's place, the weather.

Levels are held; only times move. What never loses so much more has no limit, told as None.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from msgspec import Struct

from xover.acoustics.air import speed_of_sound_m_s
from xover.acoustics.geometry import SHORTEST_M
from xover.design.delay_search import DelayProblem
from xover.design.overlap import FloatArray
from xover.model.preset import Preset
from xover.model.ranges import PositionM

TOLERANCE_DB = 1.0
FARTHEST_M = 10.0
"""Listeners are not followed further than this: another seat has other levels, too."""
_STEPS_PER_PERIOD = 32.0
_PERIODS = 8.0
_CHUNK = 256
AXES = ("x", "y", "z")


class Ways(Struct, frozen=True, eq=False):
    """What one listener hears of a moved part and its partner: where each may come from.

    `problem` holds this pair at this listener alone, set as the answer has it; positions are
    empty where an output has no source.
    """

    listener: str
    weight: float
    problem: DelayProblem
    partner_m: tuple[PositionM, ...]
    moved_m: tuple[PositionM, ...]


def tolerance_ms(
    problem: DelayProblem, delay_ms: float, *, inverted: bool
) -> tuple[float | None, float | None]:
    """How far the relative delay may drift (earlier, later) before the mean loss grows by 1 dB.

    `problem` has the criterion "mean". None where it never does, looked for over eight periods
    of the lowest overlap frequency.
    """
    step_ms = 1e3 / problem.highest_hz / _STEPS_PER_PERIOD
    reach_ms = 1e3 * _PERIODS / problem.lowest_hz

    def loss(sign: float) -> Callable[[FloatArray], FloatArray]:
        return lambda drift: problem.values_db(delay_ms + sign * drift, inverted=inverted)

    return _grown(loss(-1.0), step_ms, reach_ms), _grown(loss(1.0), step_ms, reach_ms)


def tolerance_c(preset: Preset, ways: Sequence[Ways]) -> float | None:
    """The change of air temperature in °C, warmer or colder, until the mean loss grows by 1 dB.

    With c = 343.2·√(T/293.15 K) (ISO 9613-1) the flight time of r changes by −r/(2·c·T) a
    kelvin. Pairs without sources do not drift; None where nothing does.
    """
    speed = speed_of_sound_m_s(preset.air)
    kelvin = preset.air.temperature_c + 273.15
    rates = []
    for way in ways:
        apart_m = 0.0
        if way.moved_m and way.partner_m:
            place = np.asarray(preset.listener(way.listener).position_m)[np.newaxis, :]
            apart_m = float((_distance(way.moved_m, place) - _distance(way.partner_m, place))[0])
        rates.append(-1e3 * apart_m / (2.0 * speed * kelvin))
    fastest = max(abs(rate) for rate in rates)
    if fastest == 0.0:
        return None
    highest_hz = max(way.problem.highest_hz for way in ways)
    lowest_hz = min(way.problem.lowest_hz for way in ways)
    weights = np.array([way.weight for way in ways])

    def loss(sign: float) -> Callable[[FloatArray], FloatArray]:
        def mean(change: FloatArray) -> FloatArray:
            rows = [
                way.problem.values_db(sign * rate * change, inverted=False)
                for way, rate in zip(ways, rates, strict=True)
            ]
            return np.asarray(np.average(rows, axis=0, weights=weights))

        return mean

    step = 1e3 / highest_hz / _STEPS_PER_PERIOD / fastest
    reach = 1e3 * _PERIODS / lowest_hz / fastest
    found = [_grown(loss(sign), step, reach) for sign in (-1.0, 1.0)]
    return min((each for each in found if each is not None), default=None)


def tolerance_m(preset: Preset, ways: Sequence[Ways]) -> dict[str, dict[str, float | None]] | None:
    """By listener and axis, how far the listener may move until 1 dB more is lost there, in m.

    The smaller of both directions, None for more than 10 m; with the nearest source of each
    output, all of them in three dimensions. None altogether where an output has no source.
    """
    if not all(way.partner_m and way.moved_m for way in ways):
        return None
    speed = speed_of_sound_m_s(preset.air)
    table: dict[str, dict[str, float | None]] = {}
    for listener in dict.fromkeys(way.listener for way in ways):
        here = [way for way in ways if way.listener == listener]
        place = np.asarray(preset.listener(listener).position_m)
        highest_hz = max(way.problem.highest_hz for way in here)
        step_m = speed / highest_hz / _STEPS_PER_PERIOD / 2.0  # both ways may change by a step

        def loss(
            along: FloatArray, here: list[Ways] = here, place: FloatArray = place
        ) -> Callable[[FloatArray], FloatArray]:
            def mean(moved_m: FloatArray) -> FloatArray:
                rows = []
                for way in here:
                    places = place + np.multiply.outer(moved_m, along)
                    apart = _distance(way.moved_m, places) - _distance(way.partner_m, places)
                    still = place[np.newaxis, :]
                    apart -= _distance(way.moved_m, still) - _distance(way.partner_m, still)
                    rows.append(way.problem.values_db(1e3 * apart / speed, inverted=False))
                return np.asarray(np.mean(rows, axis=0))

            return mean

        table[listener] = {}
        for number, axis in enumerate(AXES):
            along = np.eye(3)[number]
            found = [_grown(loss(sign * along), step_m, FARTHEST_M) for sign in (-1.0, 1.0)]
            table[listener][axis] = min((one for one in found if one is not None), default=None)
    return table


def _distance(sources_m: Sequence[PositionM], places_m: FloatArray) -> FloatArray:
    """From the nearest source to each place (k, 3), at least 0.1 m; shape (k,)."""
    apart = np.asarray(sources_m)[np.newaxis, :, :] - places_m[:, np.newaxis, :]
    return np.asarray(np.maximum(np.sqrt(np.sum(apart**2, axis=2)).min(axis=1), SHORTEST_M))


def _grown(loss: Callable[[FloatArray], FloatArray], step: float, reach: float) -> float | None:
    """The smallest drift, looked for in steps, at which the loss is 1 dB above that of none."""
    base_db = float(loss(np.zeros(1))[0])
    steps = np.arange(0.0, reach + step, step)
    for begin in range(0, steps.size, _CHUNK):
        part = steps[begin : begin + _CHUNK]
        over = np.flatnonzero(loss(part) - base_db >= TOLERANCE_DB)
        if over.size == 0:
            continue
        high = float(part[over[0]])
        low = max(0.0, high - step)
        for _ in range(30):
            middle = 0.5 * (low + high)
            grown = float(loss(np.array([middle]))[0]) - base_db
            low, high = (low, middle) if grown >= TOLERANCE_DB else (middle, high)
        return high
    return None
