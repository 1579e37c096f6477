"""Key to painted frame in a real pseudo-terminal, beside a bare Textual app in the same run.

Prints figures, asserts only that what is timed was seen: `pytest tests/bench/test_bench_frame.py
-s -p no:cacheprovider`. A frame counts when the sheet shows the new value and every dot of the
curves stands where it stays; bands and losses follow beside the screen and are not waited for.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

import pytest

from tests.bench.pseudo_terminal import Frame, PseudoTerminal, Rows
from tests.bench.test_bench_session import large
from xover.files.preset_json import dumps

KEYS = 60
BARE = str(Path(__file__).with_name("bare_app.py"))
ROOT = Path(__file__).resolve().parents[2]
DOWN = "\x1b[B"


@contextmanager
def opened(*words: str, state: Path | None = None) -> Iterator[PseudoTerminal]:
    """A program under this Python at 160×48."""
    environment = {"PYTHONPATH": str(ROOT)}
    if state is not None:
        environment["XDG_STATE_HOME"] = str(state)
    program = PseudoTerminal([sys.executable, *words], environment=environment)
    try:
        yield program
    finally:
        program.close()


def dots(rows: Rows) -> tuple[str, ...]:
    """The braille of every row, everything else blank."""
    return tuple(
        "".join(sign if "\u2800" < sign <= "\u28ff" else " " for sign in row) for row in rows
    )


def value(rows: Rows, label: str) -> str:
    """The sheet's row of a label."""
    return next((row for row in rows if row.startswith(label)), "")


class Spent(NamedTuple):
    """From a key to its frame, in ms: by the clock, and what the program computed meanwhile."""

    clock: float
    cpu: float


def bare_ms(program: PseudoTerminal, count: int) -> Spent:
    """One key to the peer."""
    cpu_s, begun_s = program.cpu_s, program.type("x")
    done = program.frame(lambda rows: rows[0].startswith(f"count {count} "))
    program.settle(quiet_s=0.04)
    return Spent(1e3 * (done.at_s - begun_s), 1e3 * (done.cpu_s - cpu_s))


def workbench_ms(program: PseudoTerminal, key: str, label: str) -> tuple[Spent, int]:
    """One key to the workbench, and the number of frames until nothing came any more."""
    before = program.rows
    cpu_s, begun_s = program.cpu_s, program.type(key)
    frames = program.settle(quiet_s=0.2)
    last = frames[-1].rows
    assert value(last, label) != value(before, label), "the value has not changed"
    assert dots(last) != dots(before), "no curve has changed"
    done = next(each for each in frames if _same(each.rows, last, label))
    return Spent(1e3 * (done.at_s - begun_s), 1e3 * (done.cpu_s - cpu_s)), len(frames)


def _same(rows: Rows, last: Rows, label: str) -> bool:
    return value(rows, label) == value(last, label) and dots(rows) == dots(last)


def wait_for_curves(program: PseudoTerminal) -> None:
    """Until there are curves and nothing moves any more."""
    program.until(lambda rows: sum(any(map(str.strip, [row])) for row in dots(rows)) > 8)
    program.settle(quiet_s=0.5)


def told(name: str, ours: list[Spent], peer: list[Spent], goal: str) -> None:
    """Two lines, by the clock and computed: ratios of medians and of the 90th percentiles."""
    print(f"\n{name}; {goal}")
    for what in Spent._fields:
        mine, others = ([getattr(each, what) for each in spent] for spent in (ours, peer))
        half, late = statistics.median(mine), statistics.quantiles(mine, n=10)[-1]
        least, most = statistics.median(others), statistics.quantiles(others, n=10)[-1]
        print(
            f"  {what:5s} {half / least:.2f}×, p90 {late / least:.2f}× of the peer's median, "
            f"{late / most:.2f}× of its p90; {half:.1f} and {late:.1f} ms against {least:.1f} and "
            f"{most:.1f} ms"
        )


def test_a_key_to_its_frame(tmp_path: Path) -> None:
    with (
        opened(BARE) as bare,
        opened(BARE, "still") as still,
        opened(BARE, "cells") as cells,
        opened("-m", "xover", state=tmp_path) as bench,
    ):
        wait_for_curves(bench)
        bench.type(DOWN)  # from the first output's delay to its high-pass
        bench.settle()
        bare.settle()
        still.settle()
        cells.settle()
        ours, peer, calm, floor, frames = [], [], [], [], []
        for turn in range(KEYS):
            peer.append(bare_ms(bare, turn + 1))
            calm.append(bare_ms(still, turn + 1))
            floor.append(bare_ms(cells, turn + 1))
            spent_ms, count = workbench_ms(bench, "]" if turn % 24 < 12 else "[", "High-pass")
            ours.append(spent_ms)
            frames.append(count)
    told("key → frame, 160×48, sum and paths", ours, peer, "goal ≤ 2.0×, p90 ≤ 3×, moonshot 1.5×")
    told("  beside a peer that keeps its layout", ours, calm, "no goal")
    told("  beside a peer that paints as many cells and computes nothing", ours, floor, "no goal")
    told("  that peer beside the bare one", floor, peer, "the toolkit's own floor")
    print(f"  frames a key: {statistics.mean(frames):.1f}")


@pytest.mark.parametrize("pause_s", [1 / 30, 0.0], ids=["30 a second", "as fast as possible"])
def test_held_keys_never_queue_up(pause_s: float, tmp_path: Path) -> None:
    with opened("-m", "xover", state=tmp_path) as bench:
        wait_for_curves(bench)
        bench.type(DOWN)
        bench.settle()
        count = 60
        for turn in range(count):
            last_s = bench.type("]" if turn < count // 2 else "[")
            if pause_s:
                time.sleep(pause_s)
        frames: list[Frame] = bench.settle(quiet_s=0.5)
        end = frames[-1].rows
        after = [each for each in frames if each.at_s > last_s]
        unlike = [each for each in after if not _same(each.rows, end, "High-pass")]
        settled = next(each for each in after if _same(each.rows, end, "High-pass"))
        print(
            f"\nheld key, {count} × {'30 a second' if pause_s else 'at once'}: settled "
            f"{1e3 * (settled.at_s - last_s):.0f} ms after the last, {len(unlike)} frames before "
            f"it (goal ≤ 2 frames); {len(frames)} frames in all"
        )


def test_a_large_preset(tmp_path: Path) -> None:
    path = tmp_path / "large.json"
    path.write_bytes(dumps(large()))
    with (
        opened(BARE) as bare,
        opened("-m", "xover", str(path), state=tmp_path / "state") as bench,
    ):
        bare.settle()
        at_s = bench.until(lambda rows: sum(bool(row.strip()) for row in dots(rows)) > 8)
        print(f"\nlarge preset, 16 → 32 × 20 sections: curves {at_s - bench.begun_s:.2f} s (start)")
        bench.settle(quiet_s=1.0)
        bench.type(DOWN)
        bench.settle()
        ours, peer, frames = [], [], []
        for turn in range(20):
            peer.append(bare_ms(bare, turn + 1))
            spent_ms, count = workbench_ms(bench, "]" if turn % 12 < 6 else "[", "High-pass")
            ours.append(spent_ms)
            frames.append(count)
    told("key → frame, large preset", ours, peer, "figures, no goal")
    print(f"  frames a key: {statistics.mean(frames):.1f}")
