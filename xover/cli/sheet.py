"""`xover sheet`: the entry sheet, to type from."""

from __future__ import annotations

import click

from xover.cli.common import open_preset, preset_argument, write_result

FORMATS = ("html", "pdf", "md", "csv", "txt")


@click.command(epilog="Example: xover sheet presets/harbour-hall.json -o sheet.html")
@preset_argument
@click.option(
    "-o",
    "output_file",
    metavar="FILE",
    help="Write here; .html, .pdf, .md, .csv or .txt decides the format (default: text to stdout).",
)
@click.option("--as", "format_", type=click.Choice(FORMATS), help="The format, whatever the name.")
@click.option("--force", is_flag=True, help="Overwrite the file named by -o.")
def command(preset: str, output_file: str | None, format_: str | None, force: bool) -> None:
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
    revision = hashlib.sha256(dumps(loaded)).hexdigest()[:12]
    rows = sheet_of(loaded, date=datetime.date.today().isoformat(), revision=revision)
    curves = electrical_curves(loaded) if chosen in ("html", "pdf") else ()
    write_result(sheet(rows, chosen, curves=curves), output_file, force=force)
