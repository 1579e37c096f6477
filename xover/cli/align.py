"""`xover align`: polarity and delay that sum best through the overlap."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

import click

from xover.cli.common import (
    Figure,
    apply_options,
    check_apply,
    drive_from,
    drive_options,
    example,
    json_option,
    listener_weights,
    open_preset,
    output_names,
    preset_argument,
    save_changed,
    terminal_size,
    write_result,
)
from xover.cli.outcome import Exit, on_terminal, print_json, say, tell
from xover.cli.plots import check_plot, plot_format, plot_option
from xover.cli.progress import progress
from xover.model.problems import Refused
from xover.sheets.alignment_text import alignment_text

if TYPE_CHECKING:
    from xover.design.delay_search import Criterion


@click.command(
    epilog=example(
        'xover align presets/harbour-hall.json --move Sub --to "Top L" --listener "Row 8"'
    ),
)
@preset_argument
@click.option(
    "--move",
    multiple=True,
    required=True,
    metavar="OUTPUT",
    help="What may move (repeatable; several are solved together).",
)
@click.option("--to", required=True, metavar="OUTPUT", help="What it is aligned to.")
@click.option(
    "--listener",
    "listeners",
    multiple=True,
    required=True,
    metavar="NAME[=WEIGHT]",
    help="Where it counts, and how much (repeatable).",
)
@click.option(
    "--max-delay-ms",
    type=Figure(0.0, 10_000.0),
    default=25.0,
    show_default=True,
    help="Largest relative delay, on top of today's.",
)
@click.option("--keep-polarity", is_flag=True, help="Change the delay alone.")
@click.option(
    "--band",
    nargs=2,
    type=Figure(0.1, 1_000_000.0),
    metavar="LO HI",
    help="The overlap in Hz, instead of finding it.",
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
@click.option(
    "--all-pass", is_flag=True, help="Let an all-pass section on what moves be part of the answer."
)
@plot_option("Draw the loss against frequency into FILE.svg, .png or .pdf, or with - here.")
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
    all_pass: bool,
    plot: str | None,
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
    check_plot(plot, stdout_taken_by="--json" if as_json else "")
    if output_file == "-" and (as_json or plot == "-"):
        other = "--json" if as_json else "--plot -"
        raise Refused.at("", f"-o - and {other} both write to stdout; name a file with -o")
    from xover.design.alignment import align, apply_alignment

    loaded = open_preset(preset)
    weights = listener_weights(loaded, listeners)
    with progress("searching") as bar:
        answer = align(
            loaded,
            move=output_names(loaded, move),
            to=output_names(loaded, [to])[0],
            listeners=tuple(weights),
            weights=weights,
            drive=drive_from(loaded, driven, uncorrelated),
            max_delay_ms=max_delay_ms,
            keep_polarity=keep_polarity,
            band_hz=band,
            criterion=cast("Criterion", criterion),
            assume_shared_zero=assume_shared_zero,
            mixed=mixed,
            all_pass=all_pass,
            progress=bar,
        )
    if plot is not None and plot != "-":
        from xover.sheets.loss_plot import loss_figure

        write_result(loss_figure(answer, plot_format(plot)), plot, force=force)
    if apply_:
        saved = save_changed(apply_alignment(loaded, answer), preset, output_file, force=force)
        say(f"applied, saved in {saved}", whole=[saved])
    if as_json:
        from xover.cli.align_json import document

        print_json(document(answer))
    elif output_file != "-":
        tell(alignment_text(answer))
    if plot == "-":
        from xover.sheets.loss_plot import terminal_loss_plot

        width, height = terminal_size()
        click.echo()
        click.echo(terminal_loss_plot(answer, width, min(height, 24), colour=on_terminal()))
    for result in answer.results:
        if result.ambiguous:
            say(f"{result.move}: a rival is as good; listen to both before the show")
    return int(Exit.ATTENTION if answer.ambiguous else Exit.DONE)
