"""The level of a microphone chain from a recording of a sound calibrator.

A recording that may be of something else is refused: a wrong level would look like a right one.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from xover.model.problems import Refused
from xover.model.units import plain, show_db, show_hz

Array = NDArray[np.float64]

CALIBRATOR_SPL_DB = 94.0
"""Nominal level of a sound calibrator: 1 Pa rms is 93.98 dB re 20 µPa (IEC 60942)."""
CALIBRATOR_HZ = 1000.0
"""What most calibrators sound at (others, and pistonphones, at 250 Hz)."""
DISTORTION = 0.1
"""More harmonics than a tenth of the tone come from clipping: common practice, no source."""
QUIET_TONE_DBFS = -80.0
"""A calibrator's tone below this is a microphone that was not in it: common practice, no source."""


def calibrator_spl_at_zero_db(
    samples: Array,
    *,
    sample_rate_hz: float,
    calibrator_spl_db: float = CALIBRATOR_SPL_DB,
    calibrator_hz: float = CALIBRATOR_HZ,
) -> float:
    """The SPL of a sine with peak 1.0, from a recording (n,) of a calibrator's tone.

    The tone is at `calibrator_spl_db` and `calibrator_hz` (94 dB, a nominal level of IEC 60942,
    and 1 kHz); its rms is measured in the band of ±3 % about it under a Hann window. Raises
    `Refused` for less than a tenth of a second, a clipped or a far too quiet recording, or one
    that does not hold such a tone: less than nine tenths of its power within ±3 %.
    """
    if samples.size < 0.1 * sample_rate_hz:
        raise Refused.at("", "the calibrator recording is shorter than 0.1 s; record a few seconds")
    if np.max(np.abs(samples)) >= 1.0 - 2.0**-15:
        raise Refused.at("", "the calibrator recording reaches full scale; lower the gain")
    centred = samples - samples.mean()
    window = np.hanning(samples.size)
    power = np.abs(np.fft.rfft(centred * window)) ** 2
    frequency_hz = np.fft.rfftfreq(samples.size, 1.0 / sample_rate_hz)
    # A Hann main lobe is four bins wide: count it whole for short recordings.
    reach_hz = 0.03 * calibrator_hz + 2.0 * sample_rate_hz / samples.size
    tone = power[np.abs(frequency_hz - calibrator_hz) <= reach_hz].sum()
    total = power.sum()
    if not total > 0.0:
        raise Refused.at("", "the calibrator recording is silent; is this the right channel?")
    if tone < 0.9 * total:
        strongest_hz = float(frequency_hz[np.argmax(power)])
        raise Refused.at(
            "",
            f"the calibrator recording does not hold a steady tone of {show_hz(calibrator_hz)}: "
            f"only {plain(100.0 * tone / total, 0)} % of its power lies there, the strongest part "
            f"at {show_hz(strongest_hz)} (--calibrator-hz says which tone it is)",
        )
    harmonics = sum(
        power[np.abs(frequency_hz - k * calibrator_hz) <= reach_hz].sum() for k in (2, 3, 4, 5)
    )
    if harmonics > (DISTORTION**2) * tone:
        raise Refused.at(
            "",
            f"the calibrator's tone is distorted by {plain(100.0 * np.sqrt(harmonics / tone), 0)} "
            "%: something clips before the recorder; lower the gain there",
        )
    # Parseval, one-sided: Σ|X|² = n·Σ(w·x)²/2, and Σ(w·x)² = rms²·Σw² for a steady tone.
    rms = np.sqrt(2.0 * tone / samples.size / np.sum(window**2))
    peak_dbfs = 20.0 * np.log10(rms * np.sqrt(2.0))
    if peak_dbfs < QUIET_TONE_DBFS:
        raise Refused.at(
            "",
            f"the calibrator's tone is only {show_db(peak_dbfs)} of full scale; seat the "
            "microphone in the calibrator and record again",
        )
    return float(calibrator_spl_db - peak_dbfs)
