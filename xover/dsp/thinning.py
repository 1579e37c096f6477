"""Thinning a dense capture to what a preset keeps: at most one point in 1/96 octave.

The octave is cut into 96 equal steps; the points within one, ±1/192 octave about its middle, become
their mean at their mean frequency, so a step that holds one bin keeps it as it is. Where the
response rings on long after the bulk delay the mean smooths it, and by how much is said.
"""

from __future__ import annotations

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from xover.dsp.captured import (
    LOWEST_DB,
    CapturedResponse,
    bulk_delay_ms,
    from_complex,
    is_coarse,
    unwrapped_deg,
    with_delay_out,
    wrapped_deg,
)
from xover.model.units import plain, show_hz, show_ms

POINTS_PER_OCTAVE = 96
ORIGIN_HZ = 20.0
"""Steps are centred on 20·2^(k/96) Hz."""
BOUND_DB, BOUND_DEG = 0.02, 0.2
"""Thinning that misses the dense curve by more than this says so."""
HIGHEST_JUDGED_HZ, WITHIN_DB = 20_000.0, 20.0
ALIAS_DEG = 90.0
"""A phase column turning by more than this between two kept points has its bulk delay taken out."""


def is_dense(frequency_hz: NDArray[np.float64]) -> bool:
    """Whether some octave of the ascending axis (n,) holds more than 96 points and a rounding."""
    last = np.searchsorted(frequency_hz, 2.0 * frequency_hz, side="left")
    return bool(np.max(last - np.arange(frequency_hz.size)) > POINTS_PER_OCTAVE + 1)


def thinned(captured: CapturedResponse) -> CapturedResponse:
    """At most 96 points an octave; a capture that is no denser comes back as it is.

    The mean is complex, after the bulk delay is taken out; of power where no phase is known; the
    coherence's is plain. The bulk delay stated by the capture stays what it was.
    """
    if not is_dense(captured.frequency_hz):
        return captured
    frequency_hz = captured.frequency_hz
    step = np.floor(POINTS_PER_OCTAVE * np.log2(frequency_hz / ORIGIN_HZ) + 0.5)
    starts = np.concatenate(([0], np.flatnonzero(np.diff(step)) + 1))
    counts = np.diff(np.append(starts, frequency_hz.size))
    middle_hz = np.add.reduceat(frequency_hz, starts) / counts
    coherence = captured.coherence
    if coherence is not None:
        coherence = np.clip(np.add.reduceat(coherence, starts) / counts, 0.0, 1.0)
    if captured.phase_deg is None:
        power = np.add.reduceat(10.0 ** (captured.magnitude_db / 10.0), starts) / counts
        few = replace(captured, frequency_hz=middle_hz, magnitude_db=10.0 * np.log10(power))
    else:
        centred = captured
        if captured.delay_ms == 0.0:
            centred = with_delay_out(captured, bulk_delay_ms(captured))
        mean = np.asarray(np.add.reduceat(centred.without_delay, starts) / counts, np.complex128)
        few = from_complex(centred, middle_hz, mean)
        if captured.delay_ms == 0.0 and not _turns(few, -few.delay_ms) > _turns(few):
            few = with_delay_out(few, 0.0)
    few = replace(few, coherence=coherence)
    sound = few.magnitude_db >= LOWEST_DB
    said = f"thinned from {frequency_hz.size} to {middle_hz.size} points, at most 96 an octave"
    if not sound.all():
        few, said = few.at(sound), f"{said}; {np.count_nonzero(~sound)} cancelled to nothing"
    return few.saying(said, *_said_of_difference(captured, few), *_said_of_delay(captured, few))


def with_needed_delay(captured: CapturedResponse) -> CapturedResponse:
    """The same response, its bulk delay taken out of a phase column that is too coarse for it.

    Nothing changes where a bulk delay is stated, or where the phase turns by at most 90° from
    point to point, or where taking it out would not make the phase any smoother.
    """
    if captured.phase_deg is None or captured.delay_ms != 0.0 or not _turns(captured):
        return captured
    delay_ms = bulk_delay_ms(captured)
    if _turns(captured, delay_ms) >= _turns(captured):
        return captured
    eased = with_delay_out(captured, delay_ms)
    return eased.saying(*_said_of_delay(captured, eased))


def _turns(captured: CapturedResponse, extra_delay_ms: float = 0.0) -> int:
    """How many steps turn by more than 90° once `extra_delay_ms` more is taken out."""
    if captured.phase_deg is None:
        return 0
    ramp_deg = 0.36 * captured.frequency_hz * extra_delay_ms
    if is_coarse(captured.phase_deg):
        step_deg = wrapped_deg(np.diff(captured.phase_deg + ramp_deg))
    else:
        step_deg = np.diff(unwrapped_deg(captured.phase_deg) + ramp_deg)
    return int(np.count_nonzero(np.abs(step_deg) > ALIAS_DEG))


def _said_of_difference(dense: CapturedResponse, few: CapturedResponse) -> tuple[str, ...]:
    """By how much the kept points, read at every dense one, miss it; nothing below the bound.

    Judged where it matters: up to 20 kHz, and within 20 dB of the largest of the dense curve.
    """
    frequency_hz = dense.frequency_hz
    judged = (frequency_hz >= few.frequency_hz[0]) & (frequency_hz <= few.frequency_hz[-1])
    judged &= frequency_hz <= HIGHEST_JUDGED_HZ
    judged &= dense.magnitude_db >= dense.magnitude_db.max() - WITHIN_DB
    if not judged.any():
        return ()
    at = np.log(frequency_hz[judged])
    x = np.log(few.frequency_hz)
    off_db = np.abs(np.interp(at, x, few.magnitude_db) - dense.magnitude_db[judged])
    off_deg = np.zeros(at.size)
    if few.phase_deg is not None and dense.phase_deg is not None:
        read_deg = np.interp(at, x, np.unwrap(few.phase_deg, period=360.0))
        ramp_deg = 0.36 * frequency_hz[judged] * (dense.delay_ms - few.delay_ms)
        off_deg = np.abs(wrapped_deg(read_deg + ramp_deg - dense.phase_deg[judged]))
    if off_db.max() <= BOUND_DB and off_deg.max() <= BOUND_DEG:
        return ()
    worst = int(np.argmax(off_db / BOUND_DB + off_deg / BOUND_DEG))
    phase = "" if few.phase_deg is None else f" and {plain(float(off_deg.max()), 1)}°"
    miss_db = plain(float(off_db.max()), 2)
    rms_db = plain(float(np.sqrt(np.mean(np.square(off_db)))), 2)
    return (
        f"the kept points are means, which miss single ones by up to {miss_db} dB{phase} (worst "
        f"about {show_hz(float(frequency_hz[judged][worst]))}; {rms_db} dB rms): what comes late, "
        "and noise, is smoothed; --full keeps it",
    )


def _said_of_delay(before: CapturedResponse, after: CapturedResponse) -> tuple[str, ...]:
    if after.delay_ms == before.delay_ms:
        return ()
    return (
        f"a bulk delay of {show_ms(after.delay_ms, 3)} is kept apart from the phase column, which "
        "is too coarse for it; the response is unchanged",
    )
