"""A near capture below and a far one above, joined to one response.

Close to a box the room is weak and low frequencies are sound; farther away the whole box is heard
and high frequencies are. Level, time and polarity of the near capture are brought to the far one's
over a stated overlap, where one fades into the other over log frequency.
"""

from __future__ import annotations

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from xover.dsp.averaging import responses_on
from xover.dsp.captured import CapturedResponse, with_delay_out, wrapped_deg
from xover.dsp.thinning import with_needed_delay
from xover.model.problems import Refused
from xover.model.units import plain, show_db, show_hz, show_ms, signed

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

GRID_POINTS = 257
"""Points that level and time are matched on, evenly spaced in the overlap."""
PHASE_RMS_DEG = 45.0
"""Phases that agree no better than this after the match are not those of one box in one state:
common practice, no source."""


class _Match(Struct, frozen=True):
    """What brings the near capture to the far one."""

    gain_db: float
    level_rms_db: float
    delay_ms: float = 0.0
    inverted: bool = False
    phase_rms_deg: float | None = None


def spliced(
    near: CapturedResponse,
    far: CapturedResponse,
    *,
    at_hz: float,
    octaves: float = 1.0,
    names: tuple[str, str] = ("near", "far"),
) -> CapturedResponse:
    """`near` below and `far` above `at_hz`, crossfaded over `octaves` about it.

    The near capture is shifted in level so that the mean difference in dB over log frequency in
    the overlap is none, and where both have phase it is delayed (and turned over, if it fits only
    so) to fit the far one's phase, whose time zero and level the result has. Inside the overlap dB
    and phase go from one to the other along half a cosine over log frequency. Without phase in
    both the result has none. Raises `Refused` where one does not reach over the overlap, or the
    phases do not fit.
    """
    low_hz, high_hz = at_hz * 2.0 ** (-0.5 * octaves), at_hz * 2.0 ** (0.5 * octaves)
    for part, name in zip((near, far), names, strict=True):
        first, last = float(part.frequency_hz[0]), float(part.frequency_hz[-1])
        if first > low_hz or last < high_hz:
            raise Refused.at(
                name,
                f"it reaches from {show_hz(first)} to {show_hz(last)}, but a splice at "
                f"{show_hz(at_hz)} over {plain(octaves, 2)} octaves needs both captures from "
                f"{show_hz(low_hz)} to {show_hz(high_hz)}; move it with --splice-at or narrow it "
                "with --splice-octaves",
            )
    near, far = with_needed_delay(near), with_needed_delay(far)
    phased = near.phase_deg is not None and far.phase_deg is not None
    match = _match(near, far, low_hz, high_hz, names, phased=phased)
    near = replace(
        near, magnitude_db=near.magnitude_db + match.gain_db, level=far.level, understood=()
    )
    if phased:
        near = replace(near, delay_ms=near.delay_ms + match.delay_ms)
        near = with_delay_out(near, far.delay_ms)
        if match.inverted and near.phase_deg is not None:
            near = replace(near, phase_deg=wrapped_deg(near.phase_deg + 180.0))
    else:
        near, far = replace(near, phase_deg=None), replace(far, phase_deg=None)
    joined = _joined(near, far, low_hz, high_hz)
    return joined.saying(*_said(match, low_hz, high_hz, names, near, far, phased=phased))


def _match(
    near: CapturedResponse,
    far: CapturedResponse,
    low_hz: float,
    high_hz: float,
    names: tuple[str, str],
    *,
    phased: bool,
) -> _Match:
    grid = np.linspace(low_hz, high_hz, GRID_POINTS)
    weight = 1.0 / grid  # log frequency
    weight /= weight.sum()
    ratio = responses_on(far, grid) / responses_on(near, grid)
    difference_db = 20.0 * np.log10(np.abs(ratio))
    gain_db = float(weight @ difference_db)
    rms_db = float(np.sqrt(weight @ np.square(difference_db - gain_db)))
    if not phased:
        return _Match(gain_db, rms_db)
    turned = ratio / np.abs(ratio)
    delay_s = _coarse_delay_s(grid, weight * turned)
    inverted = False
    left = np.zeros(grid.size)
    # The offset that a line through the phase leaves belongs to the nearer of the polarities.
    for step in range(4):
        rest = turned * np.exp(2j * np.pi * grid * delay_s)
        if step == 0:
            inverted = bool((weight @ rest).real < 0.0)
        left = np.angle(-rest if inverted else rest)
        delay_s -= float(weight @ (left * grid) / (2.0 * np.pi * (weight @ np.square(grid))))
    rest = turned * np.exp(2j * np.pi * grid * delay_s)
    left = np.angle(-rest if inverted else rest)
    rms_deg = float(np.degrees(np.sqrt(weight @ np.square(left))))
    if rms_deg > PHASE_RMS_DEG:
        raise Refused.at(
            "",
            f"the phases of {names[0]} and {names[1]} do not fit from {show_hz(low_hz)} to "
            f"{show_hz(high_hz)}: {plain(rms_deg, 0)}° rms remain at the best delay; are they of "
            "one box in one state? Splice elsewhere, or leave the phase columns out",
        )
    return _Match(gain_db, rms_db, 1000.0 * delay_s, inverted, rms_deg)


def _coarse_delay_s(grid: Array, weighted: Complex) -> float:
    """The delay in s at which `weighted` (n,) over an even `grid` (n,) in Hz adds up most."""
    step = grid[1] - grid[0]
    length = 1 << (16 * grid.size - 1).bit_length()
    peak = int(np.argmax(np.abs(np.fft.ifft(weighted, length))))
    if peak > length // 2:
        peak -= length
    return float(peak / (length * step))


def _joined(
    near: CapturedResponse, far: CapturedResponse, low_hz: float, high_hz: float
) -> CapturedResponse:
    below, above = near.frequency_hz < low_hz, far.frequency_hz > high_hz
    between = [
        part.frequency_hz[(part.frequency_hz >= low_hz) & (part.frequency_hz <= high_hz)]
        for part in (near, far)
    ]
    middle_hz = max(between, key=len)
    place = np.log(middle_hz / low_hz) / np.log(high_hz / low_hz)
    share = 0.5 - 0.5 * np.cos(np.pi * place)

    def column(name: str, blend: Array | None) -> Array | None:
        if blend is None:
            return None
        return np.concatenate((getattr(near, name)[below], blend, getattr(far, name)[above]))

    def straight(name: str) -> Array:
        low, high = (
            np.interp(np.log(middle_hz), np.log(part.frequency_hz), getattr(part, name))
            for part in (near, far)
        )
        return np.asarray(low + share * (high - low))

    phase = None
    if near.phase_deg is not None:
        from_near, from_far = (
            np.angle(responses_on(replace(part, delay_ms=0.0), middle_hz), deg=True)
            for part in (near, far)
        )
        phase = wrapped_deg(from_near + share * wrapped_deg(from_far - from_near))
    both = near.coherence is not None and far.coherence is not None
    magnitude = column("magnitude_db", straight("magnitude_db"))
    assert magnitude is not None
    return replace(
        far,
        frequency_hz=np.concatenate((near.frequency_hz[below], middle_hz, far.frequency_hz[above])),
        magnitude_db=magnitude,
        phase_deg=column("phase_deg", phase),
        coherence=column("coherence", straight("coherence") if both else None),
        understood=(),
    )


def _said(
    match: _Match,
    low_hz: float,
    high_hz: float,
    names: tuple[str, str],
    near: CapturedResponse,
    far: CapturedResponse,
    *,
    phased: bool,
) -> tuple[str, ...]:
    said = [
        f"spliced: {names[0]} below {show_hz(low_hz)}, {names[1]} above {show_hz(high_hz)}, "
        "crossfaded between them over log frequency",
        f"the level of {names[0]} is changed by {show_db(match.gain_db, 2)} to match; "
        f"{plain(match.level_rms_db, 2)} dB rms of difference remain in the overlap",
    ]
    if match.phase_rms_deg is not None:
        turned = "turned over and " if match.inverted else ""
        said.append(
            f"{names[0]} is {turned}moved by {signed(match.delay_ms, 3)} ms to the time zero of "
            f"{names[1]}; {plain(match.phase_rms_deg, 1)}° rms remain in the overlap; bulk delay "
            f"{show_ms(far.delay_ms, 3)}"
        )
    elif not phased:
        said.append("not both captures have phase, so the result has none")
    if (near.coherence is None) != (far.coherence is None):
        said.append("not both captures have coherence, so the result has none")
    return tuple(said)
