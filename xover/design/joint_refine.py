"""Closing in on settings of several movers: Newton where it is smooth, shrinking grids elsewhere.

Nulls that pass single frequencies and the worst of several listeners have corners, where no
derivative helps.
"""

from __future__ import annotations

import numpy as np

from xover.design.delay_search import RESOLUTION_MS, RIPPLE_DB, RIPPLE_STEP_MS, Minimum, in_db
from xover.design.joint import IntArray, JointProblem
from xover.design.overlap import BoolArray, FloatArray

_NEWTON_ROUNDS = 14
_ZOOM_ROUNDS = 80
_RIPPLED = 6
"""How many of the best settings are looked into between nulls."""


def refine(
    problem: JointProblem,
    delays_ms: FloatArray,
    choices: IntArray,
    step_ms: float,
    limit_ms: float,
) -> tuple[FloatArray, FloatArray]:
    """Local minima near the grid points `delays_ms` (k, n): delays and amounts, never worse."""
    found = delays_ms.copy()
    amounts = problem.amounts(delays_ms, choices)
    rough = np.ones(amounts.size, dtype=bool)
    if problem.criterion != "worst":
        moved, settled = _newton(problem, delays_ms, choices, step_ms, limit_ms)
        better = problem.amounts(moved, choices)
        good = settled & (better <= amounts)
        found[good], amounts[good] = moved[good], better[good]
        rough = ~good
    for index in np.flatnonzero(rough):
        found[index], amounts[index] = _zoom(
            problem, found[index], int(choices[index]), step_ms, limit_ms, float(amounts[index])
        )
    _between_nulls(problem, found, amounts, choices, step_ms, limit_ms)
    return found, amounts


def _newton(
    problem: JointProblem,
    start_ms: FloatArray,
    choices: IntArray,
    step_ms: float,
    limit_ms: float,
) -> tuple[FloatArray, BoolArray]:
    """Newton's method for all settings at once, held inside the limits and near the start."""
    size = start_ms.shape[1]
    low = np.maximum(start_ms - 3.0 * step_ms, -limit_ms)
    high = np.minimum(start_ms + 3.0 * step_ms, limit_ms)
    delays = start_ms.copy()
    near_ms = 1e-4 / (2e-3 * np.pi * problem.highest_hz)
    settled = np.zeros(delays.shape[0], dtype=bool)
    for _ in range(_NEWTON_ROUNDS):
        slope, bend = problem.derivatives(delays, choices)
        held = ((delays <= -limit_ms) & (slope > 0.0)) | ((delays >= limit_ms) & (slope < 0.0))
        slope[held] = 0.0
        bend[held[:, :, np.newaxis] | held[:, np.newaxis, :]] = 0.0
        bend[:, np.arange(size), np.arange(size)] += held
        curve, axes = np.linalg.eigh(bend)
        curve = np.maximum(np.abs(curve), 1e-12)  # a step downhill even beside a saddle
        step = -np.einsum("kij,kj->ki", axes, np.einsum("kji,kj->ki", axes, slope) / curve)
        step = np.clip(step, -step_ms, step_ms)
        moved = np.clip(delays + step, low, high)
        settled = np.max(np.abs(moved - delays), axis=1) < near_ms
        delays = moved
        if settled.all():
            break
    inside = (delays > low) | (delays <= -limit_ms)
    inside &= (delays < high) | (delays >= limit_ms)
    return delays, np.asarray(settled & inside.all(axis=1))


def _zoom(
    problem: JointProblem,
    start_ms: FloatArray,
    choice: int,
    half_ms: float,
    limit_ms: float,
    amount: float,
) -> tuple[FloatArray, float]:
    """The best of a small grid around the setting, over and over on finer grids.

    A grid whose best point lies on its rim moves there before it shrinks.
    """
    size = start_ms.size
    reach = 3 if size <= 3 else 2 if size <= 5 else 1
    offsets = np.arange(-reach, reach + 1)
    mesh = np.stack(np.meshgrid(*[offsets] * size, indexing="ij"), axis=-1).reshape(-1, size)
    centre, half = start_ms.copy(), half_ms
    for _ in range(_ZOOM_ROUNDS):
        step = half / (reach + 1)
        values = _on_mesh(problem, centre, choice, mesh, reach, step)
        outside = np.any(np.abs(centre + step * mesh) > limit_ms, axis=1)
        values[outside] = np.inf
        best = int(np.argmin(values))
        if values[best] < amount:
            amount = float(values[best])
            centre = centre + step * mesh[best]
            if np.any(np.abs(mesh[best]) == reach):
                continue
        half = step
        if half <= RESOLUTION_MS:
            break
    return centre, amount


def _on_mesh(
    problem: JointProblem,
    centre_ms: FloatArray,
    choice: int,
    mesh: IntArray,
    reach: int,
    step_ms: float,
) -> FloatArray:
    """Amounts at centre + step·mesh: each edge sees few different delays, so few are computed."""
    parts = []
    for index, edge in enumerate(problem.edges):
        first, second = problem.ends(edge)
        inverted = bool(problem.signs[choice, index])
        middle = problem.relative(edge, centre_ms[np.newaxis, :])[0]
        if second is None:
            still = edge.amounts(np.zeros(1), inverted=inverted)
            parts.append(np.repeat(still, len(mesh), axis=0))
            continue
        wide = reach if first is None else 2 * reach
        near = middle + step_ms * np.arange(-wide, wide + 1)
        values = edge.amounts(near, inverted=inverted)
        apart = mesh[:, second] if first is None else mesh[:, second] - mesh[:, first]
        parts.append(values[apart + wide])
    return problem.combine(parts)


def _between_nulls(
    problem: JointProblem,
    delays_ms: FloatArray,
    amounts: FloatArray,
    choices: IntArray,
    step_ms: float,
    limit_ms: float,
) -> None:
    """Move the best settings on where nulls of single frequencies ripple the loss beside them.

    The energy has no such ripples. One delay at a time, at 5 µs over a step of the grid.
    """
    if problem.criterion == "energy" or amounts.size == 0:
        return
    values = in_db(amounts, problem.criterion)
    near = np.flatnonzero(values <= values.min() + RIPPLE_DB)
    for index in near[np.argsort(values[near])][:_RIPPLED]:
        choice = choices[index : index + 1]
        if problem.criterion == "mean" and not _near_null(problem, delays_ms[index], choice):
            continue
        for variable in range(delays_ms.shape[1]):
            here = delays_ms[index]
            count = 1 + 2 * int(np.ceil(step_ms / RIPPLE_STEP_MS))
            line = np.repeat(here[np.newaxis, :], count, axis=0)
            line[:, variable] += np.linspace(-step_ms, step_ms, count)
            line = line[np.abs(line[:, variable]) <= limit_ms]
            if len(line) == 0:
                continue
            along = problem.amounts(line, np.repeat(choice, len(line)))
            best = int(np.argmin(along))
            if along[best] < amounts[index] - 1e-9:
                delays_ms[index], amounts[index] = _zoom(
                    problem, line[best], int(choice[0]), RIPPLE_STEP_MS, limit_ms, along[best]
                )


def _near_null(problem: JointProblem, delays_ms: FloatArray, choice: IntArray) -> bool:
    """Whether at this setting some frequency of some pair nearly cancels."""
    for index, edge in enumerate(problem.edges):
        delta = float(problem.relative(edge, delays_ms[np.newaxis, :])[0])
        inverted = bool(problem.signs[choice[0], index])
        if edge.problem.near_null(Minimum(delta, inverted, 0.0, False)):
            return True
    return False
