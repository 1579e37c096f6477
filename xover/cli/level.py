"""`xover level`: octave bands and A-weighted SPL at a listener, headroom, exposure."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

import click

from xover.cli.common import (
    Figure,
    drive_document,
    drive_from,
    drive_options,
    example,
    json_option,
    listener_names,
    open_preset,
    preset_argument,
)
from xover.cli.outcome import print_json, tell

if TYPE_CHECKING:
    from xover.acoustics.bands import Spectrum
    from xover.design.level import LevelAnswer


@click.command(
    epilog=example(
        'xover level presets/harbour-hall.json --listener "Row 8" --input-level-dbu -10'
    ),
)
@preset_argument
@click.option(
    "--listener",
    "listeners",
    required=True,
    multiple=True,
    metavar="NAME",
    help="Where somebody sits (repeatable).",
)
@click.option(
    "--input-level-dbu",
    type=Figure(-120.0, 60.0),
    required=True,
    metavar="X",
    help="Rms level of the noise at the driven inputs.",
)
@click.option(
    "--crest-db",
    type=Figure(0.0, 40.0),
    default=12.0,
    show_default=True,
    metavar="X",
    help="Crest factor of the noise, peak over rms.",
)
@click.option(
    "--spectrum",
    type=click.Choice(["pink", "programme"]),
    default="pink",
    show_default=True,
    help="Equal power in every octave, or as simulated programme has it.",
)
@drive_options
@json_option
def command(
    preset: str,
    listeners: tuple[str, ...],
    input_level_dbu: float,
    crest_db: float,
    spectrum: str,
    driven: tuple[str, ...],
    uncorrelated: bool,
    as_json: bool,
) -> None:
    """How loud a noise is at a listener, how far the limiters are, how long one may stay.

    A prediction: a calibrated meter and local rules decide.
    """
    from xover.design.level import level

    loaded = open_preset(preset)
    drive = drive_from(loaded, driven, uncorrelated)
    answers = [
        level(
            loaded,
            name,
            input_level_dbu=input_level_dbu,
            crest_db=crest_db,
            spectrum=cast("Spectrum", spectrum),
            drive=drive,
        )
        for name in dict.fromkeys(listener_names(loaded, listeners))
    ]
    if as_json:
        documents = [_document(answer) for answer in answers]
        print_json({**documents[0], "results": documents})
    else:
        from xover.sheets.level_text import level_text

        tell(level_text(answers))


def _document(answer: LevelAnswer) -> dict[str, Any]:
    first = answer.first
    return {
        "input_level_dbu": answer.input_level_dbu,
        "listener": answer.listener,
        "crest_db": answer.crest_db,
        "spectrum": answer.spectrum,
        "bands": [
            {"frequency_hz": band.frequency_hz, "spl_db": band.spl_db} for band in answer.bands
        ],
        "a_weighted_db": answer.a_weighted_db,
        "c_weighted_db": answer.c_weighted_db,
        "unweighted_db": answer.unweighted_db,
        "headroom": [
            {
                "output": each.output,
                "level_dbu": each.level_dbu,
                "rms_db": each.rms_db,
                "peak_db": each.peak_db,
            }
            for each in answer.headroom
        ],
        "first_limit": None
        if first is None
        else {
            "output": first.output,
            "limiter": first.limiter,
            "headroom_db": first.headroom_db,
            "input_level_dbu": first.input_level_dbu,
            "a_weighted_db": first.a_weighted_db,
        },
        "permitted_min": {"niosh": answer.niosh_min, "osha": answer.osha_min},
        "estimated": answer.estimated,
        "driven": drive_document(answer.drive),
        "cautions": list(answer.cautions),
        "notes": list(answer.notes),
    }
