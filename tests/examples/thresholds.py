"""Limiter thresholds of the examples, from ratings: V = √(P·Z), dBu re 0.7746 V, minus the gain.

Rounded down to a tenth of a dB, so that rounding never lets more through.
"""

from __future__ import annotations

import math


def threshold_dbu(*bounds: tuple[float, float], gain_db: float) -> float:
    """The level at the processor that the smallest bound allows; bounds in watts and ohms."""
    volts = min(math.sqrt(watts * ohms) for watts, ohms in bounds)
    return math.floor(10.0 * (20.0 * math.log10(volts / math.sqrt(0.6)) - gain_db)) / 10.0


def line_threshold_dbu(
    line_v: float,
    *,
    tap_w: float,
    continuous_w: float,
    rated_line_v: float,
    sensitivity_dbu: float,
    locked_attenuator_db: float = 0.0,
) -> float:
    """The same on a 70.7 or 100 V line: the line itself, or what the box bears at this tap.

    `tap_w` is what the tap draws at that line voltage, a box's rating referred to the line is
    line_v·√(P/P_tap); the amplifier gives `rated_line_v` at its input sensitivity.
    """
    volts = min(line_v, line_v * math.sqrt(continuous_w / tap_w))
    gain_db = 20.0 * math.log10(rated_line_v / math.sqrt(0.6)) - sensitivity_dbu
    gain_db += locked_attenuator_db
    return math.floor(10.0 * (20.0 * math.log10(volts / math.sqrt(0.6)) - gain_db) + 1e-6) / 10.0
