"""`xover distance`: delay by time of flight, with the table of arrivals and what comes of it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal

import click

from xover.cli.common import (
    Figure,
    apply_options,
    check_apply,
    drive_document,
    drive_from,
    drive_options,
    example,
    json_option,
    open_preset,
    output_names,
    preset_argument,
    save_changed,
)
from xover.cli.outcome import print_json, say, tell
from xover.model.names import find
from xover.model.problems import Refused

if TYPE_CHECKING:
    from xover.design.audience_line import Line, LinePoint
    from xover.design.distance import ArrivalRow, DistanceAnswer, DistanceResult, ShowTime
    from xover.design.lift import Lift
    from xover.model.preset import Preset


@click.command(
    epilog=example(
        'xover distance presets/harbour-hall.json --move "Delay L" --to "Top L" '
        '--listener "Row 24" --offset-ms 10'
    ),
)
@preset_argument
@click.option("--move", multiple=True, required=True, metavar="OUTPUT", help="What is delayed.")
@click.option("--to", required=True, metavar="OUTPUT", help="What it shall arrive with.")
@click.option(
    "--listener",
    "listeners",
    multiple=True,
    required=True,
    metavar="NAME",
    help="Where it is aimed: one for all, or one for every --move in their order.",
)
@click.option(
    "--offset-ms",
    type=Figure(-1000.0, 1000.0),
    default=0.0,
    show_default=True,
    help="How much later, for precedence.",
)
@click.option(
    "--measured",
    multiple=True,
    metavar="OUTPUT=LISTENER=LENGTH",
    help="A way measured on site, in metres or feet (repeatable).",
)
@click.option(
    "--show-temperature",
    type=Figure(-30.0, 60.0),
    metavar="C",
    help="Air temperature at show time in °C: what changes until then.",
)
@click.option(
    "--set-for",
    type=click.Choice(["now", "show"]),
    default="now",
    show_default=True,
    help="For which of the two temperatures delays are set.",
)
@click.option(
    "--lift-db",
    type=Figure(0.0, 20.0, min_open=True),
    metavar="DB",
    help="Trim the gain so that the delayed source lifts its listener by this.",
)
@click.option(
    "--line",
    nargs=2,
    metavar="NAME NAME",
    help="Tell of the places between these two listeners.",
)
@drive_options
@apply_options
@json_option
def command(
    preset: str,
    move: tuple[str, ...],
    to: str,
    listeners: tuple[str, ...],
    offset_ms: float,
    measured: tuple[str, ...],
    show_temperature: float | None,
    set_for: Literal["now", "show"],
    lift_db: float | None,
    line: tuple[str, str] | None,
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
    from xover.design.ways import read_ways
    from xover.sheets.distance_text import distance_text

    loaded = open_preset(preset)
    ways = read_ways(loaded, measured)
    places = [item.name for item in loaded.listeners]
    places += [name for _, name in ways if name not in places]
    if not places:
        raise Refused.at(
            "listeners",
            "the preset has no listeners; add one with its position, or measure the ways and give "
            "them with --measured OUTPUT=LISTENER=LENGTH",
        )
    aims = [find(places, name, kind="listener") for name in listeners]
    answer = delay_by_distance(
        loaded,
        move=output_names(loaded, move),
        to=output_names(loaded, [to])[0],
        listener=aims * len(move) if len(aims) == 1 else aims,
        offset_ms=offset_ms,
        drive=drive_from(loaded, driven, uncorrelated),
        measured=ways,
        show_temperature_c=show_temperature,
        set_for=set_for,
        lift_db=lift_db,
        line=None if line is None else _placed(loaded, line),
    )
    if apply_:
        saved = save_changed(apply_distance(loaded, answer), preset, output_file, force=force)
        say(f"applied, saved in {saved}", whole=[saved])
    if as_json:
        print_json(_document(answer))
    elif output_file != "-":
        tell(distance_text(loaded, answer, points=line is not None))


def _placed(preset: Preset, names: Sequence[str]) -> tuple[str, ...]:
    known = [item.name for item in preset.listeners]
    if not known:
        raise Refused.at("listeners", "a line runs between listeners; the preset has none")
    return tuple(find(known, name, kind="listener") for name in names)


def _document(answer: DistanceAnswer) -> dict[str, Any]:
    results = [_result(result) for result in answer.results]
    return {
        **results[0],
        "results": results,
        "settings": {
            name: {
                "delay_ms": setting.delay_ms,
                "polarity": setting.polarity,
                "gain_db": answer.gains_db[name],
            }
            for name, setting in answer.settings.items()
        },
        "driven": drive_document(answer.drive),
    }


def _result(result: DistanceResult) -> dict[str, Any]:
    return {
        "move": result.move,
        "to": result.to,
        "listener": result.listener,
        "delayed_output": result.delayed_output,
        "delay_ms": result.delay_ms,
        "polarity": result.polarity,
        "distance_m": result.distance_m,
        "measured": list(result.measured),
        "speed_of_sound_m_s": result.speed_of_sound_m_s,
        "offset_ms": result.offset_ms,
        "arrivals": [_arrival(row) for row in result.arrivals],
        "per_degree_ms": result.per_degree_ms,
        "humidity_ms": result.humidity_ms,
        "show": None if result.show is None else _show(result.show),
        "lift": None if result.lift is None else _lift(result.lift),
        "line": None if result.line is None else _line(result.line),
        "notes": list(result.notes),
    }


def _arrival(row: ArrivalRow) -> dict[str, Any]:
    stand = row.precedence
    return {
        "listener": row.listener,
        "output": row.output,
        "ms": row.ms,
        "level_db": row.level_db,
        "behind_ms": row.behind_ms,
        "leads": None if stand is None else stand.first,
        "later_db": None if stand is None else stand.later_db,
        "bound_db": None if stand is None else stand.bound_db,
        "image": None if stand is None else stand.image,
    }


def _show(show: ShowTime) -> dict[str, Any]:
    return {
        "temperature_c": show.temperature_c,
        "speed_of_sound_m_s": show.speed_of_sound_m_s,
        "set_for": show.set_for,
        "reading_now_ms": show.reading_now_ms,
        "reading_then_ms": show.reading_then_ms,
        "off_now_ms": show.off_now_ms,
        "off_then_ms": show.off_then_ms,
        "arrivals": [
            {"listener": row.listener, "behind_ms": row.behind_ms, "change_ms": row.change_ms}
            for row in show.rows
        ],
    }


def _lift(lift: Lift) -> dict[str, Any]:
    return {
        "lift_db": lift.lift_db,
        "gain_change_db": lift.gain_change_db,
        "gain_db": lift.gain_db,
        "difference_db": lift.difference_db,
        "most_gain_change_db": lift.most_gain_change_db,
        "most_lift_db": lift.most_lift_db,
        "pulled_at": list(lift.pulled_at),
    }


def _line(line: Line) -> dict[str, Any]:
    return {
        "through": list(line.through),
        "length_m": line.length_m,
        "hand_overs_m": list(line.hand_overs_m),
        "worst": None if line.worst is None else _point(line.worst),
        "points": [_point(point) for point in line.points],
    }


def _point(point: LinePoint) -> dict[str, Any]:
    return {
        "along_m": point.along_m,
        "position_m": list(point.position_m),
        "listener": point.listener,
        "leads": point.leads,
        "covered": point.covered,
        "behind_ms": point.behind_ms,
        "difference_db": point.difference_db,
        "ripple_db": point.ripple_db,
        "first_notch_hz": point.first_notch_hz,
        "notch_spacing_hz": point.notch_spacing_hz,
    }
