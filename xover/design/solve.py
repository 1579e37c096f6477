"""From the parts of an alignment to its settings: all minima, the choice, and each mover's view.

One mover is searched on its own, several are searched together; the rule of choice is one.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from xover.design.choice import (
    LISTED_DB,
    RIVAL_DB,
    TIE_DB,
    Candidate,
    Couple,
    ListenerParts,
    candidates,
    choose,
)
from xover.design.delay_search import Criterion, DelayProblem, search
from xover.design.joint import Edge, JointProblem, Solution, Ties
from xover.design.joint_search import Progress, search_jointly
from xover.design.overlap import ComplexArray, FloatArray
from xover.design.parts import PairParts, Scene
from xover.model.problems import Refused
from xover.model.units import show_ms

MOST_LISTED = 12
"""How many settings, the best first, are looked at beside those that may be chosen or be rivals."""


class Solved(Struct, frozen=True, eq=False):
    """What was found for a scene: every setting listed, the one to take, and its rivals."""

    scene: Scene
    ties: Ties
    ranked: tuple[Candidate, ...]
    chosen: Candidate
    rivals: tuple[Candidate, ...]
    scale: float
    """How many pairs share the criterion's mean; limits in dB hold for their sum."""
    proven: bool

    def others(self, most: int) -> list[Candidate]:
        """The runner-up, then what is within 1 dB of the best, the chosen one left out."""
        best_db = self.ranked[0].solution.value_db
        rest = [entry for entry in self.ranked if entry is not self.chosen]
        near = [
            entry
            for entry in rest[1:]
            if (entry.solution.value_db - best_db) * self.scale <= LISTED_DB
        ]
        return [*rest[:1], *near][:most]


def solve(scene: Scene, ties: Ties, progress: Progress | None = None) -> Solved:
    """Search all free delays and polarities, and choose. Raises `Refused` where nothing sums."""
    question = scene.question
    if len(scene.move) == 1:
        solutions, proven = _alone(scene, ties), True
        scale = 1.0
    else:
        problem, scale = _joint_problem(scene, ties)
        found = search_jointly(
            problem,
            max_delay_ms=question.max_delay_ms,
            within_db=LISTED_DB / scale,
            tie_db=TIE_DB / scale,
            progress=progress,
        )
        solutions, proven = found.solutions, found.proven
    if not solutions:
        raise Refused.at("", f"no delay within ±{show_ms(question.max_delay_ms)} sums any better")
    best_db = solutions[0].value_db
    tied = [
        one
        for one in solutions[MOST_LISTED:]
        if (one.value_db - best_db) * scale <= TIE_DB + RIVAL_DB
    ]
    ranked = candidates_of(scene, [*solutions[:MOST_LISTED], *tied])
    chosen, rivals = choose(ranked, scale=scale)
    return Solved(scene, ties, tuple(ranked), chosen, rivals, scale, proven)


def _alone(scene: Scene, ties: Ties) -> tuple[Solution, ...]:
    (pair,) = scene.pairs
    minima = search(
        pair_problem(scene, pair),
        max_delay_ms=scene.question.max_delay_ms,
        polarities=(False,) if ties.polarity_of[0] is None else (False, True),
    )
    return tuple(
        Solution((one.delay_ms,), (one.inverted,), one.value_db, (one.at_limit,)) for one in minima
    )


def shares(weights: Sequence[float], criterion: Criterion, total: float = 0.0) -> list[float]:
    """Weights as the shares of a criterion: parts of `total`, or of the largest for the worst."""
    whole = max(weights) if criterion == "worst" else (total or sum(weights))
    return [weight / whole if whole > 0.0 else 1.0 / len(weights) for weight in weights]


def pair_problem(scene: Scene, pair: PairParts) -> DelayProblem:
    """One pair under the question's criterion, as if nothing else were asked."""
    question = scene.question
    weights = [question.weight(part.listener) for part in pair.at]
    return DelayProblem(
        [part.pair() for part in pair.at], question.criterion, shares(weights, question.criterion)
    )


def _joint_problem(scene: Scene, ties: Ties) -> tuple[JointProblem, float]:
    """All pairs as one problem, and how many pairs there are for a listener on average."""
    question = scene.question
    index = _places(scene)
    weights = [[question.weight(part.listener) for part in pair.at] for pair in scene.pairs]
    total = sum(sum(row) for row in weights)
    largest = max(max(row) for row in weights)
    edges = []
    for pair, row in zip(scene.pairs, weights, strict=True):
        parts = [part.pair() for part in pair.at]
        means = [weight / total for weight in row]
        mean = None
        if question.criterion == "worst":
            mean = DelayProblem(parts, "mean", means)
            problem = DelayProblem(parts, "worst", [weight / largest for weight in row])
        else:
            problem = DelayProblem(parts, question.criterion, means)
        edges.append(Edge(index[pair.first], index[pair.second], problem, mean))
    listeners = sum(question.weight(listener) for listener in question.listeners)
    scale = 1.0 if question.criterion == "worst" else total / listeners
    return JointProblem(edges, ties, question.criterion), scale


def candidates_of(scene: Scene, solutions: Sequence[Solution]) -> list[Candidate]:
    """Solutions, best first and without duplicates, with how far apart the parts arrive."""
    return candidates(_couples(scene), solutions)


def _places(scene: Scene) -> dict[str, int]:
    return {name: at for at, name in enumerate(scene.move)} | {scene.question.to: -1}


def _couples(scene: Scene) -> list[Couple]:
    index = _places(scene)
    return [
        Couple(
            index[pair.first],
            index[pair.second],
            pair.at,
            tuple(scene.question.weight(part.listener) for part in pair.at),
            pair_problem(scene, pair).log_centre_hz,
        )
        for pair in scene.pairs
    ]


class Meeting(Struct, frozen=True, eq=False):
    """A moved part (second) and a partner (first) at one listener, both set as in a solution."""

    partner: str
    moved: str
    weight: float
    parts: ListenerParts

    @property
    def listener(self) -> str:
        """Where they meet."""
        return self.parts.listener


class View(Struct, frozen=True, eq=False):
    """All that moved outputs meet outside themselves: a function of one further delay again.

    Delay 0 is the solution it was made for; the outputs drift together, the others are held.
    """

    meetings: tuple[Meeting, ...]

    def problem(self, criterion: Criterion) -> DelayProblem:
        """The criterion over all meetings."""
        weights = [meeting.weight for meeting in self.meetings]
        pairs = [meeting.parts.pair() for meeting in self.meetings]
        return DelayProblem(pairs, criterion, shares(weights, criterion))

    def losses_db(self) -> dict[str, float]:
        """By listener the mean loss over the meetings there; listeners without any are absent."""
        if not self.meetings:
            return {}
        losses = self.problem("mean").listener_losses_db(np.zeros(1), inverted=False)[0]
        found: dict[str, list[float]] = {}
        for meeting, loss in zip(self.meetings, losses, strict=True):
            found.setdefault(meeting.listener, []).append(float(loss))
        return {listener: float(np.mean(each)) for listener, each in found.items()}


def view_of(
    scene: Scene,
    moved: Collection[str],
    delays_ms: Sequence[float],
    inverted: Sequence[bool],
) -> View:
    """What the outputs `moved` meet when every mover is set so (one figure each, in order)."""
    index = _places(scene)

    def as_set(name: str, response: ComplexArray, frequency_hz: FloatArray) -> ComplexArray:
        at = index[name]
        if at < 0 or not (delays_ms[at] or inverted[at]):
            return response
        sign = -1.0 if inverted[at] else 1.0
        return np.asarray(response * (sign * np.exp(-2e-3j * np.pi * frequency_hz * delays_ms[at])))

    meetings = []
    for pair in scene.pairs:
        if (pair.first in moved) == (pair.second in moved):
            continue
        for part in pair.at:
            first = as_set(pair.first, part.first, part.frequency_hz)
            second = as_set(pair.second, part.second, part.frequency_hz)
            names = (pair.first, pair.second)
            if pair.first in moved:
                first, second, names = second, first, names[::-1]
            parts = replace(part, first=first, second=second)
            meetings.append(Meeting(*names, scene.question.weight(part.listener), parts))
    return View(tuple(meetings))
