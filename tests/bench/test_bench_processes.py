"""Whole processes: `xover --version` against a bare Python, interleaved, medians."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import numpy as np

ROUNDS = 21
SCRIPT = str(Path(sys.executable).with_name("xover"))
"""The installed command; run through the same interpreter as its peer."""


def timed(*arguments: str) -> float:
    begun = time.perf_counter()
    subprocess.run([sys.executable, *arguments], capture_output=True, check=True)
    return time.perf_counter() - begun


def test_version() -> None:
    peer, ours = [], []
    for _ in range(ROUNDS):
        peer.append(timed("-c", "pass"))
        ours.append(timed(SCRIPT, "--version"))
    ratio = np.median(ours) / np.median(peer)
    print(
        f"\nxover --version: {ratio:.2f}× (goal ≤ 2×; {np.median(ours) * 1e3:.0f} ms against "
        f"{np.median(peer) * 1e3:.0f} ms of `python -c pass`)"
    )
