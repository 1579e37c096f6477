"""`xover trace`: read a measured response, summarise it, attach it to a preset."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from xover.cli.capture_attach import attach, attach_options, check_attach
from xover.cli.capture_options import (
    audio_answers,
    audio_options,
    channels_options,
    impulse_options,
    sweep_options,
    text_answers,
    text_options,
)
from xover.cli.capture_show import check_show, document, draw, summary, write_table
from xover.cli.capture_treatment import (
    calibration,
    check_treatment,
    put_together,
    treatment_options,
)
from xover.cli.common import example, json_option
from xover.cli.outcome import print_json
from xover.cli.plots import plot_option
from xover.cli.progress import progress

if TYPE_CHECKING:
    from xover.files.captures import Read


@click.command(
    epilog=example(
        'xover trace sub.wav --attach evening.json --output Sub --listener "Row 8" '
        "--captured settings --session tonight"
    ),
)
@click.argument("files", metavar="FILE…", nargs=-1, required=True)
@attach_options
@audio_options
@channels_options
@impulse_options
@sweep_options
@treatment_options
@text_options
@plot_option()
@json_option
def command(files: tuple[str, ...], **options: Any) -> None:
    """Read a measured response and say what was understood of it.

    Text columns (frequency, dB, phase, coherence), an impulse response as audio, whose sample 0 is
    time zero and is kept, with --sweep the recording of a played sweep or, with --reference, two
    channels of any programme. Captures keep their absolute time, so that those of one --session
    can be aligned.

    Hearing and drivers: measure at a low level first; never connect a power output or a 70/100 V
    line to an audio interface.
    """
    from xover.files.captures import read_capture

    check_attach(files, options)
    check_treatment(files, options)
    check_show(files, options)
    text, audio, level = text_answers(options), audio_answers(options), calibration(options)

    def read(name: str | Path) -> Read:
        with progress("reading") as told:
            return read_capture(name, text=text, audio=audio, calibration=level, progress=told)

    captures = put_together(files, read, options)
    output_file, plot = options["output_file"], options["plot"]
    if options["attach"] is not None:
        attach(captures[0], options)
    elif output_file is not None:
        write_table(captures[0][0], output_file, force=options["force"])
    if plot is not None:
        draw(captures, plot, force=options["force"])
    if options["as_json"]:
        documents = [document(read) for read in captures]
        print_json(documents[0] if len(documents) == 1 else documents)
    elif output_file != "-":
        click.echo("\n\n".join(summary(read) for read in captures))
