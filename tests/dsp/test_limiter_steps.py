"""Limiters measured on staircases: written out from the format's definition."""

from __future__ import annotations

import numpy as np
import pytest

from xover.dsp.limiter_steps import Held, measure_limiter
from xover.dsp.noise_and_pulses import level_steps
from xover.model.problems import Refused

RATE_HZ = 16_000.0


def limited(samples, steps, kind, threshold_db, attack_ms, release_ms):
    """The limiter as `docs/preset-format.md` defines it, acting on the level of the sine.

    On single samples a one-pole follows the waveform as well as its level, the more the nearer its
    times are to a period; the level alone is what a staircase is meant to show.
    """
    threshold = 10.0 ** (threshold_db / 20.0)
    attack, release = (1.0 - np.exp(-1e3 / (ms * RATE_HZ)) for ms in (attack_ms, release_ms))
    size = np.full(samples.size, 10.0 ** (steps[0].level_db / 20.0))
    for step in steps:
        begin = round(step.start_s * RATE_HZ)
        end = begin + round(step.hold_s * RATE_HZ)
        size[begin:end] = 10.0 ** (step.level_db / 20.0)
    gains = np.empty_like(size)
    gain, mean = 1.0, float(size[0] ** 2)
    for at, level in enumerate(size.tolist()):
        if kind == "rms":
            square = level * level
            mean += (attack if square > mean else release) * (square - mean)
            gains[at] = min(1.0, threshold / mean**0.5)
        else:
            wanted = min(1.0, threshold / level)
            gain += (attack if wanted < gain else release) * (wanted - gain)
            gains[at] = gain
    return samples * gains


def staircase(frequency_hz, low_db=-40.0, high_db=-10.0, step_db=3.0, hold_s=0.5, rest_s=0.5):
    levels = np.arange(low_db, high_db + 0.1, step_db)
    samples, starts = level_steps(
        levels, frequency_hz=frequency_hz, hold_s=hold_s, rest_s=rest_s, sample_rate_hz=RATE_HZ
    )
    steps = [
        Held(start / RATE_HZ, hold_s, float(level))
        for start, level in zip(starts, levels, strict=True)
    ]
    return samples, steps


def measured(samples, steps, frequency_hz, kind, late=0, gain_db=0.0, noise_db=-100.0):
    random = np.random.default_rng(1).standard_normal(samples.size + late)
    heard = np.concatenate([np.zeros(late), samples]) * 10.0 ** (gain_db / 20.0)
    heard = heard + 10.0 ** (noise_db / 20.0) * random
    return measure_limiter(
        heard, sample_rate_hz=RATE_HZ, frequency_hz=frequency_hz, steps=steps, kind=kind
    )


def test_the_staircase_is_what_it_says():
    samples, steps = staircase(1000.0)
    for step in steps:
        begin = round(step.start_s * RATE_HZ)
        piece = samples[begin : begin + round(step.hold_s * RATE_HZ)]
        assert 20.0 * np.log10(np.abs(piece).max()) == pytest.approx(step.level_db, abs=0.01)
    begin = round(steps[3].start_s * RATE_HZ) - 1600
    rest = samples[begin : begin + 1500]
    assert 20.0 * np.log10(np.abs(rest).max()) == pytest.approx(-40.0, abs=0.01)
    assert np.abs(np.diff(samples)).max() < 2.0 * np.pi * 1000.0 / RATE_HZ * 0.33, "no jumps"


@pytest.mark.parametrize(
    ("kind", "frequency_hz", "threshold_db", "attack_ms", "release_ms"),
    [("rms", 1000.0, -21.0, 30.0, 80.0), ("rms", 100.0, -25.0, 60.0, 90.0),
     ("peak", 1000.0, -19.0, 8.0, 120.0)],
)  # fmt: skip
def test_threshold_and_times_are_found(kind, frequency_hz, threshold_db, attack_ms, release_ms):
    samples, steps = staircase(frequency_hz)
    out = limited(samples, steps, kind, threshold_db, attack_ms, release_ms)
    found = measured(out, steps, frequency_hz, kind, late=11_234, gain_db=-7.0)
    assert found.threshold_db == pytest.approx(threshold_db, abs=0.5)
    assert found.gain_db == pytest.approx(-7.0, abs=0.1)
    assert found.attack_ms == pytest.approx(attack_ms, rel=0.15)
    assert found.release_ms == pytest.approx(release_ms, rel=0.15)


def test_what_does_not_limit_has_no_threshold():
    samples, steps = staircase(1000.0)
    found = measured(samples, steps, 1000.0, "rms")
    assert found.threshold_db is None
    assert found.highest_db == -10.0


def test_what_is_faster_than_a_period_is_not_told():
    samples, steps = staircase(100.0)
    out = limited(samples, steps, "peak", -20.0, 0.1, 500.0)
    assert measured(out, steps, 100.0, "peak").attack_ms is None


def test_other_recordings_are_refused():
    samples, steps = staircase(1000.0)
    noise = np.random.default_rng(2).standard_normal(samples.size)
    with pytest.raises(Refused, match="not found"):
        measured(noise * 0.1, steps, 1000.0, "rms")
    with pytest.raises(Refused, match="ends before"):
        measured(samples[: samples.size // 2], steps, 1000.0, "rms")
    out = limited(samples, steps, "rms", -50.0, 10.0, 50.0)
    with pytest.raises(Refused, match="begin the staircase lower"):
        measured(out, steps, 1000.0, "rms")
