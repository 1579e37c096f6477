"""From an impulse response in the time domain to a captured response.

The whole file counts: sample 0 is time zero and is kept; nothing is gated, shifted or windowed
unless asked, and what was asked is said. Onset, polarity and noise floor are for the eye only.
"""

from __future__ import annotations

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from xover.dsp.captured import LOWEST_DB, CapturedResponse, wrapped_deg
from xover.dsp.impulse_figures import ONSET_DB, figures_of, onset_sample
from xover.dsp.impulse_window import (
    TAPER,
    ImpulseWindow,
    gate_window,
    periods_spectrum,
    tail_window,
)
from xover.model.problems import Refused
from xover.model.units import plain, show_hz, show_ms

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


def captured_from_impulse(
    samples: Array, *, sample_rate_hz: float, window: ImpulseWindow | None = None
) -> CapturedResponse:
    """The response of an impulse response `samples` (n,), sample 0 being time zero.

    The points are the bins of the discrete Fourier transform of the whole file, k·fs/n, without
    0 Hz; 20·2^(k/96) Hz where the window counts periods. `delay_ms`, taken out of the phase
    column, is the time of the largest |sample| kept. Points below 3/window are left out. Raises
    `Refused` for fewer than two samples, silence, or a window that does not hold the peak (from
    sample 0), exceeds the file, or begins outside it.
    """
    count = samples.size
    if count < 2:
        raise Refused.at("", f"an impulse response needs at least two samples, this has {count}")
    if not samples.any():
        raise Refused.at("", "the recording is silent: every sample is zero")
    window = window or ImpulseWindow()
    window.refuse_odd()
    length_ms = 1000.0 * count / sample_rate_hz
    points = "the bin at 0 Hz is left out" if window.cycles is None else "96 points an octave"
    said = [
        f"impulse response of {count} samples at {show_hz(sample_rate_hz)} "
        f"({show_ms(length_ms, 1)}); sample 0 is time zero; {points}"
    ]
    onset = _onset(samples, window, sample_rate_hz)
    after_ms = 1000.0 * (count - onset) / sample_rate_hz
    windowed = _windowed(samples, window, onset, sample_rate_hz)
    peak = int(np.argmax(np.abs(windowed)))
    delay_ms = 1000.0 * peak / sample_rate_hz
    lowest_hz = window.lowest_hz(after_ms=after_ms)
    if window != ImpulseWindow():
        onset_ms = 1000.0 * onset / sample_rate_hz
        said.append(window.sentence(onset_ms=onset_ms, lowest_hz=lowest_hz))
    if window.cycles is not None:
        if lowest_hz >= 0.5 * sample_rate_hz:
            raise Refused.at("", "the window leaves no points")
        frequency_hz, spectrum = periods_spectrum(
            samples, window, sample_rate_hz=sample_rate_hz, onset=onset, centre=peak
        )
    else:
        # The peak is turned to the first sample, which takes the bulk delay out exactly.
        spectrum = np.fft.rfft(np.roll(windowed, -peak))
        frequency_hz = np.arange(spectrum.size, dtype=np.float64) * (sample_rate_hz / count)
    captured = _captured(frequency_hz, spectrum, lowest_hz, said)
    figures = figures_of(samples, sample_rate_hz=sample_rate_hz, onset=onset)
    how = f"{plain(-ONSET_DB, 0)} dB below the peak" if window.onset_ms is None else "as given"
    captured = captured.saying(
        f"bulk delay {show_ms(delay_ms, 3)}, the time of the largest sample; onset ({how}) at "
        f"{show_ms(figures.onset_ms, 3)}",
        *figures.sentences(),
    )
    return replace(captured, delay_ms=delay_ms, impulse=figures)


def _onset(samples: Array, window: ImpulseWindow, rate_hz: float) -> int:
    if window.onset_ms is None:
        return onset_sample(samples)
    onset = round(window.onset_ms * rate_hz / 1000.0) if np.isfinite(window.onset_ms) else -1
    if not 0 <= onset < samples.size:
        length_ms = 1000.0 * samples.size / rate_hz
        raise Refused.at(
            "", f"an onset at {window.onset_ms:g} ms lies outside the file's "
            f"{show_ms(length_ms)}",
        )  # fmt: skip
    return onset


def _windowed(samples: Array, window: ImpulseWindow, onset: int, rate_hz: float) -> Array:
    """The samples (n,) through the window; where it counts periods, through its longest."""
    count = samples.size
    if window.window_ms is not None:
        weight = tail_window(count, sample_rate_hz=rate_hz, window_ms=window.window_ms)
        at_ms = 1000.0 * int(np.argmax(np.abs(samples))) / rate_hz
        if at_ms > (1.0 - TAPER) * window.window_ms:
            raise Refused.at(
                "",
                f"the largest sample, at {show_ms(at_ms)}, is not in the flat part of the "
                f"{show_ms(window.window_ms)} window, which is counted from sample 0: take a "
                "longer one",
            )
        return samples * weight
    if window.gate_ms is None:
        return samples
    after_ms = 1000.0 * (count - onset) / rate_hz
    if window.gate_ms > after_ms:
        raise Refused.at(
            "",
            f"a gate of {show_ms(window.gate_ms)} does not fit: the file holds "
            f"{show_ms(after_ms)} after the onset",
        )
    windowed = samples * gate_window(
        count, sample_rate_hz=rate_hz, onset=onset, gate_ms=window.gate_ms, lead_ms=window.lead_ms
    )
    if not windowed.any():
        raise Refused.at("", "the window holds nothing but silence; look at --onset")
    return np.asarray(windowed)


def _captured(
    frequency_hz: Array, spectrum: Complex, lowest_hz: float, said: list[str]
) -> CapturedResponse:
    """The points with signal from `lowest_hz` on, without the bulk delay."""
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
    return CapturedResponse(
        frequency_hz=frequency_hz[keep],
        magnitude_db=20.0 * np.log10(magnitude[keep]),
        phase_deg=wrapped_deg(np.angle(spectrum[keep], deg=True)),
        understood=tuple(said),
    )
