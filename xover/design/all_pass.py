"""An all-pass section as part of an alignment: the phase that no delay can turn.

One section a moved output (and those that share its EQ by a group), of first or second order.
It changes no magnitude, so overlaps stay; what it buys over the plain answer is always shown.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping

import numpy as np

from xover.design.delay_search import Criterion, DelayProblem, Pair
from xover.design.joint import Solution, Ties
from xover.design.overlap import ComplexArray, FloatArray
from xover.design.parts import Scene
from xover.design.solve import View, shares, view_of
from xover.dsp.axis import AXIS_NYQUIST_FRACTION, Axis
from xover.dsp.biquad import section_of, section_response
from xover.model.changes import followers, is_locked
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import EqSection

WORTH_DB = 0.05
"""A section that buys less is not proposed; one of second order must buy that over the first."""
Q_RANGE = (0.3, 5.0)
"""Sharper all-passes ring audibly; common practice, no source."""
_QS = (0.4, 0.7071, 1.2, 2.0, 3.5)
_STEPS_PER_OCTAVE = 4
_EVERY = 4
"""The grid is walked on 24 points an octave."""
_LIKELY = 16
_REFINED = 3


def owners(preset: Preset, scene: Scene) -> tuple[list[frozenset[str]], list[str]]:
    """The moved outputs that may get a section, by the groups that share their EQ; sentences.

    Raises `Refused` where none of them may.
    """
    found: list[frozenset[str]] = []
    notes: list[str] = []
    for name in scene.move:
        tied = followers(preset, name, "eq")
        if is_locked(preset, name, "eq"):
            notes.append(f"the EQ of “{name}” is locked, so no all-pass was sought for it")
        elif scene.question.to in tied:
            notes.append(
                f"“{name}” and “{scene.question.to}” are in one group that follows EQ, so an "
                "all-pass would change nothing between them"
            )
        else:
            moved = frozenset(one for one in scene.move if one in tied)
            if moved not in found:
                found.append(moved)
    if not found:
        raise Refused.at("", notes[0] + "; leave out --all-pass")
    return found, notes


def with_sections(scene: Scene, sections: Mapping[str, EqSection], axis: Axis) -> Scene:
    """The scene with a section on each of these outputs."""
    for name, section in sections.items():
        scene = scene.filtered(name, section_response(section_of(section), axis))
    return scene


def fit(
    scene: Scene, ties: Ties, answer: Solution, outputs: frozenset[str], axis: Axis
) -> EqSection | None:
    """The section for `outputs` that wins most, the other movers held; None where none is worth it.

    A grid over frequency, Q, delay and polarity near the answer, then Nelder and Mead's simplex on
    all of them; figures are rounded to what is typed.
    """
    view = view_of(scene, outputs, answer.delays_ms, answer.inverted)
    if not view.meetings:
        return None
    search = _Search(scene, ties, answer, outputs, view, axis)
    plain = search.value(None, 0.0, False)
    best: tuple[float, EqSection] | None = None
    for order in (1, 2):
        for section in search.best_of(order):
            value = search.best_delay(section)[0]
            bar = plain if best is None or best[1].effective_order == order else best[0]
            margin = 0.0 if best is not None and best[1].effective_order == order else WORTH_DB
            if value <= bar - margin and (best is None or value < best[0]):
                best = value, section
    return None if best is None else best[1]


class _Search:
    """Values of sections under one view; delays are on top of the answer's."""

    def __init__(
        self,
        scene: Scene,
        ties: Ties,
        answer: Solution,
        outputs: frozenset[str],
        view: View,
        axis: Axis,
    ) -> None:
        self._axis = axis
        self._criterion = scene.question.criterion
        self._weights = [one.weight for one in view.meetings]
        self._pairs = [one.parts.pair() for one in view.meetings]
        self._places = [np.flatnonzero(one.parts.mask) for one in view.meetings]
        members = [at for at, name in enumerate(scene.move) if name in outputs]
        free = all(ties.polarity_of[at] is not None for at in members)
        self._turns = (False, True) if free else (False,)
        self.low_hz = min(float(pair.frequency_hz[0]) for pair in self._pairs)
        self.high_hz = max(float(pair.frequency_hz[-1]) for pair in self._pairs)
        reach_ms = 1.25e3 / self.low_hz
        limit_ms = scene.question.max_delay_ms
        delays = [answer.delays_ms[at] for at in members]
        self._from_ms = max(-reach_ms, -limit_ms - min(delays))
        self._to_ms = max(self._from_ms, min(reach_ms, limit_ms - max(delays)))

    def _problem(
        self, section: EqSection | None, criterion: Criterion, every: int = 1
    ) -> DelayProblem:
        """With the section in place, on every so many-th frequency of the overlap."""
        turn: ComplexArray = np.ones(len(self._axis), dtype=np.complex128)
        if section is not None:
            turn = section_response(section_of(section), self._axis)
        pairs = [
            Pair(
                pair.frequency_hz[::every],
                pair.first[::every],
                pair.second[::every] * turn[place[::every]],
                pair.weight[::every],
            )
            for pair, place in zip(self._pairs, self._places, strict=True)
        ]
        return DelayProblem(pairs, criterion, shares(self._weights, criterion))

    def value(self, section: EqSection | None, delay_ms: float, turned: bool) -> float:
        """The criterion in dB."""
        problem = self._problem(section, self._criterion)
        return float(problem.values_db(np.array([delay_ms]), inverted=turned)[0])

    def best_delay(
        self, section: EqSection, criterion: Criterion | None = None, every: int = 1
    ) -> tuple[float, float, bool]:
        """The least value on a grid of delays, the delay and the turn."""
        problem = self._problem(section, criterion or self._criterion, every)
        count = 2 + int(np.ceil((self._to_ms - self._from_ms) * 0.016 * self.high_hz))
        step_ms = (self._to_ms - self._from_ms) / (count - 1)
        rows = problem.grid_values_db(self._from_ms, step_ms, count, self._turns)
        found = []
        for turned, row in zip(self._turns, rows, strict=True):
            at = int(np.argmin(row))
            found.append((float(row[at]), self._from_ms + step_ms * at, turned))
        return min(found)

    def best_of(self, order: int) -> list[EqSection]:
        """The best sections of this order, refined and rounded."""
        octaves = np.log2(2.0 * self.high_hz / (0.5 * self.low_hz))
        steps = np.linspace(-1.0, 1.0, 2 + int(np.ceil(octaves * _STEPS_PER_OCTAVE)))
        middle = np.sqrt(self.low_hz * self.high_hz)
        corners = middle * 2.0 ** (steps * octaves / 2.0)
        sections = [
            section
            for corner, q in itertools.product(corners, _QS if order == 2 else (None,))
            if (section := self._section(float(corner), q)) is not None
        ]
        # The energy of every section, cheaply; then the criterion of the likeliest.
        energies = [self.best_delay(section, "energy", _EVERY)[0] for section in sections]
        likely = [sections[at] for at in np.argsort(energies, kind="stable")[:_LIKELY]]
        grid = [(self.best_delay(section, every=_EVERY), section) for section in likely]
        grid.sort(key=lambda entry: entry[0][0])
        return [self._refined(section, start) for start, section in grid[:_REFINED]]

    def _section(self, frequency_hz: float, q: float | None) -> EqSection | None:
        if not 1.0 <= frequency_hz < 0.98 * AXIS_NYQUIST_FRACTION * self._axis.sample_rate_hz:
            return None
        if q is None:
            return EqSection(kind="all_pass", order=1, frequency_hz=_typed(frequency_hz))
        return EqSection(kind="all_pass", frequency_hz=_typed(frequency_hz), q=round(q, 2))

    def _refined(self, section: EqSection, start: tuple[float, float, bool]) -> EqSection:
        from scipy.optimize import minimize

        _, delay_ms, turned = start
        second = section.effective_order == 2
        scale_ms = 0.05e3 / self.high_hz

        def unpacked(x: FloatArray) -> tuple[float, float | None, float]:
            frequency_hz = section.frequency_hz * float(np.exp(x[0]))
            q = float(np.clip(section.q_or_one * np.exp(x[2]), *Q_RANGE)) if second else None
            return frequency_hz, q, float(np.clip(delay_ms + scale_ms * x[1], *self._span))

        def loss(x: FloatArray) -> float:
            frequency_hz, q, moved_ms = unpacked(x)
            if not self.low_hz / 4.0 < frequency_hz < 0.45 * self._axis.sample_rate_hz:
                return np.inf
            plain = (
                EqSection(kind="all_pass", order=1, frequency_hz=frequency_hz)
                if q is None
                else EqSection(kind="all_pass", frequency_hz=frequency_hz, q=q)
            )
            return self.value(plain, moved_ms, turned)

        size = 3 if second else 2
        simplex = np.vstack((np.zeros(size), 0.1 * np.eye(size)))
        simplex[2, 1] = 1.0
        found = minimize(
            loss,
            np.zeros(size),
            method="Nelder-Mead",
            options={"initial_simplex": simplex, "xatol": 1e-3, "fatol": 1e-4, "maxfev": 150},
        )
        frequency_hz, q, _ = unpacked(found.x)
        return self._section(frequency_hz, q) or section

    @property
    def _span(self) -> tuple[float, float]:
        return self._from_ms, self._to_ms


def _typed(frequency_hz: float) -> float:
    """To three figures, as one types it."""
    return float(f"{frequency_hz:.3g}")
