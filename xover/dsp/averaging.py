"""Averages of captured responses: of power, or of the complex response.

A mean of power forgets phase, so it has none. A complex mean needs one time zero, and loses level
where the parts do not agree; whoever asks for it must know that they share it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from xover.dsp.captured import CapturedResponse, from_complex
from xover.dsp.thinning import with_needed_delay
from xover.model.problems import Refused
from xover.model.units import plain, show_hz

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Mean = Literal["power", "complex"]

CANCELLED = 1e-12
"""A complex mean this small against the mean of the sizes is rounding, not a response."""
TINY = 1e-50
"""−1000 dB, the least level that is written."""


def mean_of_rows(captured: CapturedResponse, of: Mean) -> CapturedResponse:
    """Neighbouring points of one frequency as one: their mean of power or complex mean.

    `captured` has frequencies that do not descend. The coherence's mean is plain; a mean of power
    keeps no phase. Raises `Refused` for a complex mean without phase, or one that cancels.
    """
    if of == "complex" and captured.phase_deg is None:
        raise Refused.at("", "a complex mean needs phase; average the power instead")
    starts = np.flatnonzero(np.diff(captured.frequency_hz, prepend=-np.inf) > 0.0)
    counts = np.diff(np.append(starts, captured.frequency_hz.size))
    frequency_hz = captured.frequency_hz[starts]
    coherence = captured.coherence
    if coherence is not None:
        coherence = np.clip(np.add.reduceat(coherence, starts) / counts, 0.0, 1.0)
    largest = int(counts.max())
    several = int(np.count_nonzero(counts > 1))
    what = f"rows of one frequency ({several} such, up to {largest} rows each)"
    if of == "power":
        power = np.add.reduceat(10.0 ** (captured.magnitude_db / 10.0), starts) / counts
        lost = "" if captured.phase_deg is None else "; a mean of power has no phase"
        return replace(
            captured,
            frequency_hz=frequency_hz,
            magnitude_db=10.0 * np.log10(power),
            phase_deg=None,
            coherence=coherence,
            delay_ms=0.0,
        ).saying(f"{what} are averaged, mean of power, as asked{lost}")
    mean = np.asarray(np.add.reduceat(captured.without_delay, starts) / counts, np.complex128)
    few = replace(from_complex(captured, frequency_hz, mean), coherence=coherence)
    size = np.add.reduceat(np.abs(captured.without_delay), starts) / counts
    if not (np.abs(mean) > CANCELLED * size).all():
        raise Refused.at(
            "", "rows of one frequency cancel each other in a complex mean; average their power"
        )
    return few.saying(f"{what} are averaged, complex mean, as asked")


def average(
    parts: Sequence[CapturedResponse], of: Mean, *, names: Sequence[str]
) -> CapturedResponse:
    """Several captures as one: their mean of power, or their complex mean, where all of them reach.

    The points are those of the capture that has the most in the common range; the others are read
    between their points, as decibels and unwrapped phase over log frequency. `names` say which is
    which. The coherence is the plain mean where all have one; a mean of power has no phase. That
    the parts of a complex mean share one time zero is the caller's to know. Raises `Refused` for
    fewer than two, no common range, SPL among relative levels, or a complex mean without phase.
    """
    if len(parts) < 2:
        raise Refused.at("", "an average needs at least two captures")
    if len({part.level for part in parts}) > 1:
        raise Refused.at("", "some captures are in SPL and some are not; they have no average")
    for part, name in zip(parts, names, strict=True):
        if of == "complex" and part.phase_deg is None:
            raise Refused.at(
                name, "there is no phase, which a complex average needs; average power instead"
            )
    parts = [with_needed_delay(part) for part in parts]
    inside = common_points(parts, names)
    most = int(np.argmax([np.count_nonzero(keep) for keep in inside]))
    lead = parts[most].at(inside[most])
    frequency_hz = lead.frequency_hz
    read = [responses_on(part, frequency_hz) for part in parts]
    sizes = np.abs(read)
    coherence = None
    if all(part.coherence is not None for part in parts):
        x = np.log(frequency_hz)
        known = [np.interp(x, np.log(p.frequency_hz), p.coherence) for p in parts if
                 p.coherence is not None]  # fmt: skip
        coherence = np.clip(np.mean(known, axis=0), 0.0, 1.0)
    some = any(part.coherence is not None for part in parts)
    power = np.mean(np.square(sizes), axis=0)
    if not (power > 0.0).all():
        raise Refused.at("", "nothing is left of the captures at some frequencies")
    said = [_said_of_parts(parts, names, most, inside)]
    if some and coherence is None:
        said.append("not all captures have coherence, so the average has none")
    if of == "power":
        spread_db = float(np.mean(np.std(20.0 * np.log10(np.maximum(sizes, TINY)), axis=0)))
        lost = any(part.phase_deg is not None for part in parts)
        said.append(
            f"mean of power of {len(parts)} captures; they differ by {plain(spread_db, 2)} dB "
            "(standard deviation, mean over the points)"
            + ("; a mean of power has no phase" if lost else "")
        )
        return replace(
            lead,
            magnitude_db=10.0 * np.log10(power),
            phase_deg=None,
            coherence=coherence,
            delay_ms=0.0,
            understood=tuple(said),
        )
    turn = np.exp(2e-3j * np.pi * frequency_hz * lead.delay_ms)
    mean = np.mean(read, axis=0) * turn
    if not (np.abs(mean) > CANCELLED * np.sqrt(power)).all():
        raise Refused.at("", "the captures cancel each other in a complex mean; average power")
    below_db = float(np.mean(10.0 * np.log10(power) - 20.0 * np.log10(np.abs(mean))))
    said.append(
        f"complex mean of {len(parts)} captures, on the word that they share one time zero; it "
        f"lies {plain(below_db, 2)} dB below the mean of power (mean over the points)"
    )
    few = from_complex(lead, frequency_hz, mean)
    return replace(few, coherence=coherence, understood=tuple(said))


def common_points(
    parts: Sequence[CapturedResponse], names: Sequence[str]
) -> list[NDArray[np.bool_]]:
    """Which points of each part lie where all parts reach. Raises `Refused` where none do."""
    low_hz = max(float(part.frequency_hz[0]) for part in parts)
    high_hz = min(float(part.frequency_hz[-1]) for part in parts)
    inside = [(part.frequency_hz >= low_hz) & (part.frequency_hz <= high_hz) for part in parts]
    if not any(keep.any() for keep in inside):
        reach = "; ".join(
            f"{name} from {show_hz(part.frequency_hz[0])} to {show_hz(part.frequency_hz[-1])}"
            for part, name in zip(parts, names, strict=True)
        )
        raise Refused.at("", f"the captures have no range in common: {reach}")
    return inside


def responses_on(part: CapturedResponse, frequency_hz: Array) -> Complex:
    """The complex response at `frequency_hz` (n,) within the part's range, bulk delay included."""
    own = part.frequency_hz
    first = int(np.searchsorted(own, frequency_hz[0]))
    if np.array_equal(own[first : first + frequency_hz.size], frequency_hz):
        return part.response()[first : first + frequency_hz.size]
    x, at = np.log(own), np.log(frequency_hz)
    size = 10.0 ** (np.interp(at, x, part.magnitude_db) / 20.0)
    if part.phase_deg is None:
        return size.astype(np.complex128)
    phase = np.deg2rad(np.interp(at, x, np.unwrap(part.phase_deg, period=360.0)))
    return np.asarray(size * np.exp(1j * (phase - 2e-3 * np.pi * frequency_hz * part.delay_ms)))


def _said_of_parts(
    parts: Sequence[CapturedResponse],
    names: Sequence[str],
    most: int,
    inside: Sequence[NDArray[np.bool_]],
) -> str:
    lead = parts[most].frequency_hz[inside[most]]
    span = f"{show_hz(lead[0])} to {show_hz(lead[-1])}"
    alike = all(
        np.array_equal(part.frequency_hz[keep], lead)
        for part, keep in zip(parts, inside, strict=True)
    )
    if alike:
        said = f"all captures have the same {lead.size} frequencies, {span}"
    else:
        said = (
            f"common grid: the {lead.size} frequencies of {names[most]}, {span}; the others are "
            "read between their points"
        )
    lost = sum(int(np.count_nonzero(~keep)) for keep in inside)
    return said + (f"; {lost} points outside the common range are left out" if lost else "")
