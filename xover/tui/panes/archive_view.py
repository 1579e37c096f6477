"""What the archive's pane shows, as data: venues, presets and revisions as one list of lines.

Pure: what `session.archiving` tells goes in, lines and sentences come out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

from msgspec.structs import replace

from xover.model.comparison import Difference, compare
from xover.model.names import fold
from xover.model.places import parse
from xover.model.preset import Preset
from xover.session.archiving import Key, Revision, Stock, moment
from xover.tui.panes.walk import Item

if TYPE_CHECKING:
    from xover.files.archive.index import Row

OPEN_UP_TO = 40
"""Up to so many presets all venues stand open at first."""
NO_VENUE = "no venue"
Node = tuple[str, object]
"""What a line stands for: ("venue", its key), ("preset", its key), ("revision", its row)."""


class Compared(NamedTuple):
    """A revision beside what is on the sheet."""

    revision: Revision
    preset: Preset
    differences: tuple[Difference, ...]


def lines(
    stock: Stock,
    turned: frozenset[Node],
    revisions: Mapping[Key, Sequence[Row]],
    based_on: str | None,
) -> list[Item]:
    """The lines; nodes in `turned` stand open where they would be closed, and the other way.

    The revision named `based_on` is marked as the one that the sheet comes from.
    """
    all_open = stock.presets <= OPEN_UP_TO
    items: list[Item] = []
    for venue in stock.venues:
        node: Node = ("venue", venue.key)
        is_open = all_open != (node in turned)
        count = len(venue.presets)
        presets = "1 preset" if count == 1 else f"{count} presets"
        name = venue.name or NO_VENUE
        items.append(Item(node, f"{'▾' if is_open else '▸'} {name}   {presets}", bold=True))
        for one in venue.presets if is_open else ():
            inner: Node = ("preset", one.key)
            shown = inner in turned
            fork = f"   fork: {one.heads} heads" if one.heads > 1 else ""
            text = f"  {'▾' if shown else '▸'} {one.title}   {one.time[:10]}{fork}"
            items.append(Item(inner, text))
            if shown:
                items += _revisions(revisions.get(one.key), one.heads, based_on)
    return items


def _revisions(rows: Sequence[Row] | None, heads: int, based_on: str | None) -> list[Item]:
    if rows is None:
        return [Item(("waiting", None), "      reading …")]
    times = {row.id: row.time for row in rows}
    items = []
    for number, row in enumerate(rows):
        marks = []
        if row.id == based_on:
            marks.append("opened here")
        if heads > 1 and row.is_head:
            marks.append("head")
        below = rows[number + 1].id if number + 1 < len(rows) else None
        if row.parent is not None and row.parent != below and row.parent in times:
            marks.append(f"after {moment(times[row.parent])}")
        elif row.parent is not None and row.parent not in times:
            marks.append("from another preset")
        if row.goes_on:
            marks.append("went on under another name")
        note = row.note.strip().partition("\n")[0]
        words = "   ".join([moment(row.time), *marks, *([note] if note else [])])
        items.append(Item(("revision", row), f"      {words}"))
    return items


def said_of(node: object | None, stock: Stock, rows: Sequence[Row] | None) -> str:
    """A sentence on the line under the cursor: what Enter does there, or all of a revision."""
    if not isinstance(node, tuple):
        return ""
    kind, what = node
    if kind == "venue":
        return "Enter opens or closes the venue"
    if kind == "preset":
        heads = next(
            (one.heads for venue in stock.venues for one in venue.presets if one.key == what), 1
        )
        if heads > 1:
            return f"{heads} revisions are followed by none: two ways since they parted"
        return "Enter shows its revisions"
    if kind != "revision":
        return ""
    row: Row = what
    parts = [row.author and f"by {row.author}", " ".join(row.note.split()), row.id]
    return "Enter compares it with the sheet.  " + " · ".join(part for part in parts if part)


def counted(stock: Stock, words: str, is_whole: bool) -> str:
    """`12 presets at 3 venues`, with what is damaged; or why there are none."""
    if stock.problem:
        return stock.problem
    presets = "1 preset" if stock.presets == 1 else f"{stock.presets} presets"
    venues = "1 venue" if len(stock.venues) == 1 else f"{len(stock.venues)} venues"
    text = f"{presets} at {venues}"
    if not stock.presets:
        text = "nothing has all these words" if words.strip() else f"nothing in {stock.folder} yet"
    if not is_whole:
        text += ", not read to its end"
    if stock.damaged:
        files = "1 file is" if len(stock.damaged) == 1 else f"{len(stock.damaged)} files are"
        text += f"; {files} damaged and left out: xover archive check tells which"
    return text


def compared(revision: Revision, preset: Preset) -> Compared:
    """A revision against a preset; a place that has gone is told where the preset has it now."""
    found = compare(revision.preset, preset)
    return Compared(
        revision,
        preset,
        tuple(replace(one, where=_where(one, revision.preset, preset)) for one in found),
    )


def _where(one: Difference, before: Preset, after: Preset) -> str:
    """The place in the later preset; "" where it has none."""
    if one.after is not None or not one.where.startswith(("inputs[", "outputs[")):
        return one.where
    field, number, *rest = parse(one.where)
    was = getattr(before, str(field))
    # What has gone is named by its place in the earlier preset, all else by that in the later.
    if not rest:
        return ""
    here = getattr(after, str(field))
    stages = ("high_pass", "low_pass", "eq", "limiter")
    if rest[0] not in stages or not isinstance(number, int) or number >= len(was):
        return one.where
    name = fold(was[number].name)
    at = next((k for k, item in enumerate(here) if fold(item.name) == name), None)
    tail = one.where.partition("]")[2]
    return "" if at is None else f"{field}[{at}]{tail}"
