"""The rows of a text response in the order of their frequencies, each frequency once.

Files come sorted, backwards, in several runs, with rows said twice. What only orders them is done
and said; what would change figures, rows of one frequency that differ, is the user's to answer.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from xover.dsp.averaging import Mean, mean_of_rows
from xover.dsp.captured import CapturedResponse
from xover.files.trace_lines import Table
from xover.model.units import short

Array = NDArray[np.float64]
Repeated = Literal["power", "complex", "first", "last"]


def in_order(
    table: Table, frequency: int, used: Sequence[int], repeated: Repeated | None
) -> tuple[Table, tuple[str, ...]]:
    """The rows by ascending frequency, column `frequency`, and what was done to them.

    Rows of one frequency that are alike in the columns `used` become one. Where they differ,
    `repeated` "first" or "last" keeps that one of the file, an average keeps them all for
    `averaged`, and None is refused with both lines.
    """
    values = table.values[:, frequency]
    step = np.diff(values)
    if (step > 0.0).all():
        return table, ()
    said: list[str] = []
    falls = np.flatnonzero(step < 0.0)
    if falls.size:
        order = np.argsort(values, kind="stable")
        said.append(_said_of_order(table, falls, backwards=bool((step <= 0.0).all())))
        table = _rows(table, order)
        step = np.diff(table.values[:, frequency])
    same = step == 0.0
    if not same.any():
        return table, tuple(said)
    data = table.values[:, list(used)]
    # Rows of one frequency that are alike need not stand next to each other.
    order = np.lexsort((table.lines, *data.T[::-1], table.values[:, frequency]))
    alike = np.zeros(len(order), dtype=np.bool_)
    alike[1:] = (data[order][1:] == data[order][:-1]).all(axis=1)
    if alike.any():
        first = int(table.lines[order[alike]].min())
        said.append(
            f"rows that say the same once more are left out: {np.count_nonzero(alike)} (the first "
            f"on line {first})"
        )
        keep = np.ones(len(order), dtype=np.bool_)
        keep[order[alike]] = False
        table = _rows(table, np.flatnonzero(keep))
    same = np.diff(table.values[:, frequency]) == 0.0
    if not same.any():
        return table, tuple(said)
    row = int(np.argmax(same)) + 1
    if repeated is None:
        figure = short(float(table.values[row, frequency]), 6)
        table.refuse(
            row,
            f"the frequency {figure} comes twice with different values, first on line "
            f"{table.lines[row - 1]}; answer with --repeated power or complex to average such "
            "rows, first or last to keep one of them",
        )
    if repeated in ("first", "last"):
        keep = np.concatenate(([True], ~same) if repeated == "first" else (~same, [True]))
        said.append(
            f"of rows with one frequency the {repeated} counts, as asked: "
            f"{np.count_nonzero(~keep)} left out"
        )
        table = _rows(table, np.flatnonzero(keep))
    return table, tuple(said)


def averaged(captured: CapturedResponse, repeated: Repeated | None) -> CapturedResponse:
    """The rows of one frequency as their mean, where `repeated` asked for one."""
    if repeated not in ("power", "complex") or (np.diff(captured.frequency_hz) > 0.0).all():
        return captured
    of: Mean = repeated
    return mean_of_rows(captured, of)


def _rows(table: Table, order: NDArray[np.intp]) -> Table:
    return replace(table, values=table.values[order], lines=table.lines[order])


def _said_of_order(table: Table, falls: NDArray[np.intp], *, backwards: bool) -> str:
    if backwards:
        return "the frequencies descend; the rows are turned round"
    line = table.lines[falls[0] + 1]
    if falls.size == 1:
        return f"the frequencies begin anew on line {line}; the rows are sorted"
    return (
        f"the frequencies fall back {falls.size} times (the first time on line {line}); the rows "
        "are sorted"
    )
