"""How fast a level map is, as a ratio against a loop over points and sources in the same run.

Run by hand: `pytest tests/bench/test_bench_map.py -s`. The loop works on a part of the points and
is scaled up, so that the run stays short; nothing here fails for being slow.
"""

from __future__ import annotations

import statistics
import time

import numpy as np
from msgspec.structs import replace

from tests.acoustics.rigs import rig
from xover.acoustics.area import Area
from xover.acoustics.bands import Band
from xover.acoustics.maps import BandRig, band_power, rig_of
from xover.model.drive import drive_of

PART = 40
"""The loop does one point in so many."""


def loop(rig: BandRig, points_m: np.ndarray) -> np.ndarray:
    """Point by point and source by source, the frequencies of the band as one array."""
    found = np.empty(len(points_m))
    for index, point in enumerate(points_m):
        total = np.zeros(len(rig.frequency_hz), dtype=np.complex128)
        for source, place in enumerate(rig.positions_m):
            r_m = max(0.1, float(np.sqrt(np.sum((place - point) ** 2))))
            path = np.exp(-rig.absorption_np_m * r_m) / r_m
            flight = np.exp(-2j * np.pi * rig.frequency_hz * (r_m / rig.speed_m_s))
            total += rig.coefficients[:, 0, source] * path * flight
        found[index] = np.sum(rig.weights * np.abs(total) ** 2)
    return found


def test_two_hundred_by_a_hundred_points_of_twelve_sources() -> None:
    places = {f"S{k}": (-11.0 + 2.0 * k, 0.0, 0.4) for k in range(12)}
    preset = rig(places)
    preset = replace(preset, outputs=tuple(
        replace(item, delay_ms=0.3 * k) for k, item in enumerate(preset.outputs)))  # fmt: skip
    area = Area((-20.0, 20.0), (2.0, 40.0), 1.2, 200, 100)
    points_m = area.points_m
    print()
    for typed_hz in (63.0, 125.0, 1000.0):
        of_band = rig_of(preset, Band.near(typed_hz, 3), drive_of(preset))
        ours_s, peer_s = [], []
        for repeat in range(-1, 5):
            start = time.perf_counter()
            ours = band_power(of_band, points_m)
            middle = time.perf_counter()
            peer = loop(of_band, points_m[::PART])
            if repeat >= 0:
                ours_s.append(middle - start)
                peer_s.append(PART * (time.perf_counter() - middle))
        assert np.abs(10.0 * np.log10(ours[::PART] / peer)).max() < 1e-9
        ours_m, peer_m = statistics.median(ours_s), statistics.median(peer_s)
        print(
            f"{typed_hz:g} Hz third octave, {len(of_band.frequency_hz)} frequencies: "
            f"{peer_m / ours_m:.0f}× (goal ≥ 20×; {ours_m * 1e3:.0f} ms against {peer_m:.1f} s)"
        )
