"""Levels, lengths and times: conversions, and the one house style for showing them.

Figures for people use a true minus sign and a fixed number of decimals; files and JSON never
pass through here.
"""

from __future__ import annotations

import math

DBU_REFERENCE_V = math.sqrt(0.6)
"""0 dBu: 1 mW into 600 ohm, 0.7745967 V (ITU-R BS.645-2)."""

METRES_PER_FOOT = 0.3048
"""Exact by definition (international foot, 1959)."""


def db_from_ratio(ratio: float) -> float:
    """20·log10 of an amplitude ratio > 0, in dB."""
    return 20.0 * math.log10(ratio)


def ratio_from_db(level_db: float) -> float:
    """The amplitude ratio of a level in dB."""
    return float(10.0 ** (level_db / 20.0))


def volts_from_dbu(level_dbu: float) -> float:
    """Rms volts of a level in dBu."""
    return DBU_REFERENCE_V * ratio_from_db(level_dbu)


def dbu_from_volts(volts: float) -> float:
    """The level in dBu of rms volts > 0."""
    return db_from_ratio(volts / DBU_REFERENCE_V)


def plain(value: float, decimals: int) -> str:
    """A number with fixed decimals and a true minus; never a negative zero."""
    text = f"{value:.{decimals}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return text.replace("-", "−")


def signed(value: float, decimals: int) -> str:
    """Like `plain`, with a plus sign in front of what is above zero."""
    text = plain(value, decimals)
    return text if text.startswith("−") or float(text) == 0.0 else "+" + text


def short(value: float, decimals: int = 4) -> str:
    """A number without trailing zeros, at most `decimals` of them, with a true minus."""
    text = plain(value, decimals)
    return text.rstrip("0").rstrip(".") if "." in text else text


def show_db(value_db: float, decimals: int = 1) -> str:
    """`+2.0 dB`, `−3.0 dB`, `0.0 dB`; −∞ as `−∞ dB`."""
    if value_db == -math.inf:
        return "−∞ dB"
    return f"{signed(value_db, decimals)} dB"


def show_dbu(level_dbu: float, decimals: int = 1) -> str:
    """`+8.3 dBu`."""
    return f"{signed(level_dbu, decimals)} dBu"


def show_hz(frequency_hz: float) -> str:
    """`80 Hz`, `112.5 Hz`, `1.25 kHz`: four significant digits, no trailing zeros."""
    if frequency_hz >= 1000.0:
        return f"{_significant(frequency_hz / 1000.0)} kHz"
    return f"{_significant(frequency_hz)} Hz"


def show_ms(delay_ms: float, decimals: int = 2) -> str:
    """`3.42 ms`."""
    return f"{plain(delay_ms, decimals)} ms"


def show_m(length_m: float, decimals: int = 2) -> str:
    """`1.17 m`."""
    return f"{plain(length_m, decimals)} m"


def show_c(temperature_c: float) -> str:
    """`20.0 °C`."""
    return f"{plain(temperature_c, 1)} °C"


def _significant(value: float) -> str:
    if math.isinf(value):
        return "∞"
    digits = 4 if value < 1000.0 else 5
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(value)))) if value else 0
    return short(value, decimals)
