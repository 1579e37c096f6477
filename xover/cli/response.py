"""`xover response`: the electrical response of an output, or the sum at a listener."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from xover.cli.common import (
    Figure,
    drive_document,
    drive_from,
    drive_options,
    example,
    json_option,
    listener_names,
    only_option,
    open_preset,
    output_names,
    preset_argument,
    terminal_size,
    write_result,
)
from xover.cli.outcome import on_terminal, print_json, say, say_notes
from xover.cli.plots import check_plot, plot_format, plot_options
from xover.model.problems import Refused
from xover.sheets.wording import drive_sentence

if TYPE_CHECKING:
    from xover.design.responses import Response
    from xover.model.preset import Preset


@click.command(
    epilog=example('xover response presets/harbour-hall.json --listener "Row 8" --plot -'),
)
@preset_argument
@click.option("--output", metavar="NAME", help="Electrical response of this output.")
@click.option("--listener", metavar="NAME", help="The sum at this listener.")
@only_option
@click.option(
    "--points-per-octave",
    type=click.IntRange(1, 1000),
    metavar="N",
    help="Points 20·2^(k/N) Hz up to 20 kHz (default 48).",
)
@click.option("--frequencies", metavar="F[,F…]", help="Just these frequencies in Hz.")
@click.option(
    "--input-level-dbu",
    type=Figure(-120.0, 60.0),
    metavar="X",
    help="The level at the driven inputs that an SPL answer is for (default 0).",
)
@plot_options
@drive_options
@json_option
def command(
    preset: str,
    output: str | None,
    listener: str | None,
    only: tuple[str, ...],
    points_per_octave: int | None,
    frequencies: str | None,
    input_level_dbu: float | None,
    plot: str | None,
    force: bool,
    driven: tuple[str, ...],
    uncorrelated: bool,
    as_json: bool,
) -> None:
    """Magnitude, phase and group delay, as CSV, JSON or a plot.

    With --output the electrical response from the driven inputs, with --listener the sum where
    somebody sits. CSV unless --json or --plot is given.
    """
    if (output is None) == (listener is None):
        raise Refused.at("", "name either --output or --listener")
    if only and listener is None:
        raise Refused.at("", "--only chooses outputs of a sum; it goes with --listener")
    if input_level_dbu is not None and listener is None:
        raise Refused.at("", "--input-level-dbu is for the sum at a listener; name --listener")
    if points_per_octave is not None and frequencies is not None:
        raise Refused.at("", "give either --points-per-octave or --frequencies")
    check_plot(plot, stdout_taken_by="--json" if as_json else "")
    from xover.design.responses import listener_response, log_frequencies, output_response

    loaded = open_preset(preset)
    drive = drive_from(loaded, driven, uncorrelated)
    where = (
        _frequencies(frequencies)
        if frequencies is not None
        else log_frequencies(loaded, points_per_octave or 48)
    )
    if output is not None:
        answer = output_response(loaded, output_names(loaded, [output])[0], where, drive=drive)
    else:
        assert listener is not None
        answer = listener_response(
            loaded,
            listener_names(loaded, [listener])[0],
            where,
            drive=drive,
            only=output_names(loaded, only),
            input_level_dbu=input_level_dbu or 0.0,
        )
    say_notes(answer.notes)
    if plot is not None:
        _plot(loaded, answer, plot, force=force, only=output_names(loaded, only))
    if as_json:
        print_json(
            {
                "name": answer.name,
                "frequency_hz": answer.frequency_hz.tolist(),
                "magnitude_db": answer.magnitude_db.tolist(),
                "phase_deg": answer.phase_deg.tolist(),
                "group_delay_ms": answer.group_delay_ms.tolist(),
                "level": answer.level,
                "driven": drive_document(drive),
                "notes": list(answer.notes),
            }
        )
    elif plot is None:
        say(drive_sentence(drive))
        click.echo(_csv(answer), nl=False)


def _frequencies(text: str) -> list[float]:
    values: list[float] = []
    for part in text.split(","):
        try:
            values.append(float(part))
        except ValueError:
            raise Refused.at(
                "", f"--frequencies: “{part}” is not a frequency in Hz; write 50,100,1000"
            ) from None
    return values


def _csv(answer: Response) -> str:
    columns = (
        answer.frequency_hz,
        answer.magnitude_db,
        answer.phase_deg,
        answer.group_delay_ms,
    )
    lines = ["frequency_hz,magnitude_db,phase_deg,group_delay_ms"]
    lines += [
        ",".join(_cell(value) for value in row)
        for row in zip(*(column.tolist() for column in columns), strict=True)
    ]
    return "\n".join(lines) + "\n"


def _cell(value: float) -> str:
    if math.isnan(value):
        return ""
    return repr(value)


def _plot(preset: Preset, answer: Response, plot: str, *, force: bool, only: Sequence[str]) -> None:
    from xover.sheets.response_plot import figure_of, terminal_plot

    if plot == "-":
        width, height = terminal_size()
        click.echo(terminal_plot(preset, answer, width, height, only=only, colour=on_terminal()))
        return
    write_result(figure_of(preset, answer, plot_format(plot), only=only), plot, force=force)
