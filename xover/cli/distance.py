"""`xover distance`: delay by time of flight, with the table of arrivals."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from xover.cli.align import inert_lines
from xover.cli.common import (
    apply_options,
    check_apply,
    drive_document,
    drive_from,
    drive_options,
    json_option,
    listener_names,
    open_preset,
    output_names,
    preset_argument,
    save_changed,
)
from xover.cli.outcome import print_json, say
from xover.model.units import plain, show_c, show_db, show_m, show_ms, signed

if TYPE_CHECKING:
    from xover.design.distance import DistanceAnswer, DistanceResult
    from xover.model.preset import Preset


@click.command(
    epilog="Example: xover distance presets/harbour-hall.json --move “Delay L” --to “Top L” "
    "--listener “Row 24” --offset-ms 10",
)
@preset_argument
@click.option("--move", multiple=True, required=True, metavar="OUTPUT", help="What is delayed.")
@click.option("--to", required=True, metavar="OUTPUT", help="What it shall arrive with.")
@click.option("--listener", required=True, metavar="NAME", help="Where it is aimed.")
@click.option(
    "--offset-ms",
    type=click.FloatRange(-1000.0, 1000.0),
    default=0.0,
    show_default=True,
    help="How much later, for precedence.",
)
@drive_options
@apply_options
@json_option
def command(
    preset: str,
    move: tuple[str, ...],
    to: str,
    listener: str,
    offset_ms: float,
    driven: tuple[str, ...],
    uncorrelated: bool,
    apply_: bool,
    output_file: str | None,
    force: bool,
    as_json: bool,
) -> None:
    """Delay outputs so that they arrive with another, or a little after it, at a listener."""
    check_apply(apply_, output_file)
    from xover.design.distance import apply_distance, delay_by_distance

    loaded = open_preset(preset)
    answer = delay_by_distance(
        loaded,
        move=output_names(loaded, move),
        to=output_names(loaded, [to])[0],
        listener=listener_names(loaded, [listener])[0],
        offset_ms=offset_ms,
        drive=drive_from(loaded, driven, uncorrelated),
    )
    if apply_:
        saved = save_changed(apply_distance(loaded, answer), preset, output_file, force=force)
        say(f"applied, saved in {saved}")
    if as_json:
        print_json(_document(answer))
    elif output_file != "-":
        click.echo(inert_lines("\n\n".join(_text(loaded, result) for result in answer.results)))


def _document(answer: DistanceAnswer) -> dict[str, Any]:
    results = [
        {
            "move": result.move,
            "to": result.to,
            "listener": result.listener,
            "delayed_output": result.delayed_output,
            "delay_ms": result.delay_ms,
            "polarity": result.polarity,
            "distance_m": result.distance_m,
            "speed_of_sound_m_s": result.speed_of_sound_m_s,
            "offset_ms": result.offset_ms,
            "arrivals": [
                {
                    "listener": row.listener,
                    "output": row.output,
                    "ms": row.ms,
                    "level_db": row.level_db,
                    "behind_ms": row.behind_ms,
                }
                for row in result.arrivals
            ],
            "per_degree_ms": result.per_degree_ms,
            "notes": list(result.notes),
        }
        for result in answer.results
    ]
    return {
        **results[0],
        "results": results,
        "settings": {
            name: {"delay_ms": setting.delay_ms, "polarity": setting.polarity}
            for name, setting in answer.settings.items()
        },
        "driven": drive_document(answer.drive),
    }


def _text(preset: Preset, result: DistanceResult) -> str:
    output = preset.output(result.delayed_output)
    lines = [
        f"{result.move} to {result.to} at {result.listener}",
        f"  add {show_ms(result.delay_ms, 3)} to {result.delayed_output}, "
        f"which then reads {show_ms(output.delay_ms + result.delay_ms, 3)}",
        "  "
        + ", ".join(f"{name} {show_m(r_m)}" for name, r_m in result.distance_m.items())
        + f"; {plain(result.speed_of_sound_m_s, 1)} m/s at {show_c(preset.air.temperature_c)}; "
        f"a degree more is {signed(result.per_degree_ms, 3)} ms",
    ]
    if result.offset_ms:
        lines[1] += f" ({signed(result.offset_ms, 1)} ms for precedence)"
    width = max(10, *(len(row.listener) for row in result.arrivals))
    out_width = max(8, *(len(row.output) for row in result.arrivals))
    lines.append("  arrivals once applied")
    lines += [
        f"    {row.listener:<{width}}  {row.output:<{out_width}}  {plain(row.ms, 2):>9} ms  "
        f"{show_db(row.level_db):>10}"
        + ("" if row.output == result.to else f"  {signed(row.behind_ms, 2)} ms")
        for row in result.arrivals
    ]
    lines += [f"  Note: {note}" for note in result.notes]
    return "\n".join(lines)
