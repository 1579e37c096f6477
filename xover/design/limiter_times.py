"""Attack and release to start from, and how far a peak limiter lets the first cycle through.

Times follow from the lowest frequency that an output passes; the multiples are common practice
without a source, each with its reason beside it. Thresholds are `design.limits`' business.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from msgspec import Struct

from xover.model.preset import Preset
from xover.model.units import plain, ratio_from_db, short, show_hz

RMS_ATTACK_PERIODS: Final = 5.0
"""A mean of the square over five periods ripples by 1.6 % of power: 0.07 dB."""
RMS_RELEASE_PERIODS: Final = 20.0
"""Several times the attack, so that music between two beats does not open it."""
PEAK_ATTACK_PERIODS: Final = 0.05
"""Half of what still acts within the first cycle: of a sudden 6 dB it lets 3.4 through."""
PEAK_RELEASE_PERIODS: Final = 5.0
"""Long against a period, or the gain follows the waveform and distorts it."""
LEVEL_PERIODS: Final = 0.1
"""A peak limiter slower than this part of a period is level protection."""
SUDDEN_DB: Final = 6.0
"""The overload that the overshoot is told for."""

LOWEST_HZ: Final = 1.0


class Times(Struct, frozen=True):
    """Attack and release in ms, as one-pole time constants."""

    attack_ms: float
    release_ms: float


def lowest_hz(preset: Preset, output: str) -> float | None:
    """The corner of the output's high-pass; without one the lowest edge of its boxes' ranges.

    None where it has neither. Never below 1 Hz, where no filter can be set.
    """
    item = preset.output(output)
    if item.high_pass is not None:
        return item.high_pass.frequency_hz
    edges = [
        max(LOWEST_HZ, preset.loudspeaker(source.loudspeaker).passband_hz[0])
        for source in preset.sources_of(output)
    ]
    return min(edges, default=None)


def proposed_rms(frequency_hz: float) -> Times:
    """Times of an rms limiter for a band that begins at `frequency_hz`; two digits."""
    return _times(frequency_hz, RMS_ATTACK_PERIODS, RMS_RELEASE_PERIODS)


def proposed_peak(frequency_hz: float) -> Times:
    """Times of a peak limiter for a band that begins at `frequency_hz`; two digits."""
    return _times(frequency_hz, PEAK_ATTACK_PERIODS, PEAK_RELEASE_PERIODS)


def is_level_protection(attack_ms: float, frequency_hz: float) -> bool:
    """Whether a peak limiter is too slow to hold the first cycle at `frequency_hz`."""
    return attack_ms > LEVEL_PERIODS * 1000.0 / frequency_hz


def first_cycle_overshoot_db(
    attack_ms: float, frequency_hz: float, *, over_db: float = SUDDEN_DB
) -> float:
    """How far the first half-cycle of a sudden sine passes the threshold, in dB, at least 0.

    The sine starts at a zero, `over_db` above the threshold. The gain follows a one-pole mean of
    the rectified signal with time constant τ: while it rises,
    e(t) = A·(sin ωt − ωτ·cos ωt + ωτ·e^(−t/τ))/(1 + ω²τ²), the solution of τ·e′ + e = A·sin ωt.
    """
    level = ratio_from_db(over_db)
    phase = np.linspace(0.0, math.pi, 721)[1:-1]
    signal = level * np.sin(phase)
    turn = 2.0 * math.pi * frequency_hz * attack_ms / 1000.0
    if turn < 1e-6:
        return 0.0
    followed = level * (np.sin(phase) - turn * np.cos(phase) + turn * np.exp(-phase / turn))
    followed /= 1.0 + turn * turn
    passed = signal / np.maximum(1.0, followed)
    rising = signal >= followed
    return max(0.0, float(20.0 * math.log10(np.max(passed[rising]))))


def overshoot_words(attack_ms: float, frequency_hz: float) -> str:
    """What a one-pole peak limiter does to the first cycle, and whether it is level protection."""
    over_db = first_cycle_overshoot_db(attack_ms, frequency_hz)
    text = (
        f"attack {short(attack_ms, 2)} ms against a period of {short(1000.0 / frequency_hz, 2)} ms "
        f"at {show_hz(frequency_hz)}: of a sine that starts {short(SUDDEN_DB)} dB over the "
        f"threshold the first cycle passes it by {plain(over_db, 1)} dB"
    )
    if is_level_protection(attack_ms, frequency_hz):
        text += "; slower than a tenth of the period, so this is level protection"
    return text


def _times(frequency_hz: float, attack_periods: float, release_periods: float) -> Times:
    period_ms = 1000.0 / frequency_hz
    return Times(_two_digits(attack_periods * period_ms), _two_digits(release_periods * period_ms))


def _two_digits(value: float) -> float:
    return float(f"{value:.2g}")
