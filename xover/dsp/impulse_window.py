"""Windows on an impulse response: from sample 0, about the onset, or of so many periods.

Every window is flat and fades over its last fifth along half a Hann window; before the onset it is
the same turned about. What was cut is told in one sentence, by which the traces of a session are
held to one window on the time axis that they share.
"""

from __future__ import annotations

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from xover.dsp.thinning import ORIGIN_HZ, POINTS_PER_OCTAVE
from xover.model.problems import Refused
from xover.model.units import show_hz, show_ms

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

TAPER = 0.2
"""The last fifth of a window fades out along half a Hann window. Common practice, no source."""
USABLE_PERIODS = 3.0
"""Below three periods in the window the data are unusable. Common practice, no source."""
CYCLES = (USABLE_PERIODS, 50.0)
"""A window of periods holds so many of them."""
LOWEST_HZ = 10.0
_SAID = "window of "


class ImpulseWindow(Struct, frozen=True):
    """What is kept of an impulse response; all of it where nothing is given.

    `window_ms` counts from sample 0. `gate_ms` counts from the onset, `lead_ms` back from it (by
    default everything before is kept); `cycles` is a number of periods of each frequency after
    and, at most, before the onset. `onset_ms` says where the onset is.
    """

    window_ms: float | None = None
    gate_ms: float | None = None
    lead_ms: float | None = None
    cycles: float | None = None
    onset_ms: float | None = None

    def refuse_odd(self) -> None:
        """Refuse figures out of range and windows that exclude each other."""
        about_onset = self.gate_ms is not None or self.cycles is not None
        if self.window_ms is not None and about_onset:
            raise Refused.at(
                "", "--window counts from sample 0, --gate and --cycles from the onset: give one "
                "of the two kinds",
            )  # fmt: skip
        for given, option in ((self.lead_ms, "--lead"), (self.onset_ms, "--onset")):
            if given is not None and not about_onset:
                raise Refused.at("", f"{option} goes with --gate or --cycles")
        low, high = CYCLES
        if self.cycles is not None and not low <= self.cycles <= high:
            raise Refused.at(
                "", f"a window holds from {low:.0f} to {high:.0f} periods, not {self.cycles:g}"
            )
        if self.gate_ms is not None and not 0.0 < self.gate_ms < np.inf:
            raise Refused.at("", f"a gate must be above 0 ms, not {self.gate_ms:g}")
        if self.lead_ms is not None and not 0.0 <= self.lead_ms < np.inf:
            raise Refused.at("", f"a lead must be 0 ms or more, not {self.lead_ms:g}")

    def lowest_hz(self, *, after_ms: float) -> float:
        """Below this the data are unusable; `after_ms` is what the file holds after the onset."""
        lowest = 0.0
        for held_ms in (self.window_ms, self.gate_ms):
            if held_ms is not None:
                lowest = max(lowest, USABLE_PERIODS * 1000.0 / held_ms)
        if self.cycles is not None:
            lowest = max(lowest, LOWEST_HZ, self.cycles * 1000.0 / after_ms)
        return lowest

    def sentence(self, *, onset_ms: float, lowest_hz: float) -> str:
        """What was cut, beginning as `window_told` looks for it."""
        usable = f"; unusable below {show_hz(lowest_hz)}"
        if self.window_ms is not None:
            return (
                f"{_SAID}{show_ms(self.window_ms)} from sample 0, its last fifth fading out along "
                f"half a Hann window{usable} (3/window): left out"
            )
        fade = "the last fifth fading along half a Hann window"
        if self.cycles is not None:
            gate = "" if self.gate_ms is None else f", at most {show_ms(self.gate_ms)},"
            lead = "as much" if self.lead_ms is None else f"at most {show_ms(self.lead_ms)}"
            return (
                f"{_SAID}{self.cycles:g} periods of each frequency{gate} after the onset "
                f"at {show_ms(onset_ms, 3)} and {lead} before it, {fade}{usable}: left out"
            )
        assert self.gate_ms is not None
        lead = "all" if self.lead_ms is None else show_ms(self.lead_ms)
        return (
            f"{_SAID}{show_ms(self.gate_ms)} after the onset at {show_ms(onset_ms, 3)} and {lead} "
            f"before it, {fade}{usable} (3/window): left out"
        )


def window_told(note: str) -> str | None:
    """The window that a note tells of; "" for none, None where it is of no impulse response."""
    lines = note.splitlines()
    if not any(line.startswith("impulse response of ") for line in lines):
        return None
    told = next((line for line in lines if line.startswith(_SAID)), "")
    return told.partition(";")[0]


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
    return fade_out(np.arange(float(count)) * (1000.0 / sample_rate_hz), window_ms)


def gate_window(
    count: int, *, sample_rate_hz: float, onset: int, gate_ms: float, lead_ms: float | None
) -> Array:
    """`fade_out` of `gate_ms` after sample `onset`, and of `lead_ms` before it (None: all kept)."""
    after_ms = (np.arange(float(count)) - onset) * (1000.0 / sample_rate_hz)
    window = fade_out(after_ms, gate_ms)
    if lead_ms is not None:
        early = after_ms < 0.0
        window[early] *= fade_out(-after_ms[early], lead_ms)
    return window


def fade_out(after_ms: Array, length_ms: float) -> Array:
    """The window's value (n,) at times after its start: 1, half a Hann window, then 0."""
    if length_ms == 0.0:
        return np.asarray((after_ms <= 0.0).astype(np.float64))
    fade = np.clip((after_ms / length_ms - (1.0 - TAPER)) / TAPER, 0.0, 1.0)
    return np.asarray(0.5 + 0.5 * np.cos(np.pi * fade))


def periods_spectrum(
    samples: Array, window: ImpulseWindow, *, sample_rate_hz: float, onset: int, centre: int
) -> tuple[Array, Complex]:
    """Frequencies 20·2^(k/96) and the transform at each through its own window, (m,) and (m,).

    Time counts from sample `centre`. Each frequency's sum is taken as it stands; the exponential
    is put together from two short tables.
    """
    assert window.cycles is not None
    after_ms = 1000.0 * (samples.size - onset) / sample_rate_hz
    lowest_hz = window.lowest_hz(after_ms=after_ms)
    first = int(np.ceil(POINTS_PER_OCTAVE * np.log2(lowest_hz / ORIGIN_HZ) - 1e-9))
    last = int(np.ceil(POINTS_PER_OCTAVE * np.log2(0.5 * sample_rate_hz / ORIGIN_HZ) - 1e-9))
    frequency_hz = ORIGIN_HZ * 2.0 ** (np.arange(first, last) / POINTS_PER_OCTAVE)
    value = np.empty(frequency_hz.size, np.complex128)
    for index, hz in enumerate(frequency_hz):
        length_ms = 1000.0 * window.cycles / hz
        gate_ms = min(length_ms, window.gate_ms or np.inf)
        lead_ms = length_ms if window.lead_ms is None else min(length_ms, window.lead_ms)
        start = max(0, onset - int(np.ceil(lead_ms * sample_rate_hz / 1000.0)))
        stop = min(samples.size, onset + int(np.ceil(gate_ms * sample_rate_hz / 1000.0)) + 1)
        cut = samples[start:stop] * gate_window(
            stop - start, sample_rate_hz=sample_rate_hz, onset=onset - start,
            gate_ms=gate_ms, lead_ms=lead_ms,
        )  # fmt: skip
        value[index] = _transform(cut, 2.0 * np.pi * hz / sample_rate_hz, start - centre)
    return frequency_hz, value


def _transform(samples: Array, turn: float, first: int) -> complex:
    """Σ x[n]·e^(−j·turn·(n + first)), n from 0."""
    width = max(1, int(np.sqrt(samples.size)))
    rows = -(-samples.size // width)
    padded = np.zeros(rows * width)
    padded[: samples.size] = samples
    inner = padded.reshape(rows, width) @ np.exp(-1j * turn * np.arange(width))
    outer = np.exp(-1j * turn * (np.arange(rows) * width + first))
    return complex(np.sum(inner * outer))
