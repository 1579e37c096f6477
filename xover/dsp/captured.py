"""A captured response on its way into a preset: what a file said, as arrays, and what was asked.

Arrays in, arrays out. Nothing here opens a file, and nothing alters a response without adding
a sentence to `understood` that says so.
"""

from __future__ import annotations

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from xover.dsp.impulse_figures import ImpulseFigures
from xover.dsp.interpolation import trace_on
from xover.dsp.minimum_phase import minimum_phase
from xover.dsp.smoothing import power_smooth
from xover.model.problems import Refused
from xover.model.rig import Trace
from xover.model.units import show_db, show_hz, show_ms
from xover.model.words import Level

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

LOWEST_DB = -1000.0
"""A point below this holds no signal; its level could not be written."""
COARSE_DEG, COARSE_SHARE = 120.0, 0.05
"""A wrapped phase that turns further than this in more steps than this cannot be unwrapped."""
SMOOTHING_FRACTIONS = (1, 48)
"""Smoothing goes from 1/1 to 1/48 octave."""


class SweepFindings(Struct, frozen=True):
    """What the recording of a sweep told besides the response."""

    playings: int
    """How many were found and averaged."""
    clock_ppm: float | None
    """How much faster the recorder's clock ran than the player's; None where it is not known."""
    clipped_percent: float
    signal_to_noise_db: float
    """On average over the octaves in the usable range."""
    distortion: tuple[tuple[int, float, float | None, float], ...]
    """Order, fundamental in Hz, level in dB of the fundamental (None: below noise), noise in dB."""


class CapturedResponse(Struct, frozen=True, eq=False):
    """One captured response over ascending frequency, and what was understood of its file.

    All columns have shape (n,). The response is
    10^(magnitude_db/20) · e^(j·phase) · e^(−j2πf·delay): the bulk delay is not in the phase.
    """

    frequency_hz: Array
    magnitude_db: Array
    phase_deg: Array | None = None
    """Without the bulk delay; wrapped or not."""
    coherence: Array | None = None
    delay_ms: float = 0.0
    """Bulk delay, a part of the response."""
    level: Level = "relative"
    estimate: bool = False
    """Whether the phase is minimum phase, made from the magnitude."""
    understood: tuple[str, ...] = ()
    impulse: ImpulseFigures | None = None
    """What was read off an impulse response, where the file holds one."""
    sweep: SweepFindings | None = None
    """What the recording of a sweep told, where the file is one."""
    shares_time: bool = True
    """Whether its time zero means anything to other captures of the same session."""
    is_clipped: bool = False
    """Whether samples of the recording it is from stand at full scale."""
    played_dbfs: float | None = None
    """The level of the excitation, where 0 dB is recorded as loud as played."""

    @property
    def without_delay(self) -> Complex:
        """The complex response (n,) without the bulk delay; real where no phase is known."""
        magnitude = 10.0 ** (self.magnitude_db / 20.0)
        if self.phase_deg is None:
            return magnitude.astype(np.complex128)
        return np.asarray(magnitude * np.exp(1j * np.deg2rad(self.phase_deg)))

    def response(self) -> Complex:
        """The complex response (n,), bulk delay included."""
        turn = np.exp(-2e-3j * np.pi * self.frequency_hz * self.delay_ms)
        return np.asarray(self.without_delay * turn)

    def saying(self, *sentences: str) -> CapturedResponse:
        """The same with further sentences about what was understood or done."""
        return replace(self, understood=(*self.understood, *sentences))

    def at(self, keep: NDArray[np.bool_]) -> CapturedResponse:
        """Only the points where `keep` (n,) is true."""
        return replace(
            self,
            frequency_hz=self.frequency_hz[keep],
            magnitude_db=self.magnitude_db[keep],
            phase_deg=None if self.phase_deg is None else self.phase_deg[keep],
            coherence=None if self.coherence is None else self.coherence[keep],
        )


def bulk_delay_ms(captured: CapturedResponse) -> float:
    """The time in ms where the impulse response's envelope is largest; 0 without a phase.

    The columns (unwrapped phase, magnitude) are read on an even frequency axis and transformed
    back. A wrapped phase that turns too far from point to point to be unwrapped is searched for the
    delay that most of its points agree on. Resolves an eighth of the period of the highest
    frequency.
    """
    if captured.phase_deg is None or captured.frequency_hz.size < 2:
        return 0.0
    if is_coarse(captured.phase_deg):
        return captured.delay_ms + _agreed_delay_ms(captured.frequency_hz, captured.phase_deg)
    frequency_hz = captured.frequency_hz
    highest_hz = float(frequency_hz[-1])
    finest_hz = float(np.min(np.diff(frequency_hz)))
    bins = int(np.clip(2.0 * highest_hz / finest_hz, 4096, 131_072))
    even_hz = np.arange(1, bins + 1) * (highest_hz / bins)
    inside = even_hz >= frequency_hz[0]
    phase = np.deg2rad(np.interp(even_hz, frequency_hz, unwrapped_deg(captured.phase_deg)))
    level_db = np.interp(even_hz, frequency_hz, captured.magnitude_db)
    relative = 10.0 ** ((level_db - captured.magnitude_db.max()) / 20.0)
    spectrum = np.zeros(bins + 1, dtype=np.complex128)
    spectrum[1:] = np.where(inside, relative * np.exp(1j * phase), 0.0)
    length = 1 << (8 * bins - 1).bit_length()
    peak = int(np.argmax(np.abs(np.fft.ifft(spectrum, length))))
    if peak > length // 2:
        peak -= length
    return captured.delay_ms + 1000.0 * peak * bins / (highest_hz * length)


def is_coarse(phase_deg: Array) -> bool:
    """Whether a wrapped phase column (n,) turns by over 120° in more than one step of twenty."""
    if phase_deg.size < 2 or np.ptp(phase_deg) > 360.0 + 1e-6:
        return False
    return bool(np.mean(np.abs(wrapped_deg(np.diff(phase_deg))) > COARSE_DEG) > COARSE_SHARE)


def _agreed_delay_ms(frequency_hz: Array, phase_deg: Array) -> float:
    """The delay in ms at which the points (n,), each of weight one, add up to most.

    Points that are not evenly spaced, as on a logarithmic axis, have no second such delay.
    """
    highest_hz = float(frequency_hz[-1])
    finest_hz = float(np.min(np.diff(frequency_hz)))
    bins = int(np.clip(4.0 * highest_hz / finest_hz, 4096, 131_072))
    place = np.rint(frequency_hz * (bins / highest_hz)).astype(np.intp)
    phasor = np.exp(1j * np.deg2rad(phase_deg))
    spectrum = np.zeros(bins + 1, dtype=np.complex128)
    np.add.at(spectrum, place, phasor)
    length = 1 << (8 * bins - 1).bit_length()
    peak = int(np.argmax(np.abs(np.fft.ifft(spectrum, length))))
    if peak > length // 2:
        peak -= length
    coarse_s = peak * bins / (highest_hz * length)
    near_s = coarse_s + np.linspace(-2.0, 2.0, 65) / highest_hz
    sums = np.exp(2j * np.pi * np.outer(near_s, frequency_hz)) @ phasor
    return 1000.0 * float(near_s[np.argmax(np.abs(sums))])


def with_delay_out(captured: CapturedResponse, delay_ms: float) -> CapturedResponse:
    """The same response with `delay_ms` as its bulk delay and the phase column turned to suit."""
    if captured.phase_deg is None or delay_ms == captured.delay_ms:
        return captured
    turn_deg = 0.36 * captured.frequency_hz * (delay_ms - captured.delay_ms)
    return replace(
        captured, phase_deg=wrapped_deg(captured.phase_deg + turn_deg), delay_ms=delay_ms
    )


def wrapped_deg(phase_deg: Array) -> Array:
    """Phase (n,) brought to −180 < φ ≤ 180 degrees."""
    return np.asarray(180.0 - (180.0 - phase_deg) % 360.0)


def unwrapped_deg(phase_deg: Array) -> Array:
    """Phase (n,) without jumps; a column that spans more than a circle is unwrapped already."""
    if np.ptp(phase_deg) > 360.0 + 1e-6:
        return phase_deg
    return np.unwrap(phase_deg, period=360.0)


def remove_delay(captured: CapturedResponse) -> CapturedResponse:
    """Take the bulk delay out of the response itself; time zero is lost, and this is said.

    Raises `Refused` where no phase is known.
    """
    if captured.phase_deg is None:
        raise Refused.at("", "there is no phase column, so there is no delay to remove")
    delay_ms = captured.delay_ms or bulk_delay_ms(captured)
    taken = with_delay_out(captured, delay_ms)
    return replace(taken, delay_ms=0.0).saying(
        f"the bulk delay of {show_ms(delay_ms, 3)} was removed: this response no longer shares "
        "time zero with any other"
    )


def smoothed(captured: CapturedResponse, fraction: int, *, of: str = "power") -> CapturedResponse:
    """Smooth over 1/`fraction` octave, rectangular in log frequency.

    `of` is "power" (the magnitude is smoothed as power, the phase stays as captured) or "complex"
    (real and imaginary part after the bulk delay is taken out). Raises `Refused` for a fraction
    outside 1…48, another kind, or complex smoothing without phase.
    """
    low, high = SMOOTHING_FRACTIONS
    if not low <= fraction <= high:
        raise Refused.at("", f"smoothing goes from 1/{low} to 1/{high} octave, not 1/{fraction}")
    frequency_hz = captured.frequency_hz
    if of == "power":
        power = power_smooth(
            frequency_hz, 10.0 ** (captured.magnitude_db / 10.0), fraction=fraction
        )
        changed = replace(captured, magnitude_db=10.0 * np.log10(power))
        phase = "" if captured.phase_deg is None else "; the phase is as captured"
        return changed.saying(f"smoothed 1/{fraction} octave, power{phase}")
    if of != "complex":
        raise Refused.at("", f"smoothing is of “power” or of the “complex” response, not “{of}”")
    if captured.phase_deg is None:
        raise Refused.at("", "complex smoothing needs a phase column; smooth the power instead")
    centred = captured
    if captured.delay_ms == 0.0:
        centred = with_delay_out(captured, bulk_delay_ms(captured))
    value = centred.without_delay
    # The rectangular mean is linear, so the two parts may pass through it one by one.
    mean = power_smooth(frequency_hz, value.real, fraction=fraction) + 1j * power_smooth(
        frequency_hz, value.imag, fraction=fraction
    )
    changed = from_complex(centred, frequency_hz, mean)
    return with_delay_out(changed, captured.delay_ms).saying(
        f"smoothed 1/{fraction} octave, complex"
    )


def with_minimum_phase(captured: CapturedResponse) -> CapturedResponse:
    """The same magnitude with the minimum phase that goes with it, marked as an estimate.

    Whatever phase and bulk delay there were are gone. Raises `Refused` for fewer than two points.
    """
    if captured.frequency_hz.size < 2:
        raise Refused.at("", "minimum phase needs at least two points")
    phase_deg = wrapped_deg(minimum_phase(captured.frequency_hz, captured.magnitude_db))
    had = "" if captured.phase_deg is None else "; the captured phase and its delay are given up"
    return replace(captured, phase_deg=phase_deg, delay_ms=0.0, estimate=True).saying(
        "the phase is an estimate: minimum phase of the magnitude, beyond the data as its ends "
        f"suggest, without time of flight{had}"
    )


def from_complex(like: CapturedResponse, frequency_hz: Array, value: Complex) -> CapturedResponse:
    """`like` with other points: `value` (n,) is the response without the bulk delay.

    The coherence is not carried over.
    """
    with np.errstate(divide="ignore"):
        magnitude_db = 20.0 * np.log10(np.abs(value))
    return replace(
        like,
        frequency_hz=frequency_hz,
        magnitude_db=magnitude_db,
        phase_deg=np.angle(value, deg=True),
        coherence=like.coherence if frequency_hz is like.frequency_hz else None,
    )


def corrected(captured: CapturedResponse, correction: CapturedResponse) -> CapturedResponse:
    """Take a microphone's own response out: dB are subtracted, and phase where it has one.

    Between its points the correction is read as dB and unwrapped phase over log frequency. Points
    outside its range are left out, and this is said. Raises `Refused` where nothing remains.
    """
    own = trace_on(_as_trace(correction), captured.frequency_hz)
    inside = np.isfinite(own.real)
    low, high = show_hz(correction.frequency_hz[0]), show_hz(correction.frequency_hz[-1])
    if not inside.any():
        raise Refused.at(
            "", f"the microphone correction reaches from {low} to {high}, the capture lies outside"
        )
    kept, own = captured.at(inside), own[inside]
    phase_deg = kept.phase_deg
    if phase_deg is not None and correction.phase_deg is not None:
        phase_deg = wrapped_deg(phase_deg - np.angle(own, deg=True))
        what = "magnitude and phase"
    else:
        what = "magnitude only"
    changed = replace(
        kept, magnitude_db=kept.magnitude_db - 20.0 * np.log10(np.abs(own)), phase_deg=phase_deg
    ).saying(
        *correction.understood,
        f"the microphone's own response is taken out ({what}, {low} to {high})",
    )
    lost = int(np.count_nonzero(~inside))
    if lost:
        were = f"{show_hz(captured.frequency_hz[0])} to {show_hz(captured.frequency_hz[-1])}"
        changed = changed.saying(
            f"{lost} points outside the correction's range are left out (the capture went from "
            f"{were})"
        )
    return changed


def calibrated(captured: CapturedResponse, spl_at_zero_db: float) -> CapturedResponse:
    """Levels as sound pressure: `spl_at_zero_db` is the SPL that 0 dB of the file stands for."""
    if not np.isfinite(spl_at_zero_db) or abs(spl_at_zero_db) > 300.0:
        raise Refused.at("", "an SPL calibration lies between −300 and 300 dB")
    return replace(
        captured, magnitude_db=captured.magnitude_db + spl_at_zero_db, level="spl"
    ).saying(f"0 dB of the file stands for {show_db(spl_at_zero_db, 2)} SPL")


def _as_trace(captured: CapturedResponse) -> Trace:
    phase = captured.phase_deg
    return Trace(
        frequency_hz=tuple(captured.frequency_hz.tolist()),
        magnitude_db=tuple(captured.magnitude_db.tolist()),
        phase_deg=None if phase is None else tuple(phase.tolist()),
        delay_ms=captured.delay_ms,
    )
