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
    json_option,
    listener_names,
    open_preset,
    output_names,
    preset_argument,
    save_changed,
)
from xover.cli.outcome import Exit, print_json, say
from xover.model.names import inert
from xover.sheets.alignment_text import alignment_text

if TYPE_CHECKING:
    from xover.design.alignment import Alignment
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
        click.echo(inert_lines(alignment_text(answer)))
    for result in answer.results:
        if result.ambiguous:
            say(f"{result.move}: a rival is as good; listen to both before the show")
    return int(Exit.ATTENTION if answer.ambiguous else Exit.DONE)


def inert_lines(text: str) -> str:
    """Text for people, every line made inert."""
    return "\n".join(inert(line) for line in text.split("\n"))


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
