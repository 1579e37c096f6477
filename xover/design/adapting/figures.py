"""Figures as typed into a device, and back: gains, delays, thresholds, times.

One place for each translation between the preset's units and a profile's; adaptation, sheets and
verification all pass through here. Bands and crossovers are in `adapting.bands`.
"""

from __future__ import annotations

import math

from msgspec import Struct

from xover.acoustics.air import speed_of_sound_m_s
from xover.model import grids
from xover.model.processing import Air
from xover.model.profile import (
    DelaySetting,
    Grid,
    LimiterPosition,
    Profile,
    Steps,
    ThresholdSetting,
)
from xover.model.units import (
    DBU_REFERENCE_V,
    METRES_PER_FOOT,
    db_from_ratio,
    dbu_from_volts,
    plain,
    short,
    volts_from_dbu,
)

PEAK_OF_SINE_DB = 20.0 * math.log10(math.sqrt(2.0))
"""A sine's peak over its rms: 3.01 dB."""
DBV_OF_0_DBU = db_from_ratio(DBU_REFERENCE_V)
"""0 dBu in dBV: −2.218 (ITU-R BS.645-2; 0 dBV is 1 V)."""
DELAY_UNITS = {"ms": "ms", "samples": "samples", "m": "m", "ft": "ft"}
THRESHOLD_UNITS = {"dbu": "dBu", "dbv": "dBV", "dbfs": "dBFS", "v": "V"}


class Rates(Struct, frozen=True):
    """The rate a device is set to, which counts samples of delay, and that of its filters."""

    device_hz: float
    filters_hz: float


def rates_of(profile: Profile, wanted_hz: float) -> Rates:
    """The device's rate nearest to the preset's, and the rate its filters run at."""
    device_hz = min(profile.sample_rates_hz, key=lambda rate: abs(math.log(rate / wanted_hz)))
    return Rates(device_hz, profile.internal_sample_rate_hz or device_hz)


def delay_typed(delay_ms: float, setting: DelaySetting, rates: Rates) -> float:
    """A delay in the device's unit, not yet rounded."""
    return delay_ms / _ms_per_unit(setting, rates)


def delay_ms_of(typed: float, setting: DelaySetting, rates: Rates) -> float:
    """The delay of a typed figure in ms."""
    return typed * _ms_per_unit(setting, rates)


def threshold_typed(
    threshold_dbu: float,
    setting: ThresholdSetting,
    *,
    output_gain_db: float,
    position: LimiterPosition,
    full_scale_dbu: float | None,
) -> float | None:
    """A threshold in the device's unit, not yet rounded; None where dBFS cannot be computed.

    The preset's threshold is an rms level behind the output's gain. A limiter in front of that
    gain has to act `output_gain_db` lower; a figure read as a peak stands 3.01 dB higher.
    """
    level_dbu = threshold_dbu - (output_gain_db if position == "before-gain" else 0.0)
    if setting.reads == "peak":
        level_dbu += PEAK_OF_SINE_DB
    if setting.unit == "dbu":
        return level_dbu
    if setting.unit == "dbv":
        return level_dbu + DBV_OF_0_DBU
    if setting.unit == "v":
        return volts_from_dbu(level_dbu)
    return None if full_scale_dbu is None else level_dbu - full_scale_dbu


def threshold_dbu_of(
    typed: float,
    setting: ThresholdSetting,
    *,
    output_gain_db: float,
    position: LimiterPosition,
    full_scale_dbu: float | None,
) -> float | None:
    """The preset's threshold of a typed figure: the inverse of `threshold_typed`."""
    if setting.unit == "dbu":
        level_dbu = typed
    elif setting.unit == "dbv":
        level_dbu = typed - DBV_OF_0_DBU
    elif setting.unit == "v":
        level_dbu = dbu_from_volts(typed)
    elif full_scale_dbu is None:
        return None
    else:
        level_dbu = typed + full_scale_dbu
    if setting.reads == "peak":
        level_dbu -= PEAK_OF_SINE_DB
    return level_dbu + (output_gain_db if position == "before-gain" else 0.0)


def held_threshold(typed: float, setting: ThresholdSetting) -> float:
    """The device's value at or below a threshold, so that rounding never raises protection's bar.

    Its lowest value where even that lies above.
    """
    at = grids.nearest_index(setting, typed)
    found = grids.value(setting, at)
    if found > typed * (1.0 + 1e-9 * math.copysign(1.0, typed)) + 1e-9 and at > 0:
        return grids.value(setting, at - 1)
    return found


def figure(value: float, scale: Grid | Steps | ThresholdSetting) -> str:
    """A typed value as a device shows it: the decimals of even steps, else four digits."""
    if grids.is_even(scale):
        return plain(value, grids.decimals(scale))
    whole = len(str(int(abs(value)))) if abs(value) >= 1.0 else 1
    return short(value, max(0, 4 - whole))


def _ms_per_unit(setting: DelaySetting, rates: Rates) -> float:
    if setting.unit == "ms":
        return 1.0
    if setting.unit == "samples":
        return 1e3 / rates.device_hz
    speed_m_s = speed_of_sound_m_s(Air(temperature_c=setting.air_temperature_c))
    return 1e3 / speed_m_s * (METRES_PER_FOOT if setting.unit == "ft" else 1.0)
