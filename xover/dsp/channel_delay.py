"""By how much one channel lags another: generalised cross-correlation, then a fit of the phase.

The weighting whitens (the phase transform) and counts each frequency by its coherence, so that
neither the colour of the programme nor bands of noise decide. Finds one delay; what arrives later
is left to the response.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from xover.dsp.cross_spectra import CrossSpectra

Array = NDArray[np.float64]

REACH = 0.4
"""Delays are looked for up to this part of the window, where two windows still overlap."""
APART_S = 0.05
REPEATED = 0.6
_WEIGHT_MAX = 10.0
_FINE = 64
"""Steps a sample of the fit."""


def whole_delay(spectra: CrossSpectra) -> int:
    """The samples by which y lags x, within ±0.4 window; `spectra` hold all bins.

    The largest |generalised cross-correlation| (Knapp and Carter 1976, whose ML weighting
    γ²/(1 − γ²)/|S_xy| is kept below 10/|S_xy|).
    """
    length = spectra.length
    correlation = np.fft.irfft(_weighted(spectra), length)
    reach = int(REACH * length)
    lags = np.arange(-reach, reach + 1)
    return int(lags[np.argmax(np.abs(correlation[lags]))])


def repeats_after(spectra: CrossSpectra, *, sample_rate_hz: float) -> int | None:
    """After how many samples, 50 ms or more, the reference is much like itself; None for never.

    Of a tone or a loop no delay can be told for certain. The autocorrelation of the reference with
    its magnitudes under the root, so that a bass alone does not decide, against 0.6.
    """
    likeness = np.abs(np.fft.irfft(np.sqrt(spectra.xx), spectra.length))
    lags = np.arange(int(APART_S * sample_rate_hz), int(REACH * spectra.length) + 1)
    if not lags.size or likeness[lags].max() < REPEATED * likeness[0]:
        return None
    return int(lags[np.argmax(likeness[lags])])


def fine_delay(spectra: CrossSpectra) -> float:
    """The rest, in samples within ±2, once the whole delay is out of `spectra` (all bins).

    The same correlation as a sum of cosines, at 64 places a sample and through a parabola.
    """
    weighted = _weighted(spectra)
    turn = 2.0 * np.pi * np.arange(weighted.size) / spectra.length
    lags = np.arange(-2 * _FINE, 2 * _FINE + 1) / _FINE
    value = np.empty(lags.size)
    # e^(j·turn·lag) step by step: one product a place instead of one exponential a bin.
    now, step = weighted * np.exp(1j * turn * lags[0]), np.exp(1j * turn / _FINE)
    for index in range(lags.size):
        value[index] = now.real.sum()
        now *= step
    value = np.abs(value)
    best = int(np.argmax(value))
    if not 0 < best < lags.size - 1:
        return float(lags[best])
    before, at, after = value[best - 1 : best + 2]
    bend = before - 2.0 * at + after
    return float(lags[best] + (0.5 * (before - after) / bend if bend else 0.0) / _FINE)


def _weighted(spectra: CrossSpectra) -> NDArray[np.complex128]:
    coherence = spectra.coherence()
    if spectra.count > 1:  # less its mean by chance, 1/n
        coherence = np.maximum(0.0, (coherence - 1.0 / spectra.count)) / (1.0 - 1.0 / spectra.count)
    weight = coherence / np.maximum(1.0 - coherence, 1.0 / (1.0 + _WEIGHT_MAX))
    size = np.abs(spectra.xy)
    phase = np.divide(spectra.xy, size, out=np.zeros_like(spectra.xy), where=size > 0.0)
    return np.asarray(weight * phase)
