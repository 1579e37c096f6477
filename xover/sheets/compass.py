"""Levels around the compass: an array seen from above, on characters and as a table.

The front is up, angles run clockwise. The circle's rim is the loudest level shown, its middle
24 dB less. Curves are told apart by their dashes and by the list beside them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from xover.design.arrays import SHOWN_FLOOR_DB, Layout, compass, coverage_deg, level_db
from xover.model.names import inert
from xover.model.units import plain, show_hz, show_m, show_ms, signed
from xover.sheets.cells import table
from xover.sheets.palette import colour, dash_name
from xover.sheets.raster import dash_pattern

REACH_DB = 24.0
RINGS_DB = (0.0, 6.0, 12.0, 18.0)
TABLE_DEG = (0.0, 30.0, 60.0, 90.0, 120.0, 150.0, 180.0)
_WEIGHTS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))
"""Braille patterns, Unicode 15 chapter 21.1: the bit of each dot, by row and column."""
_RING = -1
"""Whose dots are a ring's, in the field of owners."""


def terminal_compass(
    layout: Layout, frequency_hz: Sequence[float], *, height: int, colour_on: bool
) -> str:
    """A polar plot `height` rows high and twice as wide, with a list of its curves below."""
    height = max(7, height - height % 2 + 1)
    width = 2 * height
    dots_x, dots_y = 2 * width, 4 * height
    owner = np.full((dots_y, dots_x), -2, dtype=np.int64)
    centre = (0.5 * (dots_x - 1), 0.5 * (dots_y - 1))
    reach = min(centre) - 1.0
    top_db = _top(layout, frequency_hz)
    fine = np.arange(0.0, 360.0, 0.25)
    for ring_db in RINGS_DB:
        share = 1.0 - ring_db / REACH_DB
        for degrees in fine[:: 16 if ring_db else 8]:
            _dot(owner, centre, reach * share, float(degrees), _RING)
    for number, hz in enumerate(frequency_hz):
        levels = level_db(compass(layout, np.array([hz]), fine))[0]
        shares = np.clip(1.0 + (levels - top_db) / REACH_DB, 0.0, 1.0)
        _curve(owner, centre, reach * shares, fine, number)
    lines = _text(owner, height, width, colour_on)
    lines[0] = _over(lines[0], "front", width) if not colour_on else lines[0]
    curves = []
    for number, hz in enumerate(frequency_hz):
        sample = _sample(dash_name(number))
        if colour_on:
            sample = _inked(sample, number)
        curves.append(f"{sample} {show_hz(hz)}")
    lines.append(
        f"front up; rim {signed(top_db, 1)} dB re one of the places alone, rings 6 dB apart"
    )
    lines.append("   ".join(curves))
    return "\n".join(lines)


def _top(layout: Layout, frequency_hz: Sequence[float]) -> float:
    angles = np.arange(0.0, 360.0, 1.0)
    levels = level_db(compass(layout, np.array(frequency_hz), angles))
    return float(levels.max())


def _dot(
    owner: NDArray[np.int64],
    centre: tuple[float, float],
    radius: float,
    degrees: float,
    value: int,
) -> tuple[int, int]:
    turn = math.radians(degrees)
    column = math.floor(centre[0] + radius * math.sin(turn) + 0.5)
    row = math.floor(centre[1] - radius * math.cos(turn) + 0.5)
    if owner[row, column] < 0:
        owner[row, column] = value
    return row, column


def _curve(
    owner: NDArray[np.int64],
    centre: tuple[float, float],
    radii: NDArray[np.float64],
    degrees: NDArray[np.float64],
    number: int,
) -> None:
    """A closed curve in its dash; steps between neighbouring dots are filled."""
    turn = np.radians(np.append(degrees, degrees[0]))
    closed = np.append(radii, radii[0])
    x, y = centre[0] + closed * np.sin(turn), centre[1] - closed * np.cos(turn)
    pattern = dash_pattern(dash_name(number))
    steps, seen = 0, (-1, -1)
    for index in range(len(x) - 1):
        pieces = max(1, math.ceil(max(abs(x[index + 1] - x[index]), abs(y[index + 1] - y[index]))))
        for piece in range(pieces):
            share = piece / pieces
            place = (
                math.floor(y[index] + share * (y[index + 1] - y[index]) + 0.5),
                math.floor(x[index] + share * (x[index + 1] - x[index]) + 0.5),
            )
            if place == seen:
                continue
            seen = place
            if pattern[steps % len(pattern)] and owner[place] < 0:
                owner[place] = number
            steps += 1


def _text(owner: NDArray[np.int64], height: int, width: int, colour_on: bool) -> list[str]:
    lines = []
    for row in range(height):
        pieces = []
        for column in range(width):
            block = owner[4 * row : 4 * row + 4, 2 * column : 2 * column + 2]
            bits = sum(
                _WEIGHTS[dy][dx] for dy in range(4) for dx in range(2) if block[dy, dx] >= _RING
            )
            sign = chr(0x2800 + bits) if bits else " "
            curve = int(block.max())
            if colour_on and bits:
                sign = _inked(sign, curve)
            pieces.append(sign)
        lines.append("".join(pieces).rstrip() if not colour_on else "".join(pieces))
    return lines


def _inked(sign: str, curve: int) -> str:
    """In the colour of a curve; of a ring (below 0) in grey."""
    code = "128;128;128"
    if curve >= 0:
        code = "{};{};{}".format(*colour(curve, dark=True))
    return f"\x1b[38;2;{code}m{sign}\x1b[0m"


def _over(line: str, word: str, width: int) -> str:
    start = (width - len(word)) // 2
    padded = line.ljust(width)
    return (padded[:start] + word + padded[start + len(word) :]).rstrip()


def _sample(dash: str) -> str:
    pattern = dash_pattern(dash)[:8]
    return "".join(
        chr(0x2800 + (0x04 if a else 0) + (0x20 if b else 0))
        for a, b in zip(pattern[::2], pattern[1::2], strict=True)
    )


def compass_table(layout: Layout, frequency_hz: Sequence[float]) -> list[str]:
    """Levels at every 30° from the front, front to back, and the coverage, a line a frequency."""
    hz = np.array(frequency_hz)
    levels = level_db(compass(layout, hz, np.array(TABLE_DEG)))
    covered = coverage_deg(layout, hz)
    rows = [
        ("dB re one", *(f"{plain(angle, 0)}°" for angle in TABLE_DEG), "front/back", "coverage")
    ]
    for row, frequency, wide in zip(levels, frequency_hz, covered, strict=True):
        ratio = _shown(row[0] - row[-1], row[-1])
        coverage = "all around" if wide >= 360.0 else f"{plain(float(wide), 0)}°"
        if wide <= 0.0:  # the front itself is more than that below the loudest
            coverage = "–"
        cells = (_shown(float(value), float(value)) for value in row)
        rows.append((show_hz(frequency), *cells, ratio, coverage))
    return table(rows, "<" + ">" * (len(rows[0]) - 1), indent="")


def _shown(value_db: float, deciding_db: float) -> str:
    """A level; what lies at the floor of a null is said to be one."""
    if deciding_db <= SHOWN_FLOOR_DB + 20.0:
        return "null"
    return signed(value_db, 1)


def places_table(
    rows: Sequence[tuple[str, str, int, float, float, str, tuple[float, ...]]],
) -> list[str]:
    """(output, source, boxes, delay ms, gain dB, polarity, position m) as a table."""
    shown = [
        (
            inert(output),
            f"{boxes} × {inert(source)}",
            show_ms(delay_ms, 3),
            f"{signed(gain_db, 1)} dB",
            polarity,
            ", ".join(show_m(value)[:-2] for value in place),
        )
        for output, source, boxes, delay_ms, gain_db, polarity, place in rows
    ]
    heads = ("output", "source", "delay", "gain", "polarity", "x, y, z in m")
    return table([heads, *shown], "<<>><<")
