"""One moved output's share of an alignment: what to enter, what it wins, how far it holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from msgspec import Struct
from msgspec.structs import replace

from xover.acoustics.air import speed_of_sound_m_s
from xover.design.all_pass import with_sections
from xover.design.answer import AllPass, Alternative, LossCurve, PairAlignment
from xover.design.choice import Candidate, quadrature_delay
from xover.design.delay_search import DelayProblem, search
from xover.design.joint import Solution
from xover.design.overlap import loss_db, merge_bands
from xover.design.parts import Scene, gather
from xover.design.solve import Solved, View, candidates_of, view_of
from xover.design.tolerance import Ways, tolerance_c, tolerance_m, tolerance_ms
from xover.dsp.axis import Axis
from xover.model.changes import other_polarity
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import Crossover, EqSection, Output
from xover.model.rig import Loudspeaker
from xover.model.words import Enclosure, Polarity

MAX_ALTERNATIVES = 5
SETTLED_MS = 5e-4
EDGE_SPREAD_HZ = 5.0
LATENCY_SPREAD_MS = 1.0


class Without(Struct, frozen=True, eq=False):
    """What the answer is without all-pass sections: the scene as it is, its best setting."""

    scene: Scene
    answer: Solution
    sections: Mapping[str, EqSection]
    """Those of the answer, by moved output."""


def settled(solution: Solution) -> Solution:
    """The solution with delays below the resolution of any answer as none: nothing to do."""
    delays = tuple(0.0 if abs(delay) < SETTLED_MS else delay for delay in solution.delays_ms)
    return replace(solution, delays_ms=delays)


def entered(
    preset: Preset, name: str, to: str, relative_ms: float, inverted: bool
) -> tuple[Polarity, float, str]:
    """What a relative delay and a turn mean as something to enter: polarity, delay, on which."""
    present = preset.output(name).polarity
    polarity = other_polarity(present) if inverted else present
    return polarity, abs(relative_ms), name if relative_ms >= 0.0 else to


def losses_of(scene: Scene, name: str, solution: Solution) -> dict[str, float | None]:
    """The mover's mean loss at every listener of the question; None where it meets nothing."""
    found = view_of(scene, {name}, solution.delays_ms, solution.inverted).losses_db()
    return {listener: found.get(listener) for listener in scene.question.listeners}


def at_rest(scene: Scene) -> Solution:
    """Today's settings."""
    count = len(scene.move)
    return Solution((0.0,) * count, (False,) * count, 0.0, (False,) * count)


def pair_alignment(
    preset: Preset,
    solved: Solved,
    answer: Solution,
    index: int,
    axis: Axis,
    without: Without,
    said: Sequence[str] = (),
) -> PairAlignment:
    """Everything there is to say of mover number `index` under the chosen setting."""
    scene, today = solved.scene, without.scene
    name, question = scene.move[index], scene.question
    delay_ms, inverted = answer.delays_ms[index], answer.inverted[index]
    view = view_of(scene, {name}, answer.delays_ms, answer.inverted)
    before = view_of(today, {name}, at_rest(scene).delays_ms, at_rest(scene).inverted)
    curves, bands_hz = _curves(before, view), _bands(view)
    if not view.meetings:  # it moves with its group alone, and holds as long as that does
        ties = solved.ties.delay_of
        unit = {one for at, one in enumerate(scene.move) if ties[at] == ties[index]}
        view = view_of(scene, unit, answer.delays_ms, answer.inverted)
    mean = view.problem("mean")
    notes = [*(scene.notes if index == 0 else ()), *said]
    alternatives = [
        _alternative(preset, scene, index, "candidate", entry)
        for entry in solved.others(MAX_ALTERNATIVES)
    ]
    flat = _quadrature(preset, solved, answer, index)
    if flat is not None:
        alternatives.insert(0, flat)
        notes.append(
            "odd-order Butterworth filters are flat in quadrature by design: the chosen "
            "setting sums in phase and is louder at the crossover, the quadrature setting "
            "listed sums flat"
        )
    if answer.at_limit[index]:
        notes.append("the best delay lies at the limit of the search; raise --max-delay-ms")
    partners = tuple(dict.fromkeys((question.to, *(one.partner for one in view.meetings))))
    modelled = [one for one in scene.modelled if one in (*partners, name)]
    spread = None
    if modelled:
        spread = _spread(preset, solved, answer, index, axis, modelled, without)
        notes.append(
            f"a starting value: {' and '.join(f'“{output}”' for output in modelled)} rest on a "
            "model; measure before the show"
        )
    tolerance = tolerance_ms(mean, 0.0, inverted=False)
    known = [value for value in tolerance if value is not None]
    ways = _ways(preset, view)
    movement = tolerance_m(preset, ways)
    if movement is None:
        bare = [one for one in (*partners, name) if not preset.sources_of(one)]
        notes.append(
            "how far a listener may move cannot be told: "
            + " and ".join(f"“{output}”" for output in bare)
            + (" has" if len(bare) == 1 else " have")
            + " no source with a position"
        )
    polarity, added_ms, delayed = entered(preset, name, question.to, delay_ms, inverted)
    names = dict.fromkeys((*partners, name))
    return PairAlignment(
        move=name,
        to=question.to,
        polarity=polarity,
        delay_ms=added_ms,
        delayed_output=delayed,
        relative_delay_ms=delay_ms,
        inverted=inverted,
        bands_hz=bands_hz,
        loss_before_db=losses_of(today, name, at_rest(scene)),
        loss_after_db=losses_of(scene, name, answer),
        loss_curves=curves,
        tolerance_ms=tolerance,
        tolerance_m=min(known) * 1e-3 * speed_of_sound_m_s(preset.air) if known else None,
        tolerance_movement_m=movement,
        tolerance_c=tolerance_c(preset, ways),
        basis={output: scene.basis[output] for output in names},
        basis_at={
            listener: {output: kinds[output] for output in names}
            for listener, kinds in scene.basis_at.items()
        },
        ambiguous=any(
            rival.solution.inverted[index] != inverted
            or abs(rival.solution.delays_ms[index] - delay_ms) > SETTLED_MS
            for rival in solved.rivals
        ),
        at_limit=answer.at_limit[index],
        alternatives=tuple(alternatives),
        spread_ms=spread,
        all_pass=_all_pass(preset, answer, index, without),
        notes=tuple(notes),
    )


def _alternative(
    preset: Preset, scene: Scene, index: int, kind: str, entry: Candidate
) -> Alternative:
    solution = entry.solution
    name = scene.move[index]
    losses = losses_of(scene, name, solution)
    return Alternative(
        kind,
        *entered(
            preset,
            name,
            scene.question.to,
            solution.delays_ms[index],
            solution.inverted[index],
        ),
        losses,
        entry.apart_ms[index],
        solution.at_limit[index],
    )


def _quadrature(preset: Preset, solved: Solved, answer: Solution, index: int) -> Alternative | None:
    """The flat setting of an odd-order Butterworth pair with the reference, the others held."""
    scene = solved.scene
    name, question = scene.move[index], scene.question
    pair = next(
        (one for one in scene.pairs if (one.first, one.second) == (question.to, name)), None
    )
    if pair is None or not _odd_butterworth_pair(preset.output(question.to), preset.output(name)):
        return None
    flat = quadrature_delay(
        pair.at, max_delay_ms=question.max_delay_ms, near_ms=answer.delays_ms[index]
    )
    if flat is None:
        return None
    turned = flat[1] and solved.ties.polarity_of[index] is not None
    delays, turns = list(answer.delays_ms), list(answer.inverted)
    delays[index], turns[index] = flat[0], turned
    limits = (False,) * len(delays)
    solution = Solution(tuple(delays), tuple(turns), 0.0, limits)
    (entry,) = candidates_of(scene, [solution])
    return _alternative(preset, scene, index, "quadrature", entry)


def _odd_butterworth_pair(first: Output, second: Output) -> bool:
    def odd(item: Crossover | None) -> int:
        if item is None or item.family != "butterworth":
            return 0
        order = item.slope_db_per_octave // 6
        return order if order % 2 else 0

    return any(
        odd(low.low_pass) != 0 and odd(low.low_pass) == odd(high.high_pass)
        for low, high in ((first, second), (second, first))
    )


def _all_pass(preset: Preset, answer: Solution, index: int, without: Without) -> AllPass | None:
    name = without.scene.move[index]
    section = without.sections.get(name)
    if section is None:
        return None
    plain = without.answer
    return AllPass(
        section,
        plain.value_db - answer.value_db,
        *entered(
            preset,
            name,
            without.scene.question.to,
            plain.delays_ms[index],
            plain.inverted[index],
        ),
        losses_of(without.scene, name, plain),
    )


def _bands(view: View) -> tuple[tuple[float, float], ...]:
    return merge_bands([band for one in view.meetings for band in one.parts.bands_hz])


def _curves(before: View, after: View) -> tuple[LossCurve, ...]:
    curves = []
    for then, now in zip(before.meetings, after.meetings, strict=True):
        old, new = then.parts.pair(), now.parts.pair()
        curves.append(
            LossCurve(
                now.listener,
                now.partner,
                tuple(new.frequency_hz.tolist()),
                tuple(loss_db(old.first, old.second).tolist()),
                tuple(loss_db(new.first, new.second).tolist()),
            )
        )
    return tuple(curves)


def _ways(preset: Preset, view: View) -> list[Ways]:
    weights = [meeting.weight for meeting in view.meetings]
    if not any(weights):
        weights = [1.0] * len(weights)
    return [
        Ways(
            meeting.listener,
            weight,
            DelayProblem([meeting.parts.pair()]),
            tuple(source.position_m for source in preset.sources_of(meeting.partner)),
            tuple(source.position_m for source in preset.sources_of(meeting.moved)),
        )
        for meeting, weight in zip(view.meetings, weights, strict=True)
    ]


def _spread(
    preset: Preset,
    solved: Solved,
    answer: Solution,
    index: int,
    axis: Axis,
    modelled: Sequence[str],
    without: Without,
) -> tuple[float, float]:
    """The range of the relative delay in ms over what a data sheet leaves open.

    Both enclosures, ±5 Hz at the band edges and ±1 ms of latency of each modelled part; the
    other movers are held.
    """
    scene = solved.scene
    name, question = scene.move[index], scene.question
    boxes = {
        source.loudspeaker
        for output in modelled
        for source in preset.sources_of(output)
        if preset.loudspeaker(source.loudspeaker).response is None
    }
    drifts = [0.0]
    for box in sorted(boxes):
        for variant in _variants(preset.loudspeaker(box)):
            changed = replace(
                preset,
                loudspeakers=tuple(
                    variant if item.name == box else item for item in preset.loudspeakers
                ),
            )
            try:
                other = gather(changed, scene.move, solved.ties, question, axis)
            except Refused:
                continue
            other = with_sections(other, without.sections, axis)
            view = view_of(other, {name}, answer.delays_ms, answer.inverted)
            if not view.meetings:
                continue
            minima = search(
                view.problem(question.criterion),
                max_delay_ms=question.max_delay_ms,
                polarities=(False,),
            )
            if minima:
                drifts.append(min((item.delay_ms for item in minima), key=abs))
    delay_ms = answer.delays_ms[index]
    return (
        delay_ms + min(drifts) - LATENCY_SPREAD_MS,
        delay_ms + max(drifts) + LATENCY_SPREAD_MS,
    )


def _variants(box: Loudspeaker) -> list[Loudspeaker]:
    enclosures: tuple[Enclosure, ...] = ("sealed", "vented")
    variants = [
        replace(box, enclosure=enclosure) for enclosure in enclosures if enclosure != box.enclosure
    ]
    low, high = box.passband_hz
    for edge in (-EDGE_SPREAD_HZ, EDGE_SPREAD_HZ):
        if 0.0 < low + edge < high:
            variants.append(replace(box, passband_hz=(low + edge, high)))
        if low < high + edge:
            variants.append(replace(box, passband_hz=(low, high + edge)))
    return variants
