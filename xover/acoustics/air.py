"""The air between box and ear: how fast sound travels in it, and what it takes away.

One speed serves every delay in the program; humidity only acts on absorption. The humid speed is
here to show how wrong that simplification can be, never to enter a delay. Weather outside a
formula's stated range is computed all the same, and `notes` says so.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from xover.model.processing import Air
from xover.model.units import plain, show_c

ZERO_CELSIUS_K: Final = 273.15
REFERENCE_TEMPERATURE_K: Final = 293.15
REFERENCE_PRESSURE_KPA: Final = 101.325
REFERENCE_SPEED_M_S: Final = 343.2
"""The speed of sound at 20 °C in ISO 9613-1:1993, formula A.5."""
TRIPLE_POINT_K: Final = 273.16
CARBON_DIOXIDE_FRACTION: Final = 400e-6
"""The carbon dioxide content assumed by `humid_speed_m_s`; it moves the speed by a few mm/s."""

# Cramer 1993, eq. 15, Table III: a0 … a15.
_CRAMER: Final = (
    331.5024, 0.603055, -0.000528, 51.471935, 0.1495874, -0.000782, -1.82e-7, 3.73e-8, -2.93e-10,
    -85.20931, -0.228525, 5.91e-5, -2.835149, -2.15e-13, 29.179762, 0.000486,
)  # fmt: skip


def speed_of_sound_m_s(air: Air) -> float:
    """The speed of sound used for every delay, in m/s: 343.2·√(T/293.15 K).

    ISO 9613-1:1993, formula A.5: dry and humid air alike, from the temperature alone.
    """
    temperature_k = air.temperature_c + ZERO_CELSIUS_K
    return REFERENCE_SPEED_M_S * math.sqrt(temperature_k / REFERENCE_TEMPERATURE_K)


def absorption_db_per_m(air: Air, frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Pure-tone absorption of the air in dB per metre, shape of `frequency_hz`.

    ISO 9613-1:1993, equations 3 to 5, with the molar concentration of water vapour of Annex B.
    Stated there for −20…50 °C and 10…100 % relative humidity.
    """
    temperature_k = air.temperature_c + ZERO_CELSIUS_K
    warmth = temperature_k / REFERENCE_TEMPERATURE_K
    pressure = air.pressure_kpa / REFERENCE_PRESSURE_KPA
    # Annex B, formulas B.2 and B.3 for the saturation pressure, B.1 for h in per cent.
    saturation = 10.0 ** (-6.8346 * (TRIPLE_POINT_K / temperature_k) ** 1.261 + 4.6151)
    h = air.relative_humidity_percent * saturation / pressure
    # Equations 3 and 4: the relaxation frequencies of oxygen and nitrogen.
    oxygen_hz = pressure * (24.0 + 4.04e4 * h * (0.02 + h) / (0.391 + h))
    nitrogen_hz = (
        pressure
        / math.sqrt(warmth)
        * (9.0 + 280.0 * h * math.exp(-4.170 * (warmth ** (-1 / 3) - 1.0)))
    )
    # Equation 5.
    square = np.square(np.asarray(frequency_hz, dtype=np.float64))
    classical = 1.84e-11 / pressure * math.sqrt(warmth)
    oxygen = 0.01275 * math.exp(-2239.1 / temperature_k) / (oxygen_hz + square / oxygen_hz)
    nitrogen = 0.1068 * math.exp(-3352.0 / temperature_k) / (nitrogen_hz + square / nitrogen_hz)
    absorption: NDArray[np.float64] = (
        8.686 * square * (classical + warmth**-2.5 * (oxygen + nitrogen))
    )
    return absorption


def humid_speed_m_s(air: Air) -> float:
    """The speed of sound of humid air in m/s, to be shown as the uncertainty of the simple one.

    O. Cramer, J. Acoust. Soc. Am. 93(5), 2510–2516, 1993, eq. 15 with Table III, at 400 ppm of
    carbon dioxide. Stated there for 0…30 °C and 75…102 kPa.
    """
    t = air.temperature_c
    pressure_pa = 1000.0 * air.pressure_kpa
    water = _water_fraction(air)
    carbon = CARBON_DIOXIDE_FRACTION
    a = _CRAMER
    return (
        a[0] + a[1] * t + a[2] * t**2
        + (a[3] + a[4] * t + a[5] * t**2) * water
        + (a[6] + a[7] * t + a[8] * t**2) * pressure_pa
        + (a[9] + a[10] * t + a[11] * t**2) * carbon
        + a[12] * water**2 + a[13] * pressure_pa**2 + a[14] * carbon**2
        + a[15] * water * pressure_pa * carbon
    )  # fmt: skip


def notes(air: Air) -> tuple[str, ...]:
    """One sentence for each formula that is used outside the range its source states."""
    said: list[str] = []
    t, humidity = air.temperature_c, air.relative_humidity_percent
    if not -20.0 <= t <= 50.0 or not 10.0 <= humidity <= 100.0:
        said.append(
            f"air absorption is computed at {show_c(t)} and {plain(humidity, 0)} % relative"
            " humidity; its source states −20 to 50 °C and 10 to 100 %"
        )
    return tuple(said)


def humid_speed_notes(air: Air) -> tuple[str, ...]:
    """Like `notes`, for `humid_speed_m_s` alone: said where that figure is shown."""
    if (
        0.0 <= air.temperature_c <= 30.0
        and 75.0 <= air.pressure_kpa <= 102.0
        and _water_fraction(air) <= 0.06
    ):
        return ()
    return (
        f"the humid speed of sound is computed at {show_c(air.temperature_c)} and"
        f" {plain(air.pressure_kpa, 1)} kPa; its source states 0 to 30 °C and 75 to 102 kPa",
    )


def _water_fraction(air: Air) -> float:
    """The mole fraction of water vapour (Cramer 1993, appendix; saturation after Davis)."""
    temperature_k = air.temperature_c + ZERO_CELSIUS_K
    pressure_pa = 1000.0 * air.pressure_kpa
    enhancement = 1.00062 + 3.14e-8 * pressure_pa + 5.6e-7 * air.temperature_c**2
    saturation_pa = math.exp(
        1.2811805e-5 * temperature_k**2
        - 1.9509874e-2 * temperature_k
        + 34.04926034
        - 6353.6311 / temperature_k
    )
    return air.relative_humidity_percent / 100.0 * enhancement * saturation_pa / pressure_pa
