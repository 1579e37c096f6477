"""Recordings of sweeps, made from the formula alone and at any clock; and how far an answer is off.

x(t) = sin(2π·f1·L·e^(t/L)), L = T/ln(f2/f1) (Novak, Lotton and Simon, JAES 63(10), 2015), with
fades along halves of a Hann window; written anew here, sharing nothing but the note.
"""

from __future__ import annotations

import numpy as np
from scipy import signal

from xover.dsp.captured import CapturedResponse
from xover.dsp.thinning import thinned
from xover.model.signals import SignalNote

SOS = np.ndarray


def play(note: SignalNote, *, rate_hz: float, lead_s: float = 0.3, tail_s: float = 0.0,
         channel: int = 1, late_s: float = 0.0) -> np.ndarray:  # fmt: skip
    """What a recorder of that rate gets of one channel when it starts `lead_s` before the file."""
    count = int((note.samples / note.sample_rate_hz + lead_s + tail_s) * rate_hz)
    time_s = np.arange(count) / rate_hz
    samples = np.zeros(count)
    for one in note.plays:
        if one.channel != channel:
            continue
        shape = one.shape
        t = time_s - lead_s - late_s - one.at_sample / note.sample_rate_hz
        on = (t >= 0.0) & (t <= shape.duration_s)
        t = t[on]
        rate_s = shape.duration_s / np.log(shape.stop_hz / shape.start_hz)
        sound = np.sin(2.0 * np.pi * shape.start_hz * rate_s * np.exp(t / rate_s))
        for fade_s, into_s in ((shape.fade_in_s, t), (shape.fade_out_s, shape.duration_s - t)):
            sound *= np.sin(0.5 * np.pi * np.clip(into_s / fade_s, 0.0, 1.0)) ** 2
        samples[on] += 10.0 ** (note.level_dbfs / 20.0) * sound
    return samples


def noise(count: int, *, below_db: float, level_dbfs: float, seed: int = 1) -> np.ndarray:
    """White noise whose rms is `below_db` below that of a sine of the level."""
    rms = 10.0 ** ((level_dbfs - below_db) / 20.0) / np.sqrt(2.0)
    return rms * np.random.default_rng(seed).standard_normal(count)


def off(captured: CapturedResponse, sos: SOS, *, rate_hz: float, low_hz: float = 30.0,
        high_hz: float = 18_000.0) -> tuple[float, float, float]:  # fmt: skip
    """Largest errors against the filter at 1/48 octave, as a preset keeps the response.

    In dB and degrees within 10 dB of the filter's peak, and in dB down to −30 dB. A constant delay
    is fitted and taken out, since time zero is arbitrary.
    """
    kept = thinned(captured)
    grid = 20.0 * 2.0 ** (np.arange(480) / 48.0)
    grid = grid[(grid >= low_hz) & (grid <= high_hz)]
    want = signal.freqz_sos(sos, grid, fs=rate_hz)[1]
    level_db = 20.0 * np.log10(np.abs(want))
    error_db = np.interp(np.log(grid), np.log(kept.frequency_hz), kept.magnitude_db) - level_db
    assert kept.phase_deg is not None
    unwrapped = np.unwrap(np.deg2rad(kept.phase_deg))
    turn = np.interp(np.log(grid), np.log(kept.frequency_hz), unwrapped) - np.angle(want)
    near, down = level_db > level_db.max() - 10.0, level_db > level_db.max() - 30.0
    turn, at = np.unwrap(turn[near]), grid[near]
    turn -= 2.0 * np.pi * np.round(np.median(turn) / (2.0 * np.pi)) if near.sum() < 3 else 0.0
    basis = np.column_stack((at, np.ones(at.size)))
    slope, constant = np.linalg.lstsq(basis, turn, rcond=None)[0]
    constant = 2.0 * np.pi * np.round(constant / (2.0 * np.pi))  # only whole turns are taken out
    slope = np.sum((turn - constant) * at) / np.sum(at**2)
    error_deg = np.rad2deg(turn - constant - slope * at)
    return (
        float(np.abs(error_db[near]).max()),
        float(np.abs(error_deg).max()),
        float(np.abs(error_db[down]).max()),
    )
