"""The best settings of several movers: exact on a grid, then refined.

Branch and bound over boxes of delays: each pair's table of costs is kept in blocks with their
minima, so the sum of block minima bounds a box from below, and boxes that cannot hold a good
setting are dropped unseen. What is left is no worse than trying every point of the grid.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np
from msgspec import Struct

from xover.design.delay_search import STEPS_PER_PERIOD
from xover.design.joint import IntArray, JointProblem, Solution
from xover.design.joint_refine import refine
from xover.design.overlap import FloatArray

Progress = Callable[[float], None]
"""Called with how much of the work is done, 0…1; may raise to stop it."""

KEPT = 64
KEPT_OF_WORST = 16
"""Grid minima that are refined, the best first; without derivatives that is slower."""
BEAM = 1024
MOST_CHILDREN = 2_000_000
"""More boxes than this at once are not followed."""
_CHUNK = 200_000
GRID_SLACK_DB = 0.1
"""How much a setting may gain by refinement between two points of the grid."""


class _Table(Struct, frozen=True, eq=False):
    """An edge's costs on the grid, in blocks of 1, 2, 4 … points.

    `levels` holds arrays (polarity, block, kind of amount).
    """

    first: int | None
    second: int | None
    levels: tuple[FloatArray, ...]
    shift: int
    """Where relative delay 0 of two movers stands; 0 for an edge to the reference."""


class Found(Struct, frozen=True):
    """Local minima, best first, and whether none better can be on the grid."""

    solutions: tuple[Solution, ...]
    proven: bool


def search_jointly(
    problem: JointProblem,
    *,
    max_delay_ms: float,
    within_db: float,
    tie_db: float,
    progress: Progress | None = None,
) -> Found:
    """Settings within `within_db` of the best, best first, each a local minimum.

    Every mover's delay against the reference lies in ±`max_delay_ms`. Where there are too many,
    those within `tie_db`; where even these are too many, what a narrow search finds, marked as
    not proven.
    """
    report = progress or (lambda _: None)
    if max_delay_ms <= 0.0:
        return _at_rest(problem)
    per_period = STEPS_PER_PERIOD[problem.criterion]
    half = max(8, int(np.ceil(max_delay_ms * 1e-3 * problem.highest_hz * per_period)))
    step_ms = max_delay_ms / half
    depth = int(np.ceil(np.log2(2 * half + 1)))
    tables = []
    for index in range(len(problem.edges)):
        tables.append(_table(problem, index, half, step_ms, depth))
        report(0.3 * (index + 1) / len(problem.edges))

    def at(points: IntArray) -> FloatArray:
        return np.asarray((points - half) * step_ms)

    # A narrow search first: its best setting is the bar for the exact one.
    boxes = _descend(problem, tables, depth, np.inf, BEAM)
    assert boxes is not None
    choices, points = boxes
    values = _bounds(problem, tables, 0, choices, points)
    order = np.argsort(values, kind="stable")[:KEPT_OF_WORST]
    choices, points = choices[order], points[order]
    delays, amounts = refine(problem, at(points[:8]), choices[:8], step_ms, max_delay_ms)
    best = float(amounts.min())
    report(0.5)
    proven = False
    for margin_db in (within_db, tie_db):
        bar = _raised(problem, best, margin_db + GRID_SLACK_DB)
        bar = max(bar, float(values.min()))
        exact = _descend(problem, tables, depth, bar, None)
        if exact is not None:
            choices, points = _grid_minima(problem, tables, *exact)
            proven = True
            break
    report(0.7)
    delays, amounts = refine(problem, at(points), choices, step_ms, max_delay_ms)
    report(0.95)
    solutions: list[Solution] = []
    kept: list[tuple[int, FloatArray]] = []
    for index in np.argsort(amounts, kind="stable"):
        here = (int(choices[index]), delays[index])
        if any(
            other[0] == here[0] and np.all(np.abs(other[1] - here[1]) < step_ms) for other in kept
        ):  # ripples of one valley
            continue
        kept.append(here)
        solutions.append(problem.solution(here[1], here[0], float(amounts[index]), max_delay_ms))
    report(1.0)
    return Found(tuple(solutions), proven)


def _at_rest(problem: JointProblem) -> Found:
    count = len(problem.choices)
    still = np.zeros((count, problem.ties.delays))
    amounts = problem.amounts(still, np.arange(count))
    order = np.argsort(amounts, kind="stable")
    return Found(
        tuple(problem.solution(still[0], int(k), float(amounts[k]), 0.0) for k in order), True
    )


def _raised(problem: JointProblem, amount: float, by_db: float) -> float:
    """The amount that is `by_db` worse."""
    if problem.criterion == "energy":
        return float(amount * 10.0 ** (-by_db / 10.0))
    return amount + by_db


def _table(problem: JointProblem, index: int, half: int, step_ms: float, depth: int) -> _Table:
    edge = problem.edges[index]
    first, second = problem.ends(edge)
    if second is None:
        rows = np.array([edge.amounts(np.zeros(1), inverted=p) for p in (False, True)])
        return _Table(None, None, (rows,) * (depth + 1), 0)
    reach = half if first is None else 2 * half
    values = edge.grid_amounts(-reach * step_ms, step_ms, 2 * reach + 1)
    size = 2**depth if first is None else 2 ** (depth + 1)
    shift = 0 if first is None else 2**depth
    finest = np.full((2, size, values.shape[2]), np.inf)
    begin = 0 if first is None else shift - reach
    finest[:, begin : begin + 2 * reach + 1] = values
    levels = [finest]
    for _ in range(depth):
        levels.append(levels[-1].reshape(2, -1, 2, values.shape[2]).min(axis=2))
    return _Table(first, second, tuple(levels), shift)


def _bounds(
    problem: JointProblem, tables: list[_Table], level: int, choices: IntArray, boxes: IntArray
) -> FloatArray:
    """A lower bound of the amounts in each box of 2^level points a side; exact at level 0."""
    parts = []
    for index, table in enumerate(tables):
        signs = problem.signs[choices, index]
        values = table.levels[level]
        if table.second is None:
            parts.append(values[signs, 0])
        elif table.first is None:
            parts.append(values[signs, boxes[:, table.second]])
        else:
            apart = boxes[:, table.second] - boxes[:, table.first] + (table.shift >> level)
            part = values[signs, apart]
            if level > 0:
                part = np.minimum(part, values[signs, apart - 1])
            parts.append(part)
    return problem.combine(parts)


def _descend(
    problem: JointProblem, tables: list[_Table], depth: int, bar: float, beam: int | None
) -> tuple[IntArray, IntArray] | None:
    """Halve boxes down to points, keeping those whose bound is not above `bar`.

    With `beam` only that many of the lowest bounds are kept; without it None where there are too
    many to follow.
    """
    size = problem.ties.delays
    halves = np.array(list(itertools.product((0, 1), repeat=size)), dtype=np.intp)
    choices = np.arange(len(problem.choices), dtype=np.intp)
    boxes = np.zeros((choices.size, size), dtype=np.intp)
    for level in range(depth - 1, -1, -1):
        choices = np.repeat(choices, len(halves))
        boxes = (2 * boxes[:, np.newaxis, :] + halves).reshape(-1, size)
        kept_choices, kept_boxes, kept_bounds = [], [], []
        for begin in range(0, choices.size, _CHUNK):
            part = slice(begin, begin + _CHUNK)
            bounds = _bounds(problem, tables, level, choices[part], boxes[part])
            keep = np.isfinite(bounds) & (bounds <= bar)
            kept_choices.append(choices[part][keep])
            kept_boxes.append(boxes[part][keep])
            kept_bounds.append(bounds[keep])
        choices, boxes = np.concatenate(kept_choices), np.concatenate(kept_boxes)
        if beam is not None:
            if choices.size > beam:
                lowest = np.argpartition(np.concatenate(kept_bounds), beam)[:beam]
                choices, boxes = choices[lowest], boxes[lowest]
        elif choices.size * len(halves) > MOST_CHILDREN:
            return None
    return choices, boxes


def _grid_minima(
    problem: JointProblem, tables: list[_Table], choices: IntArray, points: IntArray
) -> tuple[IntArray, IntArray]:
    """The points that no single step of one delay improves, the best of them first."""
    values = _bounds(problem, tables, 0, choices, points)
    keep = np.ones(values.size, dtype=bool)
    for column in range(points.shape[1]):
        for way in (-1, 1):
            beside = points[keep].copy()
            beside[:, column] += way
            keep[keep] = values[keep] <= _bounds(problem, tables, 0, choices[keep], beside)
    index = np.flatnonzero(keep)
    most = KEPT_OF_WORST if problem.criterion == "worst" else KEPT
    index = index[np.argsort(values[index], kind="stable")][:most]
    return choices[index], points[index]
