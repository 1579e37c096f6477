"""Start to first painted screen in a real pseudo-terminal, beside a bare Textual app, interleaved.

Whole processes, from the fork to the frame. Prints figures and asserts only that what is timed
was seen: `pytest tests/bench/test_bench_start.py -s -p no:cacheprovider`.
"""

from __future__ import annotations

import statistics
from pathlib import Path

from tests.bench.pseudo_terminal import Rows
from tests.bench.test_bench_frame import BARE, dots, opened, value

ROUNDS = 15


def whole(rows: Rows) -> bool:
    """Whether both the sheet and its curves are there."""
    return bool(value(rows, "High-pass")) and sum(bool(row.strip()) for row in dots(rows)) > 8


def test_start(tmp_path: Path) -> None:
    peer, shell, curves = [], [], []
    peer_cpu, curves_cpu = [], []
    for turn in range(ROUNDS + 1):
        with opened(BARE) as bare:
            first = bare.frame(lambda rows: rows[0].startswith("count 0"))
            peer.append(first.at_s - bare.begun_s)
            peer_cpu.append(first.cpu_s)
        with opened("-m", "xover", state=tmp_path / str(turn)) as bench:
            shell.append(
                bench.until(lambda rows: "opening" in rows[0] and "help" in rows[-1])
                - bench.begun_s
            )
            drawn = bench.frame(whole)
            curves.append(drawn.at_s - bench.begun_s)
            curves_cpu.append(drawn.cpu_s)
    for name, spent, goal in (
        ("shell", shell, "goal ≤ 1.15×"),
        ("sheet and curves", curves, "goal ≤ 1.6×"),
    ):
        ratio = statistics.median(spent[1:]) / statistics.median(peer[1:])
        print(
            f"\nstart → {name} on screen: {ratio:.2f}× ({goal}); "
            f"{1e3 * statistics.median(spent[1:]):.0f} ms against "
            f"{1e3 * statistics.median(peer[1:]):.0f} ms"
        )
    print(
        f"start → sheet and curves, computed: "
        f"{statistics.median(curves_cpu[1:]) / statistics.median(peer_cpu[1:]):.2f}×; "
        f"{1e3 * statistics.median(curves_cpu[1:]):.0f} ms against "
        f"{1e3 * statistics.median(peer_cpu[1:]):.0f} ms"
    )
