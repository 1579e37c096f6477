"""The Arrivals pane without a screen: what is computed for it, and the lines that show it.

Times, distances and levels come from `acoustics.arrivals`, losses from `design.crossings`; here
they are set side by side for two temperatures and drawn to scale.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from msgspec import Struct
from msgspec.structs import replace
from textual.content import Content

from xover.model.drive import Drive
from xover.model.names import inert
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.ranges import PositionM
from xover.model.rig import Listener
from xover.model.units import plain, show_c, show_db, show_hz, show_m, show_ms, signed
from xover.sheets.cells import fitted, width_of, wrapped
from xover.sheets.wording import drive_sentence

if TYPE_CHECKING:
    from xover.acoustics.arrivals import Arrival

HERE = "here"
"""The listener that stands for the cursor on the plan."""
LEVEL_STEP_DB = 3.0
"""One eighth of a block less for every 3 dB below the loudest at the listener."""
_BLOCKS = "▁▂▃▄▅▆▇█"
_WIDE = 52
"""From this width on, the timeline stands beside the figures instead of under them."""
_FIGURES = 22
_LEAST_BAR = 16


class Row(Struct, frozen=True):
    """One output at one listener."""

    output: str
    relative_ms: float
    """After the first output that sounds at this listener; negative for a silent one before it."""
    drift_ms: float | None
    """How much later it comes, relative to the first, than at the preset's own temperature."""
    level_db: float
    level: str
    distance_m: float
    flight_ms: float
    delay_ms: float


class Loss(Struct, frozen=True):
    """A hand-over between two outputs: its bands in Hz, its loss in dB, and the loss before."""

    lower: str
    upper: str
    bands_hz: tuple[tuple[float, float], ...]
    loss_db: float
    before_db: float | None


class Place(Struct, frozen=True):
    """One listener: what arrives, in the order of time, and what the crossings lose."""

    listener: str
    first: str
    first_ms: float
    rows: tuple[Row, ...]
    losses: tuple[Loss, ...]
    problem: str = ""


class Table(Struct, frozen=True):
    """All listeners at one temperature; `own_c` is the preset's own."""

    temperature_c: float
    own_c: float
    speed_m_s: float
    played: str
    places: tuple[Place, ...]

    @property
    def is_what_if(self) -> bool:
        """Whether the temperature shown is not the preset's."""
        return self.temperature_c != self.own_c


def at_temperature(preset: Preset, temperature_c: float) -> Preset:
    """The preset in air of another temperature."""
    if temperature_c == preset.air.temperature_c:
        return preset
    return replace(preset, air=replace(preset.air, temperature_c=temperature_c))


def arrivals_table(preset: Preset, drive: Drive, temperature_c: float | None = None) -> Table:
    """What arrives at every listener, at `temperature_c` where given, compared with the preset's.

    Computes; not for the way of a key.
    """
    from xover.acoustics.air import speed_of_sound_m_s

    own_c = preset.air.temperature_c
    shown_c = own_c if temperature_c is None else temperature_c
    shown = at_temperature(preset, shown_c)
    return Table(
        shown_c,
        own_c,
        speed_of_sound_m_s(shown.air),
        drive_sentence(drive),
        tuple(_place(preset, shown, item.name, drive) for item in preset.listeners),
    )


def place_at(
    preset: Preset, position_m: PositionM, drive: Drive, temperature_c: float | None = None
) -> Place:
    """What would arrive at a place where nobody sits, computed from boxes and places alone."""
    here = Listener(name=HERE, position_m=position_m)
    bare = replace(preset, listeners=(here,), measurements=())
    shown = bare if temperature_c is None else at_temperature(bare, temperature_c)
    return _place(bare, shown, HERE, drive)


def _place(preset: Preset, shown: Preset, listener: str, drive: Drive) -> Place:
    from xover.acoustics.air import speed_of_sound_m_s
    from xover.acoustics.arrivals import arrivals

    try:
        found = arrivals(shown, listener, drive)
        before = found if shown is preset else arrivals(preset, listener, drive)
    except Refused as refused:
        return Place(listener, "", 0.0, (), (), inert(str(refused)))
    if not found:
        return Place(listener, "", 0.0, (), (), "no output has a source with a position")
    first, first_before = _first(found), _first(before)
    speed = speed_of_sound_m_s(shown.air)
    rows = []
    for now, then in zip(found, before, strict=True):
        relative_ms = now.time_ms - first.time_ms
        drift_ms = relative_ms - (then.time_ms - first_before.time_ms)
        rows.append(
            Row(
                now.output,
                relative_ms,
                None if shown is preset else drift_ms,
                now.level_db,
                now.level,
                now.distance_m,
                1000.0 * now.distance_m / speed,
                shown.output(now.output).delay_ms,
            )
        )
    return Place(
        listener,
        first.output,
        first.time_ms,
        tuple(sorted(rows, key=lambda row: row.relative_ms)),
        _losses(preset, shown, listener, drive),
    )


def _first(found: tuple[Arrival, ...]) -> Arrival:
    """The first arrival that sounds; where none does, the first of all."""
    sounding = [row for row in found if row.level_db != -math.inf]
    return min(sounding or found, key=lambda row: row.time_ms)


def _losses(preset: Preset, shown: Preset, listener: str, drive: Drive) -> tuple[Loss, ...]:
    from xover.design.crossings import crossings

    try:
        now = crossings(shown, listener, drive)
        then = now if shown is preset else crossings(preset, listener, drive)
    except Refused:  # nothing that crosses can be compared here
        return ()
    before_db = {(item.lower, item.upper): item.loss_db for item in then}
    return tuple(
        Loss(
            item.lower,
            item.upper,
            item.bands_hz,
            item.loss_db,
            None if shown is preset else before_db.get((item.lower, item.upper)),
        )
        for item in now
    )


def table_lines(table: Table, width: int) -> list[Content]:
    """The table for people, in lines of at most `width` columns; nothing is cut but names."""
    width = max(width, 1)
    lines = [_air_line(table, width)]
    lines += [_muted(line) for line in _wrapped(table.played, width)]
    kinds = {row.level for place in table.places for row in place.rows}
    if "spl" in kinds:
        lines += [_muted(line) for line in _wrapped("levels in dB SPL: 0 dBu at the inputs", width)]
    if "relative" in kinds:
        lines += [_muted(line) for line in _wrapped("“rel”: a level without a reference", width)]
    if not table.places:
        lines += [Content(line) for line in _wrapped("The preset has no listeners.", width)]
    for place in table.places:
        lines.append(Content(""))
        lines += _place_lines(place, width)
    return lines


def _air_line(table: Table, width: int) -> Content:
    text = f"{show_c(table.temperature_c)}, sound travels {plain(table.speed_m_s, 1)} m/s"
    if table.is_what_if:
        text += f" (the preset says {show_c(table.own_c)})"
    return Content("\n").join([Content(line) for line in _wrapped(text, width)])


def _place_lines(place: Place, width: int) -> list[Content]:
    name = inert(place.listener)
    if place.problem:
        return [Content.styled(fitted(name, width).rstrip(), "bold")] + [
            Content(line) for line in _wrapped(place.problem, width)
        ]
    first = f"  first {inert(place.first)} after {show_ms(place.first_ms)}"
    heading = Content.styled(name, "bold")
    lines: list[Content] = []
    if width_of(name) + width_of(first) <= width:
        lines.append(heading + Content(first))
    else:
        lines += [Content.styled(line, "bold") for line in _wrapped(name, width)]
        lines += [Content(line) for line in _wrapped(first.strip(), width)]
    scale_ms = scale_of(max(row.relative_ms for row in place.rows))
    wide = width >= _WIDE
    label = min(max(width_of(inert(row.output)) for row in place.rows), 12)
    bar = width - label - 1 - _FIGURES - 1 if wide else width - 4
    for row in place.rows:
        lines += _row_lines(row, place, label, bar, scale_ms, width, wide)
    if bar >= _LEAST_BAR:
        lines.append(_muted(" " * (label + 1 if wide else 4) + scale_line(scale_ms, bar)))
    lines += [_loss_line(loss, width) for loss in place.losses]
    return lines


def _row_lines(
    row: Row, place: Place, label: int, bar: int, scale_ms: float, width: int, wide: bool
) -> list[Content]:
    level = _level(row)
    figures = f"{signed(row.relative_ms, 2):>8} ms{level:>11}"
    name = Content(fitted(inert(row.output), label))
    line = bar_of(row, place, scale_ms, bar) if bar >= _LEAST_BAR else ""
    first = name + Content(" ")
    first += Content(f"{line} {figures}") if wide else Content(figures)
    detail = (
        f"{show_m(row.distance_m)}, flight {show_ms(row.flight_ms)}, delay {show_ms(row.delay_ms)}"
    )
    if row.drift_ms is not None:
        detail += f", drift {signed(row.drift_ms, 3)} ms"
    lines = [first]
    if not wide and line:
        lines.append(Content("    " + line))
    lines += [_muted(text) for text in _wrapped("    " + detail, width)]
    return lines


def _level(row: Row) -> str:
    if math.isnan(row.level_db):
        return "unknown"
    if row.level_db == -math.inf:
        return "silent"
    return f"{plain(row.level_db, 1)} dB" if row.level == "spl" else f"{show_db(row.level_db)} rel"


def bar_of(row: Row, place: Place, scale_ms: float, width: int) -> str:
    """An arrival on a timeline of `width` columns from 0 to `scale_ms`.

    A block as high as it is loud, one eighth less for every 3 dB, an open mark where it is silent
    or unknown.
    """
    share = max(0.0, row.relative_ms) / scale_ms
    column = min(width - 1, math.floor(share * (width - 1) + 0.5))
    loudest = max(
        (other.level_db for other in place.rows if other.level == row.level
         and math.isfinite(other.level_db)),
        default=-math.inf,
    )  # fmt: skip
    mark = "○"
    if math.isfinite(row.level_db):
        mark = _BLOCKS[max(0, 7 - round((loudest - row.level_db) / LEVEL_STEP_DB))]
    return "·" * column + mark + " " * (width - 1 - column)


def scale_of(latest_ms: float) -> float:
    """The end of the timeline in ms: the next 1, 2 or 5 times a power of ten, at least 1 ms."""
    if latest_ms <= 1.0:
        return 1.0
    decade = 10.0 ** math.floor(math.log10(latest_ms))
    return next(step * decade for step in (1.0, 2.0, 5.0, 10.0) if step * decade >= latest_ms)


def scale_line(scale_ms: float, width: int) -> str:
    """`0 ──── 50 ms`: the axis under a timeline of `width` columns."""
    end = f" {plain(scale_ms, 0)} ms"
    return "0 " + "─" * (width - 2 - len(end)) + end


def _loss_line(loss: Loss, width: int) -> Content:
    bands = ", ".join(f"{show_hz(low)} to {show_hz(high)}" for low, high in loss.bands_hz)
    figures = f"loses {plain(loss.loss_db, 2)} dB"
    if loss.before_db is not None:
        figures += f" (at the preset's own temperature {plain(loss.before_db, 2)} dB)"
    text = f"{inert(loss.lower)} × {inert(loss.upper)}, {bands}: {figures}"
    return Content("\n").join([Content(line) for line in _wrapped(text, width)])


def _wrapped(text: str, width: int) -> list[str]:
    indent = " " * (len(text) - len(text.lstrip()))
    return wrapped(text.lstrip(), width, indent=indent if width > 12 else "")


def _muted(text: str) -> Content:
    return Content.styled(text, "dim")
