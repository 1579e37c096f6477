"""An alignment as text for people: what to enter, what it wins, what else would do.

The same words on the command line and in the workbench. Computes nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from xover.model.entry_eq import show_eq
from xover.model.units import plain, show_c, show_hz, show_m, show_ms, signed
from xover.sheets.wording import drive_sentence, sentence_case

if TYPE_CHECKING:
    from xover.design.answer import Alignment, AllPass, Alternative, PairAlignment, RunnerUp

FARTHEST_C = 100.0
"""Changes of temperature beyond this are no weather and not shown."""


def alignment_text(answer: Alignment) -> str:
    """The whole answer in lines: every result, then the settings of all outputs, then notes.

    Names are as they are in the preset; whoever shows the text makes it inert.
    """
    several = len(answer.results) > 1
    blocks = [result_text(result, answer.weights, alone=not several) for result in answer.results]
    if several:
        blocks.append(_together(answer))
    if answer.hints:
        blocks.append("\n".join(f"Hint: {hint.sentence}" for hint in answer.hints))
    width = max(len(name) for name in answer.settings)
    rows = [
        f"  {name:<{width}}  {show_ms(setting.delay_ms, 3):>12}  {setting.polarity}"
        for name, setting in answer.settings.items()
    ]
    blocks.append("\n".join(["All outputs then read", *rows]))
    notes = [f"Note: {note}" for note in answer.notes]
    if notes:
        blocks.append("\n".join(notes))
    blocks.append(sentence_case(drive_sentence(answer.drive)))
    return "\n\n".join(blocks)


def result_text(result: PairAlignment, weights: Mapping[str, float], *, alone: bool = True) -> str:
    """One moved output: what to enter, losses by listener before and after, rivals, notes.

    Of several (not `alone`) the delay relative to the reference and no rivals: what is entered
    and what else would do belong to all of them together.
    """
    bands = ", ".join(f"{show_hz(low)} to {show_hz(high)}" for low, high in result.bands_hz)
    lines = [
        f"{result.move} to {result.to}",
        f"  {_moved(result, alone)}; polarity of {result.move}: {result.polarity}"
        + (" (turned)" if result.inverted else " (as it is)"),
        f"  overlap {bands}" if bands else "  no overlap of its own; it moves with its group",
    ]
    if result.all_pass is not None:
        lines += _all_pass(result.all_pass)
    names = {name: _weighed(name, weights) for name in result.loss_before_db}
    width = max(18, *(len(name) + 4 for name in names.values()))
    lines.append(f"  {'summation loss':<{width - 2}}{'before':>10}{'after':>10}")
    lines += [
        f"    {shown:<{width - 4}}{_loss(result.loss_before_db[name]):>10}"
        f"{_loss(result.loss_after_db[name]):>10}"
        for name, shown in names.items()
    ]
    lines.append("  " + _tolerance(result))
    if result.tolerance_movement_m is not None:
        lines.append("  a listener may move until 1 dB more is lost there")
        lines += [
            f"    {name:<{width - 4}}"
            + ", ".join(_movement(axis, far) for axis, far in way.items())
            for name, way in result.tolerance_movement_m.items()
        ]
    lines += _basis(result)
    if result.spread_ms is not None:
        low, high = result.spread_ms
        lines.append(
            f"  what the data sheets leave open: {plain(low, 2)} to {plain(high, 2)} ms relative"
        )
    shown_here = [entry for entry in result.alternatives if alone or entry.kind != "candidate"]
    if shown_here:
        lines.append("  other settings, the runner-up first")
        lines += [f"    {_alternative(entry)}" for entry in shown_here]
    lines += [f"  Note: {note}" for note in result.notes]
    return "\n".join(lines)


def _all_pass(found: AllPass) -> list[str]:
    losses = ", ".join(f"{name} {_loss(value)}" for name, value in found.loss_after_db.items())
    return [
        f"  with {show_eq(found.section)} added to its EQ, which wins {plain(found.buys_db, 2)} dB",
        f"  without it: {show_ms(found.delay_ms, 3)} to {found.delayed_output}, "
        f"{found.polarity}: {losses}",
    ]


def runner_up_words(entry: RunnerUp) -> str:
    """`Sub +3.210 ms normal, Fill −1.000 ms inverted: loses 0.42 dB`."""
    parts = ", ".join(
        f"{part.move} {signed(part.relative_delay_ms, 3)} ms {part.polarity}"
        for part in entry.parts
    )
    return f"{parts}: loses {_loss(entry.loss_db)}"


def _moved(result: PairAlignment, alone: bool) -> str:
    if alone:
        return f"add {show_ms(result.delay_ms, 3)} to {result.delayed_output}"
    return f"{signed(result.relative_delay_ms, 3)} ms relative to {result.to}"


def _together(answer: Alignment) -> str:
    to = answer.results[0].to
    chosen = ", ".join(
        f"{one.move} {signed(one.relative_delay_ms, 3)} ms {one.polarity}" for one in answer.results
    )
    lines = [
        f"Together, relative to {to}",
        f"  {chosen}: loses {_loss(answer.loss_db)} ({answer.criterion})",
    ]
    if answer.runners_up:
        lines.append("  other settings of all, the runner-up first")
        lines += [f"    {runner_up_words(entry)}" for entry in answer.runners_up]
    return "\n".join(lines)


def _weighed(name: str, weights: Mapping[str, float]) -> str:
    weight = weights.get(name, 1.0)
    if len(set(weights.values())) < 2:
        return name
    return f"{name} (weight {plain(weight, 2).rstrip('0').rstrip('.')})"


def _loss(value_db: float | None) -> str:
    return "–" if value_db is None else f"{plain(value_db, 2)} dB"


def _tolerance(result: PairAlignment) -> str:
    early, late = result.tolerance_ms
    if early is None and late is None:
        return "tolerance: the loss never grows by 1 dB"
    sides = [
        f"{show_ms(value)} {word}" if value is not None else f"any {word}"
        for value, word in ((early, "earlier"), (late, "later"))
    ]
    text = "tolerance until 1 dB more is lost: " + ", ".join(sides)
    extra = []
    if result.tolerance_m is not None:
        extra.append(show_m(result.tolerance_m))
    if result.tolerance_c is not None and result.tolerance_c < FARTHEST_C:
        extra.append(show_c(result.tolerance_c))
    return text + (f" ({' or '.join(extra)})" if extra else "")


def _movement(axis: str, far_m: float | None) -> str:
    return f"{axis} any" if far_m is None else f"{axis} {show_m(far_m)}"


def _basis(result: PairAlignment) -> list[str]:
    """One line where every listener has the same, else one a listener."""

    def words(kinds: Mapping[str, str]) -> str:
        return ", ".join(f"{name} {kind}" for name, kind in kinds.items())

    if len({tuple(kinds.items()) for kinds in result.basis_at.values()}) == 1:
        return [f"  basis: {words(result.basis)}"]
    lines = ["  basis"]
    lines += [f"    {listener}: {words(kinds)}" for listener, kinds in result.basis_at.items()]
    return lines


def _alternative(entry: Alternative) -> str:
    losses = ", ".join(f"{name} {_loss(value)}" for name, value in entry.loss_after_db.items())
    text = f"{show_ms(entry.delay_ms, 3)} to {entry.delayed_output}, {entry.polarity}: {losses}"
    if entry.kind == "quadrature":
        text += " (flat in quadrature)"
    if entry.at_limit:
        text += " (at the limit)"
    return text
