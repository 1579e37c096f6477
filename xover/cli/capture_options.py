"""Options about captures that more than one command takes, grouped by the kind of file.

Each group is a decorator; each kind's answers are read from the options here and nowhere else.
A new kind of file gets a group of its own beside these.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, cast

import click

from xover.cli.common import Figure, group
from xover.model.problems import Refused
from xover.model.words import COLUMNS, Column

if TYPE_CHECKING:
    from xover.files.captures import AudioAnswers, TextAnswers
    from xover.files.sweep_recordings import SweepAnswers

Options = Mapping[str, Any]


text_options = group(
    click.option(
        "--decimal", type=click.Choice([",", "."]), help="Text: the decimal mark, where it is open."
    ),
    click.option(
        "--columns",
        metavar="KIND[,KIND…]",
        help="Text: what the columns are: " + ", ".join(COLUMNS) + ".",
    ),
    click.option(
        "--frequency-unit", type=click.Choice(["hz", "khz"]), help="Text: unit of frequency."
    ),
    click.option(
        "--magnitude", type=click.Choice(["db", "linear"]), help="Text: unit of magnitude."
    ),
    click.option("--phase-unit", type=click.Choice(["deg", "rad"]), help="Text: unit of phase."),
    click.option(
        "--repeated",
        type=click.Choice(["power", "complex", "first", "last"]),
        help="Text: differing rows of one frequency: average them, or keep one.",
    ),
)
"""What a text file leaves open."""

audio_options = group(
    click.option(
        "--channel", type=click.IntRange(1), metavar="N", help="Which channel of the audio."
    ),
)
"""What holds for audio of every kind."""

channels_options = group(
    click.option(
        "--reference",
        type=click.IntRange(1),
        metavar="CH",
        help="Two channels of any programme: which one is the signal that was played.",
    ),
)
"""Two channels of one programme."""

impulse_options = group(
    click.option(
        "--window",
        "window_ms",
        type=Figure(0.0, min_open=True),
        metavar="MS",
        help="Keep this much of an impulse response, from sample 0, with a fading end.",
    ),
    click.option(
        "--gate",
        "gate_ms",
        type=Figure(0.0, min_open=True),
        metavar="MS",
        help="Keep this much of an impulse response after its onset, with a fading end.",
    ),
    click.option(
        "--lead",
        "lead_ms",
        type=Figure(0.0),
        metavar="MS",
        help="With --gate or --cycles: keep no more than this before the onset.",
    ),
    click.option(
        "--cycles",
        type=Figure(3.0, 50.0),
        metavar="N",
        help="Keep N periods of each frequency after the onset of an impulse response.",
    ),
    click.option(
        "--onset",
        "onset_ms",
        type=Figure(0.0),
        metavar="MS",
        help="With --gate or --cycles: where the onset is, from sample 0.",
    ),
)
"""An impulse response as audio."""


sweep_options = group(
    click.option("--sweep", metavar="SWEEP", help="A recording: the sweep file that was played."),
    click.option(
        "--take",
        metavar="OUTPUT|N",
        help="Which sweep of the file, by its output or number (default: that of --output).",
    ),
    click.option(
        "--time-zero",
        type=click.Choice(["direct", "file"]),
        help="With one sweep: the direct sound (default), or the recorder started with the file.",
    ),
)
"""A recording of a played sweep."""


def text_answers(options: Options) -> TextAnswers:
    """What was said about text columns. Raises `Refused` for a kind of column not known."""
    from xover.files.captures import TextAnswers

    columns: tuple[Column, ...] | None = None
    if options["columns"] is not None:
        names = tuple(part.strip().casefold() for part in options["columns"].split(","))
        for name in names:
            if name not in COLUMNS:
                raise Refused.at("", f"--columns: “{name}” is none of {', '.join(COLUMNS)}")
        columns = cast("tuple[Column, ...]", names)
    return TextAnswers(
        decimal=options["decimal"],
        columns=columns,
        frequency_unit=options["frequency_unit"],
        magnitude=options["magnitude"],
        phase_unit=options["phase_unit"],
        repeated=options["repeated"],
    )


def audio_answers(options: Options) -> AudioAnswers:
    """What was said about audio, of whatever kind."""
    from xover.files.captures import AudioAnswers

    return AudioAnswers(
        channel=options["channel"],
        reference=options["reference"],
        window_ms=options["window_ms"],
        gate_ms=options["gate_ms"],
        lead_ms=options["lead_ms"],
        cycles=options["cycles"],
        onset_ms=options["onset_ms"],
        sweep=sweep_answers(options),
    )


def sweep_answers(options: Options) -> SweepAnswers | None:
    """Which sweep was recorded, or None.

    Without --take it is the take of --output, where the file holds one.
    """
    if options["sweep"] is None:
        return None
    from xover.files.sweep_recordings import SweepAnswers, take_names
    from xover.model.names import fold

    take, output = options["take"], options.get("output")
    if take is None and output is not None:
        wanted = fold(output.strip())
        take = next((name for name in take_names(options["sweep"]) if fold(name) == wanted), None)
    return SweepAnswers(options["sweep"], take, options["time_zero"] or "direct")
