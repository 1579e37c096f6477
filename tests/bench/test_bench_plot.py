"""How long the plot on characters takes, beside a naive per-sample raster of the same curves.

Prints figures, asserts none: run with `pytest tests/bench/test_bench_plot.py -s`.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from statistics import median

import numpy as np
from rich.color import Color
from rich.style import Style

from xover.sheets.curves import Curve, plot
from xover.tui.plot_content import PlotData
from xover.tui.plot_paint import Looks, strip_of
from xover.tui.plot_scene import Wish, scene
from xover.tui.plot_span import Span


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


def _handing_over(frequency_hz: np.ndarray, step: int) -> PlotData:
    """Three ways of fourth order handing over at 90 Hz and 1.5 kHz, and their sum."""

    def way(at_hz: float, *, high: bool) -> np.ndarray:
        s = 1j * frequency_hz / at_hz
        return (s**4 if high else 1.0) / (s * s + np.sqrt(2.0) * s + 1.0) ** 2

    low = way(90.0, high=False) * 1.001**step
    middle = way(90.0, high=True) * way(1500.0, high=False)
    top = way(1500.0, high=True) * np.exp(-2j * np.pi * frequency_hz * (2e-4 + 1e-6 * step))
    named = zip(("sum", "Sub", "Mid", "Top"), (low + middle + top, low, middle, top), strict=True)
    dashes = ("solid", "dashed", "dotted", "dash-dot")
    upper, lower = [], []
    for n, (name, response) in enumerate(named):
        level = 20.0 * np.log10(np.abs(response))
        upper.append(Curve(name, frequency_hz, level, dashes[n], n))
        phase = np.degrees(np.angle(response))
        lower.append(Curve(name, frequency_hz, phase, dashes[n], n, wraps=True))
    bands = ((72.0, 138.0, "Sub / Mid: loss 0.3 dB"),)
    return PlotData(tuple(upper), tuple(lower), bands=bands, title="at Row 8")


def test_new_curves_to_painted_rows() -> None:
    frequency_hz = 20.0 * 1000.0 ** (np.arange(480) / 479.0)
    looks = Looks(Style(bgcolor=Color.from_rgb(18, 18, 18)), dark=True, no_color=False)
    for height, lower in ((27, False), (27, True), (48, False), (48, True)):
        wish = Wish(160, height, Span(), None, lower, False)
        before = scene(_handing_over(frequency_hz, 0), wish)
        spent, rows = [], 0
        for step in range(1, 200):
            data = _handing_over(frequency_hz, step)
            begun = time.perf_counter()
            now = scene(data, wish, before)
            changed = sorted({row for row, _, _ in now.parts_unlike(before)})
            for y in changed:
                strip_of(now, y, looks)
            spent.append(time.perf_counter() - begun)
            before, rows = now, rows + len(changed)
        print(
            f"\ncurves to strips, 4 curves × 480 points{' over 4 phases' if lower else ''} on "
            f"160×{height}: {1e3 * median(spent):.2f} ms, {rows / len(spent):.0f} rows "
            "(aim: at most 2.5 ms)"
        )
