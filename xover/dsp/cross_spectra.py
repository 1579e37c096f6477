"""Averaged spectra of two signals that come in blocks: what H1 and coherence are made of.

Welch's method: Hann windows that overlap by half, no trend taken out, nothing padded. Holds one
window of samples and the sums, however long the signals are.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

TOGETHER = 1 << 19
"""About so many samples are transformed at once."""


class CrossSpectra:
    """Sums over windows of `length` samples (even), of the bins from `first` up to `stop`.

    Rows of what is added: 0 the reference x, 1 the measurement y.
    """

    def __init__(self, length: int, first: int = 0, stop: int | None = None) -> None:
        self.length, self.first, self.stop = length, first, stop
        bins = len(range(length // 2 + 1)[first:stop])
        self.count = 0
        """Windows summed so far."""
        self.xx: Array = np.zeros(bins)
        """Σ|X|² (n_bins,)."""
        self.yy: Array = np.zeros(bins)
        self.xy: Complex = np.zeros(bins, np.complex128)
        """Σ conj(X)·Y (n_bins,)."""
        self._rest: Array = np.zeros((2, 0))
        turn = np.arange(length) * (2.0 * np.pi / length)
        self._window: Array = 0.5 - 0.5 * np.cos(turn)

    def add(self, block: Array) -> None:
        """Take the next samples, shape (2, n)."""
        hop = self.length // 2
        samples = np.concatenate([self._rest, block], axis=1) if self._rest.size else block
        windows = max(0, (samples.shape[1] - self.length) // hop + 1)
        at_once = max(1, TOGETHER // (2 * self.length))
        for start in range(0, windows, at_once):
            stop = min(windows, start + at_once)
            part = samples[:, start * hop : (stop - 1) * hop + self.length]
            cut = np.lib.stride_tricks.sliding_window_view(part, self.length, axis=1)[:, ::hop]
            spectrum = np.fft.rfft(cut * self._window, axis=2)[:, :, self.first : self.stop]
            x, y = spectrum
            self.xx += np.sum(x.real**2 + x.imag**2, axis=0)
            self.yy += np.sum(y.real**2 + y.imag**2, axis=0)
            self.xy += np.einsum("ij,ij->j", x.conj(), y)
        self.count += windows
        self._rest = samples[:, windows * hop :].copy()

    def frequency_hz(self, sample_rate_hz: float) -> Array:
        """Of the bins (n_bins,)."""
        bins = np.arange(self.length // 2 + 1)[self.first : self.stop]
        return np.asarray(bins * (sample_rate_hz / self.length))

    def h1(self) -> Complex:
        """Σ conj(X)·Y / Σ|X|² (n_bins,), which uncorrelated noise on y does not bias; 0 for 0/0.

        H1 of Bendat and Piersol.
        """
        return np.divide(self.xy, self.xx, out=np.zeros_like(self.xy), where=self.xx > 0.0)

    def coherence(self) -> Array:
        """|Σ conj(X)·Y|² / (Σ|X|²·Σ|Y|²) (n_bins,), 0 where there is no signal."""
        both = self.xx * self.yy
        power = self.xy.real**2 + self.xy.imag**2
        ratio = np.divide(power, both, out=np.zeros_like(both), where=both > 0.0)
        return np.minimum(ratio, 1.0)


def windows_in(frames: int, length: int) -> int:
    """How many windows of `length` samples overlapping by half lie in `frames` samples."""
    return max(0, (frames - length) // (length // 2) + 1)


def coherence_by_chance(windows: int) -> float:
    """What the coherence of unrelated signals stays below in 95 of 100 cases.

    1 − 0.05^(1/(n − 1)) for n independent windows (Carter, Knapp and Nuttall 1973). Of Hann windows
    overlapping by half 1/(1 + 2·(1/6)²) count as independent (Welch 1967).
    """
    independent = windows / (1.0 + 2.0 / 36.0)
    return 1.0 if independent <= 1.0 else float(1.0 - 0.05 ** (1.0 / (independent - 1.0)))
