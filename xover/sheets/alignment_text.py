"""An alignment as text for people: what to enter, what it wins, what else would do.

The same words on the command line and in the workbench. Computes nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from xover.model.units import plain, show_c, show_hz, show_m, show_ms
from xover.sheets.wording import drive_sentence, sentence_case

if TYPE_CHECKING:
    from xover.design.alignment import Alignment, Alternative, PairAlignment


def alignment_text(answer: Alignment) -> str:
    """The whole answer in lines: every result, then the settings of all outputs, then notes.

    Names are as they are in the preset; whoever shows the text makes it inert.
    """
    blocks = [result_text(result) for result in answer.results]
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


def result_text(result: PairAlignment) -> str:
    """One moved output: what to enter, losses by listener before and after, rivals, notes."""
    bands = ", ".join(f"{show_hz(low)} to {show_hz(high)}" for low, high in result.bands_hz)
    lines = [
        f"{result.move} to {result.to}",
        f"  add {show_ms(result.delay_ms, 3)} to {result.delayed_output}; "
        f"polarity of {result.move}: {result.polarity}"
        + (" (turned)" if result.inverted else " (as it is)"),
        f"  overlap {bands}",
        "  summation loss    before     after",
    ]
    width = max(18, *(len(name) + 4 for name in result.loss_before_db))
    lines[-1] = f"  {'summation loss':<{width - 2}}{'before':>10}{'after':>10}"
    lines += [
        f"    {name:<{width - 4}}{_loss(result.loss_before_db[name]):>10}"
        f"{_loss(result.loss_after_db[name]):>10}"
        for name in result.loss_before_db
    ]
    lines.append("  " + _tolerance(result))
    basis = ", ".join(f"{name} {kind}" for name, kind in result.basis.items())
    lines.append(f"  basis: {basis}")
    if result.spread_ms is not None:
        low, high = result.spread_ms
        lines.append(
            f"  what the data sheets leave open: {plain(low, 2)} to {plain(high, 2)} ms relative"
        )
    if result.alternatives:
        lines.append("  other settings, the runner-up first")
        lines += [f"    {_alternative(entry, result)}" for entry in result.alternatives]
    lines += [f"  Note: {note}" for note in result.notes]
    return "\n".join(lines)


def _loss(value_db: float) -> str:
    return f"{plain(value_db, 2)} dB"


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
    if result.tolerance_c is not None and result.tolerance_c < 100.0:
        extra.append(show_c(result.tolerance_c))
    return text + (f" ({' or '.join(extra)})" if extra else "")


def _alternative(entry: Alternative, result: PairAlignment) -> str:
    losses = ", ".join(f"{name} {_loss(value)}" for name, value in entry.loss_after_db.items())
    text = f"{show_ms(entry.delay_ms, 3)} to {entry.delayed_output}, {entry.polarity}: {losses}"
    if entry.kind == "quadrature":
        text += " (flat in quadrature)"
    if entry.at_limit:
        text += " (at the limit)"
    return text
