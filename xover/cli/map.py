"""`xover map`: the level over the audience in one band."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import click

from xover.cli.common import (
    Figure,
    drive_document,
    drive_from,
    drive_options,
    example,
    json_option,
    only_option,
    open_preset,
    output_names,
    preset_argument,
    write_result,
)
from xover.cli.outcome import on_terminal, print_json, say, say_notes, tell
from xover.cli.plots import check_plot, plot_format, plot_options
from xover.cli.progress import progress
from xover.model.names import inert
from xover.model.problems import Refused
from xover.model.units import plain, show_dbu
from xover.sheets.wording import drive_sentence

if TYPE_CHECKING:
    from xover.acoustics.area import Area
    from xover.acoustics.bands import Band
    from xover.acoustics.maps import LevelMap
    from xover.model.drive import Drive
    from xover.model.preset import Preset

CAUTION = (
    "Hearing: a predicted level is not a reading; a calibrated meter and local rules decide. "
    "Start quietly and keep people away from the boxes."
)


@click.command(
    epilog=example("xover map presets/harbour-hall.json --band 125 --plot -"),
)
@preset_argument
@click.option(
    "--band",
    "band_hz",
    type=Figure(1.0, 100_000.0),
    required=True,
    metavar="HZ",
    help="The middle of the band, such as 63 or 1000.",
)
@click.option("--octave", is_flag=True, help="A whole octave instead of a third of one.")
@only_option
@click.option(
    "--area",
    nargs=4,
    type=Figure(-10_000.0, 10_000.0),
    metavar="X0 X1 Y0 Y1",
    help="Where, in metres; default: where the listeners are.",
)
@click.option(
    "--height",
    type=Figure(-10_000.0, 10_000.0),
    metavar="Z",
    help="Height of the ears in metres; default: that of most listeners.",
)
@click.option(
    "--step",
    type=Figure(0.001, 1_000.0),
    metavar="M",
    help="Metres between the points.",
)
@click.option(
    "--input-level-dbu",
    type=Figure(-120.0, 60.0),
    metavar="X",
    help="The level at the driven inputs, within the band, that an SPL is for (default 0).",
)
@plot_options
@drive_options
@json_option
def command(
    preset: str,
    band_hz: float,
    octave: bool,
    only: tuple[str, ...],
    area: tuple[float, float, float, float] | None,
    height: float | None,
    step: float | None,
    input_level_dbu: float | None,
    plot: str | None,
    force: bool,
    driven: tuple[str, ...],
    uncorrelated: bool,
    as_json: bool,
) -> None:
    """Level over the audience plane in a band, as CSV, JSON or a plot.

    The sum of all outputs that have sources, computed from boxes, places and air; the mean over
    the frequencies of the band. CSV unless --json or --plot is given.
    """
    check_plot(plot, stdout_taken_by="--json" if as_json else "")
    if plot == "-" and step is not None:
        raise Refused.at("", "a plot in the terminal has a point a character; leave out --step")
    from xover.acoustics.area import area_of
    from xover.acoustics.bands import Band
    from xover.acoustics.maps import level_map
    from xover.sheets.plan import map_csv, plan_of, summary

    loaded = open_preset(preset)
    drive = drive_from(loaded, driven, uncorrelated)
    wanted = area_of(
        loaded,
        x_m=None if area is None else (area[0], area[1]),
        y_m=None if area is None else (area[2], area[3]),
        z_m=height,
        step_m=step,
    )
    plan = None
    if plot == "-":
        columns, lines = shutil.get_terminal_size((100, 32))
        room = max(20, columns), max(6, lines - 9)
        plan = plan_of(wanted.x_m, wanted.y_m, width=room[0], height=room[1])
        wanted = plan.area(wanted.z_m)
    band = Band.near(band_hz, 1 if octave else 3)
    with progress("computing the map") as bar:

        def going(part: float) -> bool:
            bar(part)
            return True

        found = level_map(
            loaded,
            wanted,
            band,
            drive,
            only=output_names(loaded, only),
            input_level_dbu=input_level_dbu or 0.0,
            going=going,
        )
    say_notes(found.notes)
    title = _title(loaded, found)
    if plan is not None:
        from xover.sheets.plan import terminal_map

        tell(title)
        click.echo(terminal_map(found, loaded, plan, colour=on_terminal()))
    elif plot is not None:
        from xover.sheets.room_figures import map_figure

        kind = plot_format(plot)
        write_result(map_figure(found, loaded, format=kind, title=title), plot, force=force)
    if as_json:
        print_json(_document(found, drive))
        return
    if plot is not None:
        for line in summary(found):
            click.echo(line)
    else:
        click.echo(map_csv(found), nl=False)
    say(drive_sentence(drive))
    if found.level == "spl":
        say(CAUTION)


def _title(preset: Preset, found: LevelMap) -> str:
    level = "relative"
    if found.level == "spl":
        level = f"dB SPL for {show_dbu(found.input_level_dbu)}"
    height = plain(found.area.z_m, 2)
    return f"{inert(preset.title)}: {found.band.words}, {level}, ears at {height} m"


def _place(values: tuple[float, float, float]) -> dict[str, float]:
    x_m, y_m, level_db = values
    return {"x_m": x_m, "y_m": y_m, "level_db": level_db}


def _document(found: LevelMap, drive: Drive) -> dict[str, object]:
    area: Area = found.area
    band: Band = found.band
    return {
        "band_hz": band.centre_hz,
        "edges_hz": list(band.edges_hz),
        "x_m": area.xs_m.tolist(),
        "y_m": area.ys_m.tolist(),
        "z_m": area.z_m,
        "level_db": found.level_db.tolist(),
        "level": found.level,
        "input_level_dbu": found.input_level_dbu,
        "loudest": _place(found.loudest),
        "quietest": _place(found.quietest),
        "spread_db": found.spread_db,
        "outputs": list(found.outputs),
        "driven": drive_document(drive),
        "notes": list(found.notes),
        "caution": CAUTION if found.level == "spl" else None,
    }
