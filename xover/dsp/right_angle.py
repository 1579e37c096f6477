"""A transform for long real filters: half as many complex numbers, in two short passes.

For convolution only, where the order of the bins does not matter. A real sequence of length N is
read modulo x^(N/2) − i, which halves it without the untangling that a real transform needs
(R. Crandall's right-angle convolution, from memory), and the N/2 complex numbers are transformed
as rows and columns, which numpy does several times as fast as one long transform. What passes the
end comes back at the start with its sign turned.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


class RightAngle:
    """The transform of one even `length`; spectra have shape (rows, columns).

    Keeps its working space, so one object is for one thread.
    """

    def __init__(self, length: int) -> None:
        half = length // 2
        rows = next(n for n in range(math.isqrt(half), 0, -1) if half % n == 0)
        self.length = length
        self.shape = (rows, half // rows)
        index = np.arange(half)
        self._turn: Complex = np.exp(0.5j * np.pi / half * index).reshape(self.shape)
        across = np.outer(np.arange(rows), np.arange(half // rows))
        self._between: Complex = np.exp(-2j * np.pi / half * across)
        self._turn_back, self._between_back = np.conj(self._turn), np.conj(self._between)
        self._work: Complex = np.zeros(self.shape, dtype=np.complex128)

    def frequency(self) -> Array:
        """Where each value of a spectrum stands, cycles a sample, −0.5 to 0.5, (rows, columns)."""
        rows, columns = self.shape
        place = np.arange(rows)[:, None] + rows * np.arange(columns)[None, :] - 0.25
        share = place / (rows * columns)
        return np.asarray(np.where(share > 0.5, share - 1.0, share))

    def forward(self, samples: Array) -> Complex:
        """The spectrum of samples (n ≤ length,)."""
        half = self.length // 2
        work = self._work
        packed = work.reshape(-1)
        for part, own in ((packed.real, samples[:half]), (packed.imag, samples[half:])):
            part[: own.size] = own
            part[own.size :] = 0.0
        work *= self._turn
        np.fft.fft(work, axis=0, out=work)
        work *= self._between
        return np.asarray(np.fft.fft(work, axis=1))

    def inverse(self, spectrum: Complex) -> Array:
        """The samples (length,) of a spectrum."""
        work = self._work
        np.fft.ifft(spectrum, axis=1, out=work)
        work *= self._between_back
        np.fft.ifft(work, axis=0, out=work)
        work *= self._turn_back
        half = self.length // 2
        samples = np.empty(self.length)
        samples[:half] = work.real.reshape(-1)
        samples[half:] = work.imag.reshape(-1)
        return samples
