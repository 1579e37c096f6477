"""How long the plot on characters takes, beside a naive per-sample raster of the same curves.

Prints figures, asserts none: run with `pytest tests/bench/test_bench_plot.py -s`.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from statistics import median

import numpy as np

from xover.sheets.curves import Curve, plot


def _seconds(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def test_four_curves_on_160_by_24() -> None:
    frequency_hz = 20.0 * 1000.0 ** (np.arange(480) / 479.0)
    curves = [
        Curve(f"Out {n}", frequency_hz, 12.0 * np.sin(np.linspace(n, 30.0, 480)), dash, n)
        for n, dash in enumerate(("solid", "dashed", "dotted", "dash-dot"))
    ]

    def naive() -> list[list[int]]:
        cells = [[0] * 150 for _ in range(22)]
        for curve in curves:
            last = None
            for f, value in zip(curve.frequency_hz.tolist(), curve.values.tolist(), strict=True):
                x = int(np.log(f / 20.0) / np.log(1000.0) * 299)
                y = int((15.0 - value) / 30.0 * 87)
                for row in range(min(y, last or y), max(y, last or y) + 1):
                    cells[row // 4][x // 2] |= 1 << (row % 4 + 4 * (x % 2))
                last = y
        return cells

    ours, theirs = [], []
    for _ in range(60):
        ours.append(_seconds(lambda: plot(curves, width=160, height=24)))
        theirs.append(_seconds(naive))
    print(
        f"\nplot, 4 curves × 480 points on 160×24: {1e3 * median(ours):.2f} ms whole drawing; "
        f"naive raster alone {1e3 * median(theirs):.2f} ms, "
        f"{median(theirs) / median(ours):.1f}× (aim: about 1 ms)"
    )
