"""Rounding together against rounding each value on its own: 200 random outputs, in one run.

Prints figures: `pytest tests/bench/test_bench_adapting.py -s -p no:cacheprovider`. Goals: never
worse, more than 10 % lower in at least 90 %, median ratio at most 0.65, under 0.2 s an output.
"""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest

from tests.design.adapting_cases import preset_of, random_output
from xover.design.adapting.adaptation import adapt
from xover.files.profile_json import load_profile

FOLDER = Path(__file__).parents[2] / "presets" / "processors"


@pytest.mark.parametrize("name", ["old-ferry-2x6", "jetty-4x8", "kittiwake-8x16"])
def test_rounding_together(name: str) -> None:
    profile = load_profile(FOLDER / f"{name}.json")
    rng = np.random.default_rng(11)
    ratios, seconds = [], []
    for _ in range(200):
        preset = preset_of(random_output(rng, min(10, profile.eq.bands_per_output)))
        begun = time.perf_counter()
        (one,) = adapt(preset, profile).outputs
        seconds.append(time.perf_counter() - begun)
        ratios.append(one.rms / one.naive_rms)
    found = np.array(ratios)
    print(
        f"\n{profile.name}: error together / alone: median {np.median(found):.3f}, "
        f"more than 10 % lower in {100 * np.mean(found < 0.9):.1f} %, largest {found.max():.3f}; "
        f"{1e3 * np.median(seconds):.0f} ms an output, at most {1e3 * max(seconds):.0f} ms"
    )
    assert found.max() <= 1.0 + 1e-9
