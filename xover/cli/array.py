"""`xover array`: subwoofer arrays to start from, put into a preset."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal, cast

import click

from xover.cli.common import (
    Figure,
    apply_options,
    example,
    json_option,
    open_preset,
    open_profile,
    output_names,
    preset_argument,
    save_changed,
    write_result,
)
from xover.cli.outcome import on_terminal, print_json, say, tell
from xover.cli.plots import check_plot, plot_format, plot_option
from xover.model.entry_figures import parse_length
from xover.model.entry_text import Context
from xover.model.names import fold, quoted
from xover.model.problems import Refused
from xover.model.units import plain, show_hz, show_m

if TYPE_CHECKING:
    from xover.design.array_preset import ArrayAnswer
    from xover.design.arrays import Kind, Layout
    from xover.model.preset import Preset

CAUTIONS = (
    "Rigging: stacking and flying are for qualified, licensed people; nothing here says that boxes "
    "may be stacked, turned or moved.",
    "Hearing: an array is louder in front than one box. Start quietly, keep people away from the "
    "boxes, and wear protection.",
)
DEFAULT_COUNT = {"endfire": 3, "gradient": 2, "arc": 8}
TERMINAL_ROWS = 25


@click.command(
    epilog=example("xover array endfire presets/harbour-hall.json --output Sub --count 4 --plot -"),
)
@click.argument("kind", type=click.Choice(["endfire", "gradient", "arc"]), metavar="KIND")
@preset_argument
@click.option(
    "--output",
    "pattern",
    required=True,
    metavar="NAME",
    help="The output whose one source the array is made of.",
)
@click.option("--count", type=click.IntRange(2, 32), metavar="N", help="Boxes of the array.")
@click.option("--spacing", metavar="LENGTH", help="Between neighbours, in metres or feet.")
@click.option(
    "--frequency",
    "design_hz",
    type=Figure(10.0, 1000.0),
    metavar="HZ",
    help="Derive the spacing from a quarter wave here.",
)
@click.option(
    "--angle",
    type=Figure(0.0, 180.0),
    metavar="DEG",
    help="The coverage wanted of an arc.",
)
@click.option(
    "--rear-trim-db",
    type=Figure(-24.0, 6.1),
    metavar="DB",
    help="Level of a gradient's rear against its front.",
)
@click.option(
    "--null-distance",
    metavar="LENGTH",
    help="Trim the rear for a null this far behind it.",
)
@click.option(
    "--grow",
    type=click.Choice(["back", "forward"]),
    default="back",
    show_default=True,
    help="Which way new boxes go from the one there is.",
)
@click.option("--separate", is_flag=True, help="An output for every box of an arc.")
@click.option("--processor", metavar="PROFILE", help="Hold its number of outputs.")
@click.option("--frequencies", metavar="F[,F…]", help="Show the compass at these, in Hz.")
@plot_option("Draw the compass into FILE.svg, .png or .pdf, or with - into the terminal.")
@apply_options
@json_option
def command(
    kind: str,
    preset: str,
    pattern: str,
    count: int | None,
    spacing: str | None,
    design_hz: float | None,
    angle: float | None,
    rear_trim_db: float | None,
    null_distance: str | None,
    grow: Literal["back", "forward"],
    separate: bool,
    processor: str | None,
    frequencies: str | None,
    plot: str | None,
    apply_: bool,
    output_file: str | None,
    force: bool,
    as_json: bool,
) -> None:
    """Make an endfire, gradient or arc array of an output's box, as new outputs and sources.

    endfire: boxes one behind the other. gradient: rear boxes inverted and delayed. arc: a straight
    line delayed as if it were curved.
    """
    check_plot(plot)
    if as_json and (plot == "-" or output_file == "-"):
        raise Refused.at("", "--json writes to stdout, and so does -; choose one")
    _refuse_strangers(kind, angle, rear_trim_db, null_distance, separate, grow)
    from xover.design.array_preset import array_preset

    loaded = open_preset(preset)
    name = output_names(loaded, [pattern])[0]
    layout = _layout(
        loaded, cast("Kind", kind), name, count, spacing, design_hz, angle, rear_trim_db,
        null_distance, grow,
    )  # fmt: skip
    most, device = _most_outputs(loaded, processor)
    answer = array_preset(
        loaded, name, layout, separate=separate, most_outputs=most, processor=device
    )
    shown_hz = _shown(frequencies, answer, loaded.sample_rate_hz)
    notes = _notes(answer)
    if apply_ or output_file is not None:
        saved = save_changed(answer.preset, preset, output_file, force=force)
        say(f"applied, saved in {saved}", whole=[saved])
    if plot is not None and plot != "-":
        from xover.sheets.room_figures import compass_figure

        title = f"{loaded.title}: {_heading(answer, name)}"
        figure = compass_figure(layout, shown_hz, format=plot_format(plot), title=title)
        write_result(figure, plot, force=force)
    if as_json:
        print_json(_document(answer, shown_hz, notes))
    elif output_file != "-":
        tell(_text(answer, name, shown_hz, notes))
        if plot == "-":
            from xover.sheets.compass import terminal_compass

            click.echo()
            click.echo(
                terminal_compass(layout, shown_hz, height=TERMINAL_ROWS, colour_on=on_terminal())
            )
    if not as_json:
        say(*CAUTIONS)


def _refuse_strangers(
    kind: str,
    angle: float | None,
    rear_trim_db: float | None,
    null_distance: str | None,
    separate: bool,
    grow: str,
) -> None:
    """Options that mean nothing to this kind are refused, not ignored."""
    if kind != "arc":
        if angle is not None:
            raise Refused.at("", f"--angle is the coverage of an arc; {kind} has none")
        if separate:
            raise Refused.at("", f"--separate is for an arc; {kind} has an output a box already")
    if kind != "gradient" and (rear_trim_db is not None or null_distance is not None):
        raise Refused.at("", f"--rear-trim-db and --null-distance are for a gradient, not {kind}")
    if rear_trim_db is not None and null_distance is not None:
        raise Refused.at("", "give either --rear-trim-db or --null-distance")
    if kind == "arc" and angle is None:
        raise Refused.at("", "an arc needs the coverage it shall have; give --angle DEG")
    if kind == "arc" and grow == "forward":
        raise Refused.at("", "an arc grows to both sides; leave out --grow")


def _layout(
    preset: Preset,
    kind: Kind,
    output: str,
    count: int | None,
    spacing: str | None,
    design_hz: float | None,
    angle: float | None,
    rear_trim_db: float | None,
    null_distance: str | None,
    grow: Literal["back", "forward"],
) -> Layout:
    from xover.design.array_preset import band_of, design_frequency_hz, speed_m_s
    from xover.design.arrays import (
        CLOSE_PART,
        arc,
        endfire,
        gradient,
        quarter_wave_m,
        rear_trim_for_distance_db,
    )

    if spacing is not None and design_hz is not None:
        raise Refused.at("", "give either --spacing or the --frequency to derive it from")
    speed = speed_m_s(preset)
    band_hz = band_of(preset, output)
    number = count or DEFAULT_COUNT[kind]
    if spacing is not None:
        spacing_m = _length("--spacing", spacing)
    elif design_hz is not None:
        spacing_m = quarter_wave_m(design_hz, speed)
    elif kind == "arc":
        spacing_m = speed / band_hz[1] / CLOSE_PART
    else:
        spacing_m = quarter_wave_m(design_frequency_hz(band_hz), speed)
    if spacing is None:  # a figure that one can tape out on a floor
        spacing_m = round(spacing_m - 0.005, 2) if kind == "arc" else round(spacing_m, 2)
    if kind == "endfire":
        return endfire(number, spacing_m, speed, grow=grow)
    if kind == "arc":
        assert angle is not None
        return arc(number, spacing_m, angle, speed)
    trim_db = rear_trim_db or 0.0
    if null_distance is not None:
        if number == 4:
            raise Refused.at(
                "", "--null-distance is for 2 and 3 boxes; trim the second order by --rear-trim-db"
            )
        behind_m = _length("--null-distance", null_distance)
        trim_db = rear_trim_for_distance_db(behind_m, spacing_m, front_boxes=number - 1)
    return gradient(number, spacing_m, speed, rear_trim_db=trim_db, grow=grow)


def _length(option: str, text: str) -> float:
    try:
        return parse_length(text, Context(sample_rate_hz=48_000.0, speed_of_sound_m_s=343.2))
    except Refused as refused:
        raise Refused.at("", f"{option}: {refused}") from None


def _most_outputs(preset: Preset, path: str | None) -> tuple[int | None, str]:
    """How many outputs the processor has: as named, else the shipped one the preset speaks of."""
    if path is not None:
        profile = open_profile(path)
        return profile.outputs, profile.name
    if preset.processor is None:
        return None, ""
    from xover.files.profile_json import load_profile
    from xover.files.shipped import presets_folder

    for file in sorted((presets_folder() / "processors").glob("*.json")):
        profile = load_profile(file)
        if fold(profile.name) == fold(preset.processor):
            return profile.outputs, profile.name
    return None, ""


def _shown(typed: str | None, answer: ArrayAnswer, sample_rate_hz: float) -> list[float]:
    if typed is None:
        low_hz, high_hz = answer.band_hz
        return [float(round(low_hz)), float(round((low_hz + high_hz) / 2.0)), float(round(high_hz))]
    values: list[float] = []
    for part in typed.split(","):
        try:
            values.append(float(part))
        except ValueError:
            raise Refused.at(
                "", f"--frequencies: {quoted(part)} is not a frequency in Hz; write 40,60,80"
            ) from None
    if not all(1.0 <= value < 0.49 * sample_rate_hz for value in values):
        raise Refused.at("", "--frequencies lie between 1 Hz and 0.49 of the sample rate")
    if len(values) > 6 or len(set(values)) != len(values):
        raise Refused.at("", "--frequencies: at most six, each named once")
    return values


def _notes(answer: ArrayAnswer) -> tuple[str, ...]:
    from xover.design.arrays import spacing_notes

    low_hz, high_hz = answer.band_hz
    return (*spacing_notes(answer.layout, high_hz, low_hz), *answer.notes)


def _heading(answer: ArrayAnswer, output: str) -> str:
    layout = answer.layout
    what = {"endfire": "end-fire", "gradient": "gradient", "arc": "arc"}[layout.kind]
    text = f"{what} of {output}, {show_m(layout.spacing_m)} apart"
    if layout.angle_deg is not None:
        text += f", for {plain(layout.angle_deg, 0)}°"
    return text


def _text(answer: ArrayAnswer, output: str, shown_hz: Sequence[float], notes: Sequence[str]) -> str:
    from xover.sheets.compass import compass_table, places_table

    low_hz, high_hz = answer.band_hz
    outputs = len(answer.outputs)
    lines = [
        f"{_heading(answer, output)}; plays {show_hz(low_hz)} to {show_hz(high_hz)}",
        f"needs {outputs} {'output' if outputs == 1 else 'outputs'}, in the group {answer.group}",
        *places_table(
            [
                (
                    item.output,
                    item.source,
                    item.quantity,
                    item.delay_ms,
                    item.gain_db,
                    item.polarity,
                    item.position_m,
                )
                for item in answer.placed
            ]
        ),
        "",
        *compass_table(answer.layout, shown_hz),
        *(f"Note: {note}" for note in notes),
    ]
    return "\n".join(lines)


def _document(
    answer: ArrayAnswer, shown_hz: Sequence[float], notes: Sequence[str]
) -> dict[str, object]:
    import numpy as np

    from xover.design.arrays import compass, coverage_deg, front_to_back_db, level_db

    hz, angles = np.array(shown_hz), np.arange(0.0, 360.0, 15.0)
    layout = answer.layout
    return {
        "kind": layout.kind,
        "spacing_m": layout.spacing_m,
        "angle_deg": layout.angle_deg,
        "speed_of_sound_m_s": layout.speed_m_s,
        "band_hz": list(answer.band_hz),
        "outputs": list(answer.outputs),
        "group": answer.group,
        "elements": [
            {
                "output": item.output,
                "source": item.source,
                "position_m": list(item.position_m),
                "azimuth_deg": item.azimuth_deg,
                "quantity": item.quantity,
                "delay_ms": item.delay_ms,
                "gain_db": item.gain_db,
                "polarity": item.polarity,
            }
            for item in answer.placed
        ],
        "compass": {
            "frequency_hz": list(shown_hz),
            "angle_deg": angles.tolist(),
            "level_db": level_db(compass(layout, hz, angles)).tolist(),
            "front_to_back_db": front_to_back_db(layout, hz).tolist(),
            "coverage_deg": coverage_deg(layout, hz).tolist(),
        },
        "notes": list(notes),
        "cautions": list(CAUTIONS),
    }
