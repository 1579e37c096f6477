"""The wiring table for the rack door: what goes from which output through which channel to what.

One builder feeds text, Markdown, CSV and HTML. All text that came from a file is made inert here.
"""

from __future__ import annotations

import csv
import io
from html import escape
from pathlib import PurePath
from typing import TYPE_CHECKING

from msgspec import Struct

from xover.model.cable_size import nearest_gauge
from xover.model.names import inert
from xover.model.problems import Refused
from xover.model.units import plain, short
from xover.sheets.csv_sheet import defused
from xover.sheets.limits_text import load_words
from xover.sheets.markdown import BOX, escaped
from xover.sheets.wording import (
    DRIVER_CAUTION,
    LIFE_SAFETY_CAUTION,
    LINE_CAUTION,
    RIGGING_CAUTION,
    sentence_case,
)

if TYPE_CHECKING:
    from xover.design.limits import Limits
    from xover.design.loads import ChannelLoad
    from xover.model.preset import Preset
    from xover.model.rig import Source

HEADS = (
    "Channel", "From output", "Boxes", "Cable", "Load", "May drive", "Taps", "Available",
    "Cable loss",
)  # fmt: skip
CAUTIONS = (LINE_CAUTION, LIFE_SAFETY_CAUTION, DRIVER_CAUTION, RIGGING_CAUTION)
FORMATS = ("txt", "md", "csv", "html")


class Rack(Struct, frozen=True):
    """One kind of amplifier with a row for each of its channels, all text inert."""

    amplifier: str
    rows: tuple[tuple[str, ...], ...]


class Wiring(Struct, frozen=True):
    """The whole table."""

    title: str
    facts: tuple[str, ...]
    racks: tuple[Rack, ...]
    attention: tuple[str, ...]


def wiring_of(preset: Preset, answer: Limits, *, date: str = "") -> Wiring:
    """The wiring table of a preset and its limits; `date` is the caller's."""
    racks: dict[str, list[tuple[str, ...]]] = {}
    for load in answer.channels:
        racks.setdefault(load.amplifier.name, []).append(_row(preset, load))
    facts = [inert(text) for text in (preset.venue, date) if text]
    return Wiring(
        inert(preset.title),
        tuple(facts),
        tuple(Rack(inert(name), tuple(rows)) for name, rows in racks.items()),
        tuple(inert(sentence_case(one)) + "." for one in answer.cautions),
    )


def wiring_bytes(wiring: Wiring, format: str) -> bytes:
    """The table as UTF-8 text in one of `FORMATS`."""
    writers = {"txt": _text, "md": _markdown, "csv": _csv, "html": _html}
    return writers[format](wiring).encode()


def wiring_format(path: str) -> str:
    """The format that a file's name asks for, `txt` for `-`; `Refused` where it asks for none."""
    if path == "-":
        return "txt"
    ending = PurePath(path).suffix.lower().lstrip(".")
    ending = {"htm": "html", "markdown": "md", "text": "txt"}.get(ending, ending)
    if ending not in FORMATS:
        known = ", ".join(f".{name}" for name in FORMATS)
        raise Refused.at("", f"--wiring {path}: the name ends in {known}, or is -")
    return ending


def _row(preset: Preset, load: ChannelLoad) -> tuple[str, ...]:
    output = preset.output(load.channel.output)
    fed_by = output.name
    if output.channel is not None:
        fed_by += f" (output {output.channel})"
    if output.patch:
        fed_by += f", {output.patch}"
    alike: dict[tuple[str, float | None], list[Source]] = {}
    for each in load.hung:
        alike.setdefault((each.box.name, each.source.tap_w), []).append(each.source)
    boxes = []
    for (box, tap_w), sources in alike.items():
        text = f"{sum(one.quantity for one in sources)} × {box}"
        if tap_w is not None:
            text += f" on taps of {short(tap_w, 2)} W"
        names = [
            one.name + (", polarity inverted" if one.polarity == "inverted" else "")
            for one in sources
        ]
        boxes.append(f"{text} ({'; '.join(names)})")
    cable = load.channel.cable
    run = "–"
    if cable is not None:
        gauge = nearest_gauge(cable.area_mm2)
        run = f"{short(cable.length_m, 1)} m, {short(cable.area_mm2, 2)} mm² (near AWG {gauge})"
    words = load_words(load)
    name = words[0]
    attenuator_db = load.channel.attenuator_db
    if attenuator_db or load.channel.attenuator_locked:
        locked = "locked" if load.channel.attenuator_locked else "not locked"
        name += f", attenuator {plain(attenuator_db, 1)} dB {locked}"
    row = (name, fed_by, "; ".join(boxes) or "–", run, *words[1:6])
    return tuple(inert(text) for text in row)


def _text(wiring: Wiring) -> str:
    lines = [f"Wiring: {wiring.title}", *wiring.facts]
    for rack in wiring.racks:
        lines += ["", rack.amplifier]
        for row in rack.rows:
            lines.append(f"  [ ] {row[0]}")
            pairs = list(zip(HEADS[1:4], row[1:4], strict=True))
            lines += [f"        {head:<13}{text}" for head, text in pairs]
            figures = zip(HEADS[4:], row[4:], strict=True)
            lines.append("        " + "   ".join(f"{head} {text}" for head, text in figures))
    for one in (*wiring.attention, *CAUTIONS):
        lines += ["", one]
    return "\n".join(lines) + "\n"


def _markdown(wiring: Wiring) -> str:
    parts = [f"# Wiring: {escaped(wiring.title)}"]
    parts += [escaped(fact) for fact in wiring.facts]
    for rack in wiring.racks:
        rows = [
            HEADS,
            ["---"] * len(HEADS),
            *([f"{BOX} {escaped(row[0])}", *map(escaped, row[1:])] for row in rack.rows),
        ]
        table = "\n".join("| " + " | ".join(row) + " |" for row in rows)
        parts += [f"## {escaped(rack.amplifier)}", table]
    parts.append("\n".join(f"- {escaped(one)}" for one in (*wiring.attention, *CAUTIONS)))
    return "\n\n".join(parts) + "\n"


def _csv(wiring: Wiring) -> str:
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(("Amplifier", *HEADS))
    for rack in wiring.racks:
        for row in rack.rows:
            writer.writerow([defused(text) for text in (rack.amplifier, *row)])
    for one in (*wiring.attention, *CAUTIONS):
        writer.writerow([defused(one)])
    return stream.getvalue()


_STYLE = (
    "body{font:11pt sans-serif;margin:12mm;color:#000;background:#fff}"
    "table{border-collapse:collapse;width:100%;margin-bottom:6mm}"
    "td,th{border:0.3mm solid #000;padding:1mm 2mm;text-align:left;vertical-align:top}"
    "tr{break-inside:avoid}li{margin-bottom:1mm}@page{size:A4 landscape;margin:10mm}"
)


def _html(wiring: Wiring) -> str:
    def cells(row: tuple[str, ...], kind: str) -> str:
        tick = f"{BOX} " if kind == "td" else ""
        texts = [f"{tick}<bdi>{escape(row[0])}</bdi>"]
        texts += [f"<bdi>{escape(text)}</bdi>" for text in row[1:]]
        return "".join(f"<{kind}>{text}</{kind}>" for text in texts)

    parts = [
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">',
        f"<title>Wiring: {escape(wiring.title)}</title><style>{_STYLE}</style></head><body>",
        f"<h1>Wiring: <bdi>{escape(wiring.title)}</bdi></h1>",
        *(f"<p><bdi>{escape(fact)}</bdi></p>" for fact in wiring.facts),
    ]
    for rack in wiring.racks:
        parts.append(f"<h2><bdi>{escape(rack.amplifier)}</bdi></h2><table>")
        parts.append(f"<tr>{cells(HEADS, 'th')}</tr>")
        parts += [f"<tr>{cells(row, 'td')}</tr>" for row in rack.rows]
        parts.append("</table>")
    notes = (*wiring.attention, *CAUTIONS)
    parts.append("<ul>" + "".join(f"<li><bdi>{escape(one)}</bdi></li>" for one in notes) + "</ul>")
    return "\n".join([*parts, "</body></html>"]) + "\n"
