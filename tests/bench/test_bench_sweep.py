"""Sweep to impulse response against `scipy.signal.fftconvolve` in the same run.

Run by hand: `pytest tests/bench/test_bench_sweep.py -s`. Both have what belongs to the sweep ready
(the peer its inverse filter as samples, ours its spectrum), and get a recording of a sweep of
10 s with 2 s after it at 48 kHz. Nothing here fails for being slow.
"""

from __future__ import annotations

import statistics
import time

import numpy as np
from scipy import signal

from xover.dsp.deconvolution import Deconvolver, SweepExcitation
from xover.dsp.sweep import good_length, sweep_samples, sweep_shape

FS = 48_000
ROUNDS = 15


def test_ten_seconds_of_sweep() -> None:
    shape = sweep_shape(20, 20_000, 10.0)
    sweep = sweep_samples(shape, sample_rate_hz=FS)
    sos = signal.butter(4, 100.0, "high", fs=FS, output="sos")
    heard = signal.sosfilt(sos, np.concatenate((sweep, np.zeros(2 * FS))))
    # The time-reversed sweep, its level falling by 6 dB an octave (Farina 2000).
    inverse = (sweep * np.exp(np.arange(sweep.size) / FS / shape.rate_s))[::-1]
    inverse *= (
        1.0
        / np.abs(np.fft.rfft(sweep, heard.size) * np.fft.rfft(inverse, heard.size))[
            1000 * heard.size // FS
        ]
    )
    work = Deconvolver(SweepExcitation(shape), sample_rate_hz=FS, length=good_length(heard.size))
    ours_s, peer_s = [], []
    for _ in range(ROUNDS):
        began = time.perf_counter()
        ours = work.impulse(heard)
        ours_s.append(time.perf_counter() - began)
        began = time.perf_counter()
        theirs = signal.fftconvolve(heard, inverse)
        peer_s.append(time.perf_counter() - began)
    ratio = statistics.median(peer_s) / statistics.median(ours_s)
    want = signal.freqz_sos(sos, [1000.0], fs=FS)[1][0]

    def at_1k(impulse: np.ndarray) -> float:
        turned = np.exp(-2j * np.pi * 1000.0 * np.arange(impulse.size) / FS)
        return float(abs(abs(np.sum(impulse * turned)) / abs(want) - 1.0))

    print(
        f"\nsweep to impulse response: {1e3 * statistics.median(ours_s):.1f} ms, fftconvolve "
        f"{1e3 * statistics.median(peer_s):.1f} ms, ratio {ratio:.1f} (goal 5); off at 1 kHz by "
        f"{at_1k(ours):.1e}, peer by {at_1k(theirs):.1e}"
    )
    assert at_1k(ours) < 1e-3
