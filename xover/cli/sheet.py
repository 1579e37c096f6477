"""`xover sheet`: the entry sheet, to type from."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from xover.cli.archive import place_option, preset_or_revision
from xover.cli.common import example, open_preset, open_profile, preset_argument, write_result

if TYPE_CHECKING:
    from xover.model.preset import Preset
    from xover.sheets.rows import Sheet

FORMATS = ("html", "pdf", "md", "csv", "txt")


@click.command(epilog=example("xover sheet presets/harbour-hall.json -o sheet.html"))
@preset_argument
@click.option(
    "-o",
    "output_file",
    metavar="FILE",
    help="Write here; .html, .pdf, .md, .csv or .txt decides the format (default: text to stdout).",
)
@click.option("--as", "format_", type=click.Choice(FORMATS), help="The format, whatever the name.")
@click.option("--processor", metavar="PROFILE", help="In the units and steps of this processor.")
@click.option(
    "--since",
    metavar="REVISION|FILE",
    help="Only what changed since that preset, in an order that is safe while signal passes.",
)
@place_option
@click.option("--force", is_flag=True, help="Overwrite the file named by -o.")
def command(
    preset: str,
    output_file: str | None,
    format_: str | None,
    processor: str | None,
    since: str | None,
    folder: str | None,
    force: bool,
) -> None:
    """Print the entry sheet: every setting in the order of the signal, with room to tick off."""
    import datetime
    import hashlib

    from xover.files.preset_json import dumps
    from xover.sheets.electrical import electrical_curves
    from xover.sheets.formats import format_of, sheet
    from xover.sheets.rows import sheet_of

    chosen = format_
    if chosen is None:
        chosen = "txt" if output_file in (None, "-") else format_of(str(output_file))
    loaded = open_preset(preset)
    profile = None if processor is None else open_profile(processor)
    date = datetime.date.today().isoformat()

    def rows_of(item: Preset) -> tuple[Preset, Sheet]:
        """The sheet, and the preset as it is arranged there."""
        revision = hashlib.sha256(dumps(item)).hexdigest()[:12]
        if profile is None:
            return item, sheet_of(item, date=date, revision=revision)
        from xover.design.adapting.adaptation import adapt
        from xover.sheets.device import device_sheet

        answer = adapt(item, profile)
        return answer.arranged, device_sheet(item, answer, date=date, revision=revision)

    arranged, rows = rows_of(loaded)
    curves = electrical_curves(loaded) if chosen in ("html", "pdf") else ()
    if since is not None:
        from xover.sheets.since import changes_sheet

        earlier = preset_or_revision(since, folder)
        rows = changes_sheet(*rows_of(earlier), arranged, rows)
        curves = ()
    write_result(sheet(rows, chosen, curves=curves), output_file, force=force)
