"""From an impulse response in the time domain to a captured response.

The whole file counts: sample 0 is time zero and is kept; nothing is gated, shifted or windowed
unless asked, and what was asked is said. The onset is named for the eye only.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from xover.dsp.captured import LOWEST_DB, CapturedResponse, wrapped_deg
from xover.model.problems import Refused
from xover.model.units import plain, show_hz, show_ms

Array = NDArray[np.float64]

TAPER = 0.2
"""The last fifth of a window fades out along half a Hann window. Common practice, no source."""
USABLE_PERIODS = 3.0
"""Below three periods in the window the data are unusable. Common practice, no source."""
ONSET_DB = -20.0
"""The onset is where the response first comes within 20 dB of its peak (ISO 3382-1's start of an
impulse response, quoted from memory)."""


def captured_from_impulse(
    samples: Array, *, sample_rate_hz: float, window_ms: float | None = None
) -> CapturedResponse:
    """The response of an impulse response `samples` (n,), sample 0 being time zero.

    The points are the bins of the discrete Fourier transform of the whole file, k·fs/n, without
    0 Hz. `delay_ms`, taken out of the phase column, is the time of the largest |sample|. With
    `window_ms` everything after that time (from sample 0) is cut, the last fifth of it fading out
    along half a Hann window, and bins below 3/window are left out. Raises `Refused` for fewer
    than two samples, silence, or a window that does not hold the peak or exceeds the file.
    """
    count = samples.size
    if count < 2:
        raise Refused.at("", f"an impulse response needs at least two samples, this has {count}")
    peak = int(np.argmax(np.abs(samples)))
    if samples[peak] == 0.0:
        raise Refused.at("", "the recording is silent: every sample is zero")
    length_ms = 1000.0 * count / sample_rate_hz
    delay_ms = 1000.0 * peak / sample_rate_hz
    said = [
        f"impulse response of {count} samples at {show_hz(sample_rate_hz)} "
        f"({show_ms(length_ms, 1)}); sample 0 is time zero; the bin at 0 Hz is left out"
    ]
    lowest_hz = 0.0
    windowed = samples
    if window_ms is not None:
        windowed = samples * tail_window(count, sample_rate_hz=sample_rate_hz, window_ms=window_ms)
        if delay_ms > (1.0 - TAPER) * window_ms:
            raise Refused.at(
                "",
                f"the largest sample, at {show_ms(delay_ms)}, is not in the flat part of the "
                f"{show_ms(window_ms)} window, which is counted from sample 0: take a longer one",
            )
        lowest_hz = USABLE_PERIODS * 1000.0 / window_ms
        said.append(
            f"window of {show_ms(window_ms)} from sample 0, its last fifth fading out along half "
            f"a Hann window; unusable below {show_hz(lowest_hz)} (3/window): left out"
        )
    # The peak is turned to the first sample, which takes the bulk delay out exactly.
    spectrum = np.fft.rfft(np.roll(windowed, -peak))
    frequency_hz = np.arange(spectrum.size, dtype=np.float64) * (sample_rate_hz / count)
    magnitude = np.abs(spectrum)
    keep = (frequency_hz > 0.0) & (frequency_hz >= lowest_hz)
    silent = keep & (magnitude <= 10.0 ** (LOWEST_DB / 20.0))
    keep &= ~silent
    if not keep.any():
        raise Refused.at(
            "", "there is no signal above 0 Hz" if silent.any() else "the window leaves no points"
        )
    if silent.any():
        said.append(f"{np.count_nonzero(silent)} bins without any signal are left out")
    bulk = f"bulk delay {show_ms(delay_ms, 3)}, the time of the largest sample"
    onset_ms = 1000.0 * onset_sample(samples) / sample_rate_hz
    said.append(
        f"{bulk}; onset ({plain(-ONSET_DB, 0)} dB below the peak) at {show_ms(onset_ms, 3)}"
    )
    return CapturedResponse(
        frequency_hz=frequency_hz[keep],
        magnitude_db=20.0 * np.log10(magnitude[keep]),
        phase_deg=wrapped_deg(np.angle(spectrum[keep], deg=True)),
        delay_ms=delay_ms,
        understood=tuple(said),
    )


def tail_window(count: int, *, sample_rate_hz: float, window_ms: float) -> Array:
    """One for the first four fifths of `window_ms`, half a Hann window down to its end, then zero.

    Shape (count,). Raises `Refused` where the window is not positive or longer than the file.
    """
    length_ms = 1000.0 * count / sample_rate_hz
    if not 0.0 < window_ms <= length_ms:
        raise Refused.at(
            "",
            f"a window of {show_ms(window_ms)} does not fit: it must be above 0 and at most the "
            f"file's {show_ms(length_ms)}",
        )
    position = np.arange(count) * (1000.0 / sample_rate_hz) / window_ms
    fade = np.clip((position - (1.0 - TAPER)) / TAPER, 0.0, 1.0)
    return np.asarray(0.5 + 0.5 * np.cos(np.pi * fade))


def onset_sample(samples: Array) -> int:
    """The first sample of (n,) within 20 dB of the largest."""
    level = np.abs(samples)
    return int(np.argmax(level >= level.max() * 10.0 ** (ONSET_DB / 20.0)))
