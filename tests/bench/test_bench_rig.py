"""How fast the electrical engine is, as ratios against scipy in the same run.

Run by hand: `pytest tests/bench/test_bench_rig.py -s`. Ours and the peer take turns; the ratio is
that of the medians, with one BLAS thread. "1 a turn" pays for caches that the peer has emptied.
Nothing here fails for being slow.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

import numpy as np
from msgspec.structs import replace
from scipy import signal

from tests.dsp.running import digital_coefficients
from xover.dsp.axis import Axis
from xover.dsp.evaluator import RigEvaluator
from xover.dsp.response import electrical_responses, output_sections
from xover.dsp.smoothing import power_smooth
from xover.model.drive import drive_of
from xover.model.preset import Preset
from xover.model.processing import Crossover, EqSection, Input, Output

FS = 48_000.0
POINTS = 2_048
LISTENERS = 9
REPEATS = 25


def whole_rig() -> Preset:
    """8 outputs × (LR8 high-pass + LR8 low-pass + 10 sections): invented, Q 0.7 to 8."""
    rng = np.random.default_rng(1)

    def lr8(frequency_hz: float) -> Crossover:
        return Crossover(family="linkwitz-riley", slope_db_per_octave=48, frequency_hz=frequency_hz)

    def sections() -> tuple[EqSection, ...]:
        peaks = [
            EqSection(
                kind="peak",
                frequency_hz=float(60.0 * 2.0 ** rng.uniform(0.0, 8.0)),
                gain_db=float(rng.uniform(-9.0, 6.0)),
                q=float(rng.uniform(0.7, 8.0)),
            )
            for _ in range(7)
        ]
        return (
            *peaks,
            EqSection(kind="low_shelf", frequency_hz=100.0, gain_db=3.0, q=0.7),
            EqSection(kind="high_shelf", frequency_hz=8_000.0, gain_db=-3.0, q=0.7),
            EqSection(kind="all_pass", frequency_hz=500.0, q=3.0),
        )

    return Preset(
        title="bench",
        inputs=(Input(name="In"),),
        outputs=tuple(
            Output(
                name=f"Out {k}",
                inputs={"In": 0.0},
                gain_db=-1.5 * k,
                high_pass=lr8(40.0 + 10.0 * k),
                low_pass=lr8(2_000.0 + 100.0 * k),
                eq=sections(),
            )
            for k in range(8)
        ),
    )


def second_order_sections(preset: Preset) -> list[np.ndarray]:
    return [
        np.array(
            [
                [*c[:3], 1.0, *c[3:]]
                for c in (
                    digital_coefficients(s, sample_rate_hz=FS) for s in output_sections(output)
                )
            ]
        )
        for output in preset.outputs
    ]


def race(
    ours: Callable[[], object], peer: Callable[[], object], *, runs: int
) -> tuple[float, float]:
    """Medians in seconds: each repeat times `runs` calls of ours, then one of the peer."""
    ours_s, peer_s = [], []
    for repeat in range(-2, REPEATS):
        start = time.perf_counter()
        for _ in range(runs):
            ours()
        middle = time.perf_counter()
        peer()
        if repeat >= 0:
            ours_s.append((middle - start) / runs)
            peer_s.append(time.perf_counter() - middle)
    return statistics.median(ours_s), statistics.median(peer_s)


def show(what: str, ours_s: float, peer_s: float, goal: float) -> None:
    print(
        f"{what}: {peer_s / ours_s:.1f}× (goal ≥ {goal:g}×; "
        f"{ours_s * 1e6:.0f} µs against {peer_s * 1e6:.0f} µs)"
    )


def test_whole_rig() -> None:
    """From the preset's own structures to 8 complex responses; the peer has its sections ready."""
    preset = whole_rig()
    axis, drive = Axis(np.geomspace(20.0, 20_000.0, POINTS), FS), drive_of(preset)
    rows = second_order_sections(preset)

    def peer() -> list[np.ndarray]:
        return [signal.freqz_sos(sos, axis.frequency_hz, fs=FS)[1] for sos in rows]

    got = electrical_responses(preset, axis, drive)
    gains = np.array([10.0 ** (output.gain_db / 20.0) for output in preset.outputs])
    assert np.abs(got - gains[:, None] * np.array(peer())).max() < 1e-8
    print()
    for runs in (1, 8):
        ours_s, peer_s = race(lambda: electrical_responses(preset, axis, drive), peer, runs=runs)
        show(f"whole rig ({runs} a turn)", ours_s, peer_s, 25)


def test_one_section_edited() -> None:
    """One section edited → sums at 9 listeners, against everything anew with freqz_sos."""
    preset = whole_rig()
    axis, drive = Axis(np.geomspace(20.0, 20_000.0, POINTS), FS), drive_of(preset)
    rng = np.random.default_rng(2)
    shape = (LISTENERS, len(preset.outputs), POINTS)
    transfer = rng.normal(size=shape) + 1j * rng.normal(size=shape)
    rows = second_order_sections(preset)
    evaluator = RigEvaluator(axis)
    evaluator.sums(preset, drive, transfer)

    def peer() -> np.ndarray:
        responses = np.array([signal.freqz_sos(s, axis.frequency_hz, fs=FS)[1] for s in rows])
        return np.einsum("lof,of->lf", transfer, responses)

    def edits(wander: bool) -> list[Preset]:
        """Presets each one edited section away from the one before."""
        chain, current = [], preset
        for step in range(16 * (REPEATS + 2)):
            k, which = (step % 8, step % 7) if wander else (3, 2)
            output = current.outputs[k]
            section = replace(output.eq[which], gain_db=-6.0 + 0.01 * step)
            eq = (*output.eq[:which], section, *output.eq[which + 1 :])
            outputs = list(current.outputs)
            outputs[k] = replace(output, eq=eq)
            current = replace(current, outputs=tuple(outputs))
            chain.append(current)
        return chain

    print()
    for name, wander in (("same section", False), ("another output each time", True)):
        for runs in (1, 16):
            chain = iter(edits(wander))
            ours_s, peer_s = race(
                lambda chain=chain: evaluator.sums(next(chain), drive, transfer), peer, runs=runs
            )
            show(f"one section edited, {name} ({runs} a turn)", ours_s, peer_s, 100)
    expected = np.einsum("lof,of->lf", transfer, electrical_responses(preset, axis, drive))
    assert np.abs(evaluator.sums(preset, drive, transfer) - expected).max() < 1e-11


def test_smoothing() -> None:
    """65,536 bins → 2,048 points, against a loop over points."""
    f = np.arange(1, 65_537) * 24_000.0 / 65_537.0
    power = np.random.default_rng(3).uniform(0.0, 1.0, f.size)
    at_hz = np.geomspace(20.0, 20_000.0, POINTS)
    x = np.log2(f)

    def peer() -> np.ndarray:
        means = []
        for centre in np.log2(at_hz):
            first, last = np.searchsorted(x, [centre - 1.0 / 12.0, centre + 1.0 / 12.0])
            last = max(last, first + 1)
            means.append(np.average(power[first:last], weights=1.0 / f[first:last]))
        return np.array(means)

    ours_s, peer_s = race(lambda: power_smooth(f, power, fraction=6, at_hz=at_hz), peer, runs=1)
    print()
    show("smoothing", ours_s, peer_s, 20)
