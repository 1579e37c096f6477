"""`xover align`: polarity and delay that sum best through the overlap."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

import click

from xover.cli.common import (
    apply_options,
    check_apply,
    drive_document,
    drive_from,
    drive_options,
    drive_sentence,
    json_option,
    listener_names,
    open_preset,
    output_names,
    preset_argument,
    save_changed,
)
from xover.cli.outcome import Exit, print_json, say
from xover.model.names import inert
from xover.model.units import plain, show_c, show_hz, show_m, show_ms

if TYPE_CHECKING:
    from xover.design.alignment import Alignment, Alternative, PairAlignment
    from xover.design.delay_search import Criterion


@click.command(
    epilog="Example: xover align presets/harbour-hall.json --move Sub --to “Top L” "
    "--listener “Row 8”",
)
@preset_argument
@click.option("--move", multiple=True, required=True, metavar="OUTPUT", help="What may move.")
@click.option("--to", required=True, metavar="OUTPUT", help="What it is aligned to.")
@click.option(
    "--listener", "listeners", multiple=True, required=True, metavar="NAME", help="Where it counts."
)
@click.option(
    "--max-delay-ms",
    type=click.FloatRange(0.0, 10_000.0),
    default=25.0,
    show_default=True,
    help="Largest relative delay, on top of today's.",
)
@click.option("--keep-polarity", is_flag=True, help="Change the delay alone.")
@click.option(
    "--band", nargs=2, type=float, metavar="LO HI", help="The overlap in Hz, instead of finding it."
)
@click.option(
    "--criterion",
    type=click.Choice(["mean", "worst", "energy"]),
    default="mean",
    show_default=True,
    help="What is made small over several listeners.",
)
@click.option(
    "--assume-shared-zero",
    is_flag=True,
    help="Trust that captures of unknown or different sessions share a time zero.",
)
@click.option(
    "--mixed",
    is_flag=True,
    help="Accept a measurement against a model, and phases estimated from magnitude.",
)
@drive_options
@apply_options
@json_option
def command(
    preset: str,
    move: tuple[str, ...],
    to: str,
    listeners: tuple[str, ...],
    max_delay_ms: float,
    keep_polarity: bool,
    band: tuple[float, float] | None,
    criterion: str,
    assume_shared_zero: bool,
    mixed: bool,
    driven: tuple[str, ...],
    uncorrelated: bool,
    apply_: bool,
    output_file: str | None,
    force: bool,
    as_json: bool,
) -> int:
    """Find polarity and delay that make outputs sum best with another where people sit.

    Exit code 1 when a rival sums as well and arrives as close (both are shown).
    """
    check_apply(apply_, output_file)
    from xover.design.alignment import align, apply_alignment

    loaded = open_preset(preset)
    answer = align(
        loaded,
        move=output_names(loaded, move),
        to=output_names(loaded, [to])[0],
        listeners=listener_names(loaded, listeners),
        drive=drive_from(loaded, driven, uncorrelated),
        max_delay_ms=max_delay_ms,
        keep_polarity=keep_polarity,
        band_hz=band,
        criterion=cast("Criterion", criterion),
        assume_shared_zero=assume_shared_zero,
        mixed=mixed,
    )
    if apply_:
        saved = save_changed(apply_alignment(loaded, answer), preset, output_file, force=force)
        say(f"applied, saved in {saved}")
    if as_json:
        print_json(_document(answer))
    elif output_file != "-":
        click.echo(inert_lines(_text(answer)))
    for result in answer.results:
        if result.ambiguous:
            say(f"{result.move}: a rival is as good; listen to both before the show")
    return int(Exit.ATTENTION if answer.ambiguous else Exit.DONE)


def inert_lines(text: str) -> str:
    """Text for people, every line made inert."""
    return "\n".join(inert(line) for line in text.split("\n"))


def sentence_case(text: str) -> str:
    """The first letter large, names left as they are."""
    return text[:1].upper() + text[1:]


def _document(answer: Alignment) -> dict[str, Any]:
    return {
        "results": [
            {
                "move": result.move,
                "to": result.to,
                "polarity": result.polarity,
                "delay_ms": result.delay_ms,
                "delayed_output": result.delayed_output,
                "relative_delay_ms": result.relative_delay_ms,
                "bands_hz": [list(band) for band in result.bands_hz],
                "loss_before_db": result.loss_before_db,
                "loss_after_db": result.loss_after_db,
                "tolerance_ms": list(result.tolerance_ms),
                "tolerance_m": result.tolerance_m,
                "tolerance_c": result.tolerance_c,
                "basis": result.basis,
                "ambiguous": result.ambiguous,
                "at_limit": result.at_limit,
                "spread_ms": None if result.spread_ms is None else list(result.spread_ms),
                "alternatives": [
                    {
                        "kind": entry.kind,
                        "polarity": entry.polarity,
                        "delay_ms": entry.delay_ms,
                        "delayed_output": entry.delayed_output,
                        "loss_after_db": entry.loss_after_db,
                        "group_delay_difference_ms": entry.group_delay_difference_ms,
                        "at_limit": entry.at_limit,
                    }
                    for entry in result.alternatives
                ],
                "notes": list(result.notes),
            }
            for result in answer.results
        ],
        "settings": {
            name: {"delay_ms": setting.delay_ms, "polarity": setting.polarity}
            for name, setting in answer.settings.items()
        },
        "criterion": answer.criterion,
        "driven": drive_document(answer.drive),
        "notes": list(answer.notes),
    }


def _text(answer: Alignment) -> str:
    blocks = [_result_text(result) for result in answer.results]
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


def _result_text(result: PairAlignment) -> str:
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
