"""`xover check`: the faults of a preset or profile, then advice about a preset, worst first."""

from __future__ import annotations

import click

from xover.cli.common import example, json_option, open_either
from xover.cli.outcome import Exit, print_json, tell


@click.command(epilog=example("xover check presets/harbour-hall.json"))
@click.argument("file", metavar="FILE")
@json_option
def command(file: str, as_json: bool) -> int:
    """Validate the preset or processor profile FILE (- is stdin), then give advice about a preset.

    Faults end with exit code 2. Findings are printed worst first; an error or a warning among
    them gives exit code 1.
    """
    from xover.design.advice import advise
    from xover.model.places import label
    from xover.model.preset import Preset

    preset = open_either(file)
    if not isinstance(preset, Preset):
        if as_json:
            print_json({"findings": []})
        else:
            tell(f"{preset.name}: a valid processor profile")
        return int(Exit.DONE)
    findings = advise(preset)
    if as_json:
        document = [
            {
                "code": one.code,
                "severity": one.severity,
                "where": one.where,
                "message": one.message,
                "caution": one.caution or None,
                "also": list(one.also),
            }
            for one in findings
        ]
        print_json({"findings": document})
    elif not findings:
        click.echo("nothing to report")
    else:
        for one in findings:
            place = f"{label(preset, one.where)} ({one.where})"
            tell(f"{one.severity}: {place}: {one.message}")
            if one.caution:
                tell(f"  caution: {one.caution}")
    attention = any(one.severity in ("error", "warning") for one in findings)
    return int(Exit.ATTENTION if attention else Exit.DONE)
