"""Where two parts overlap at a listener, and what their sum loses there.

Magnitudes alone decide the overlap, before any search; the loss compares the sum with the best
sum that the same magnitudes could give.
"""

from __future__ import annotations

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from xover.dsp.smoothing import power_smooth

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
BoolArray = NDArray[np.bool_]

POINTS_PER_OCTAVE = 96
"""The fixed grid on which overlap and loss are taken."""
WITHIN_DB = 10.0
BELOW_REFERENCE_DB = 20.0
SMOOTHING_FRACTION = 6
WIDEST_OCTAVES = 3.5
LOSS_CAP_DB = 40.0


class Part(Struct, frozen=True, eq=False):
    """One output's response at one listener, on the fixed grid.

    `response` is complex, shape (n,), NaN where nothing is known; `weight` (n,) is the coherence
    in 0…1 (1 where there is none), 0 where the response is doubtful.
    """

    response: ComplexArray
    weight: FloatArray


class Overlap(Struct, frozen=True, eq=False):
    """The overlap of two parts at one listener: a mask over the grid (n,), and its pieces."""

    mask: BoolArray
    bands_hz: tuple[tuple[float, float], ...]

    @property
    def octaves(self) -> float:
        """The length of all pieces together, in octaves."""
        return float(sum(np.log2(high / low) for low, high in self.bands_hz))


def smoothed_magnitude(frequency_hz: FloatArray, response: ComplexArray) -> FloatArray:
    """Magnitude, power-smoothed over 1/6 octave, shape (n,); NaN where the response is NaN."""
    known = np.isfinite(response)
    magnitude = np.full(frequency_hz.shape, np.nan)
    if known.any():
        power = np.abs(response[known]) ** 2
        smooth = power_smooth(frequency_hz[known], power, fraction=SMOOTHING_FRACTION)
        magnitude[known] = np.sqrt(smooth)
    return magnitude


def lies_lower(frequency_hz: FloatArray, first: FloatArray, second: FloatArray) -> bool:
    """Whether the first magnitude lies lower in frequency: by its power's log-frequency centre."""

    def centre(magnitude: FloatArray) -> float:
        power = np.nan_to_num(magnitude) ** 2
        total = power.sum()
        return float((power * np.log(frequency_hz)).sum() / total) if total > 0.0 else np.inf

    return centre(first) <= centre(second)


def reference_range_hz(corners_hz: tuple[float | None, float | None]) -> tuple[float, float]:
    """The range in which the reference level is sought.

    `corners_hz` are the low-pass of the lower-lying part and the high-pass of the other; from
    half the lower to twice the higher of those that are set, everything if none is.
    """
    known = [corner for corner in corners_hz if corner is not None]
    if not known:
        return 0.0, np.inf
    return min(known) / 2.0, max(known) * 2.0


def find_overlap(
    frequency_hz: FloatArray,
    first: ComplexArray,
    second: ComplexArray,
    *,
    reference_hz: tuple[float, float],
    band_hz: tuple[float, float] | None = None,
    smoothed: tuple[FloatArray, FloatArray] | None = None,
) -> Overlap:
    """Where both parts matter to the sum.

    Both magnitudes, power-smoothed over 1/6 octave, are within 10 dB of each other and neither is
    more than 20 dB below the reference: the largest |A|+|B| inside `reference_hz`. `band_hz`
    overrides all of it. `smoothed` are the two magnitudes if they are known already. The mask is
    empty where there is no overlap.
    """
    known = np.isfinite(first) & np.isfinite(second)
    if band_hz is not None:
        mask = known & (frequency_hz >= band_hz[0]) & (frequency_hz <= band_hz[1])
        mask &= (np.abs(np.nan_to_num(first)) > 0) & (np.abs(np.nan_to_num(second)) > 0)
        return Overlap(mask, _pieces(frequency_hz, mask))
    if smoothed is not None and known.all():
        a, b = smoothed
    else:
        a = smoothed_magnitude(frequency_hz, np.where(known, first, np.nan))
        b = smoothed_magnitude(frequency_hz, np.where(known, second, np.nan))
    inside = known & (frequency_hz >= reference_hz[0]) & (frequency_hz <= reference_hz[1])
    if not inside.any():
        inside = known
    if not inside.any():
        return Overlap(inside, ())
    reference = float(np.max(a[inside] + b[inside]))
    if reference <= 0.0:
        return Overlap(np.zeros_like(known), ())
    ratio = 10.0 ** (WITHIN_DB / 20.0)
    floor = reference * 10.0 ** (-BELOW_REFERENCE_DB / 20.0)
    with np.errstate(invalid="ignore"):
        mask = known & (a >= floor) & (b >= floor) & (a <= b * ratio) & (b <= a * ratio)
    return Overlap(mask, _pieces(frequency_hz, mask))


def _pieces(frequency_hz: FloatArray, mask: BoolArray) -> tuple[tuple[float, float], ...]:
    padded = np.concatenate(([False], mask, [False]))
    edges = np.flatnonzero(padded[1:] != padded[:-1])
    return tuple(
        (float(frequency_hz[start]), float(frequency_hz[stop - 1]))
        for start, stop in zip(edges[::2], edges[1::2], strict=True)
    )


def merge_bands(
    bands_hz: list[tuple[float, float]],
) -> tuple[tuple[float, float], ...]:
    """The union of bands, ascending and apart."""
    merged: list[tuple[float, float]] = []
    for low, high in sorted(bands_hz):
        if merged and low <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(high, merged[-1][1]))
        else:
            merged.append((low, high))
    return tuple(merged)


def loss_db(first: ComplexArray, second: ComplexArray) -> FloatArray:
    """20·log10((|A|+|B|)/|A+B|) per frequency, shape as given, capped at 40 dB."""
    best = np.abs(first) + np.abs(second)
    real = np.abs(first + second)
    floor = best * 10.0 ** (-LOSS_CAP_DB / 20.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(20.0 * np.log10(best / np.maximum(real, floor)))
