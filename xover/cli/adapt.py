"""`xover adapt`: the preset as one kind of processor can hold it, and what is lost."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from xover.cli.common import example, json_option, open_preset, open_profile
from xover.cli.outcome import Exit, print_json, say

if TYPE_CHECKING:
    from xover.design.adapting.result import Adaptation, Adapted
    from xover.model.preset import Preset


@click.command(
    epilog=example(
        "xover adapt presets/lantern-cafe.json --processor presets/processors/old-ferry-2x6.json"
    ),
)
@click.argument("preset", metavar="PRESET")
@click.option("--processor", metavar="PROFILE", required=True, help="The processor's profile.")
@click.option("-o", "output_file", metavar="FILE", help="Write the adapted preset here.")
@click.option("--force", is_flag=True, help="Overwrite the file named by -o.")
@json_option
def command(
    preset: str, processor: str, output_file: str | None, force: bool, as_json: bool
) -> int:
    """Show PRESET as a processor can hold it: figures as typed, and what is lost.

    All values of an output are rounded together, so that their errors cancel as far as they can.
    What cannot be held is named with its cost and gives exit code 1. -o writes the preset that
    the processor then holds, in the preset's own units and conventions.
    """
    from xover.design.adapting.adaptation import adapt
    from xover.files.preset_json import save

    opened = open_preset(preset)
    answer = adapt(opened, open_profile(processor))
    if output_file is not None:
        save(answer.preset, output_file, overwrite=force)
        if output_file != "-":
            say(f"wrote {output_file}", whole=[output_file])
    if as_json and output_file != "-":
        print_json(document(answer))
    elif output_file != "-":
        for line in _text(opened, answer):
            click.echo(line)
    return int(Exit.DONE if answer.is_whole else Exit.ATTENTION)


def document(answer: Adaptation) -> dict[str, Any]:
    """The answer as the command line's JSON."""
    return {
        "processor": answer.profile.name,
        "sample_rate_hz": answer.device_rate_hz,
        "outputs": [_one("output", one) for one in answer.outputs],
        "inputs": [_one("input", one) for one in answer.inputs],
        "notes": list(answer.notes),
    }


def _one(kind: str, one: Adapted) -> dict[str, Any]:
    return {
        kind: one.name,
        "largest_db": one.largest_db,
        "largest_deg": one.largest_deg,
        "rms_db": one.rms_db,
        "delay_error_ms": one.delay_error_ms,
        "changes": [
            {"where": each.where, "from": each.meant, "to": each.typed, "unit": each.unit}
            for each in one.changes
        ],
        "cannot": [
            {"where": each.where, "why": each.why, "largest_db": each.largest_db}
            for each in one.cannot
        ],
    }


def _text(preset: Preset, answer: Adaptation) -> list[str]:
    from xover.model.names import inert
    from xover.model.places import label
    from xover.model.units import plain, show_hz
    from xover.sheets.cells import folded
    from xover.sheets.device import change_text

    lines = [f"{answer.profile.name}, at {show_hz(answer.device_rate_hz)}"]
    lines += [f"  {note}" for note in answer.notes]
    for one in (*answer.inputs, *answer.outputs):
        if one in answer.inputs and not one.changes and not one.cannot:
            continue
        lines += [
            "",
            f"{one.name}: at most {plain(one.largest_db, 2)} dB and {plain(one.largest_deg, 1)}° "
            f"from the preset, {plain(one.rms_db, 2)} dB rms",
        ]
        told = {each.where for each in one.cannot if each.where.endswith(".name")}
        lines += [
            f"  {change_text(preset, each)}" for each in one.changes if each.where not in told
        ]
        for each in one.cannot:
            cost = "" if each.largest_db is None else f" (costs {plain(each.largest_db, 2)} dB)"
            lines.append(f"  cannot: {label(preset, each.where)}: {each.why}{cost}")
    return folded(inert(line) for line in lines)
