"""`xover schema`: the JSON Schema of the file format, generated from the model."""

from __future__ import annotations

import click

from xover.cli.common import example, write_result


@click.command(epilog=example("xover schema preset > preset.schema.json"))
@click.argument("kind", type=click.Choice(["preset", "processor"]))
def command(kind: str) -> None:
    """Print the JSON Schema (draft 2020-12) of the format of presets or processor profiles."""
    if kind == "preset":
        from xover.files.preset_schema import schema_text

        text = schema_text()
    else:
        from xover.files.profile_schema import profile_schema_text

        text = profile_schema_text()
    write_result(text, None, force=False)
