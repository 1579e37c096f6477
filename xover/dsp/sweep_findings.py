"""What a deconvolved recording tells of itself: is it the sweep named, and how far is it usable.

Judges and words only; the response is left as it is.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from xover.dsp.deconvolution import Excitation
from xover.dsp.gating import Gated, Harmonic, Octave
from xover.dsp.smoothing import power_smooth
from xover.model.problems import Refused
from xover.model.units import plain, short, show_hz, show_ms

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

USABLE_DB = 10.0
"""A response is used where it stands this far above the noise; the ends beyond are left out.
common practice, no source."""
SAME_SWEEP_S = 0.05
"""Octaves that arrive further apart than this, in step with frequency, were played by another
sweep. Our own choice: a box's own delays are shorter above 300 Hz."""
STEEPEST_S = 0.1
"""Parts of one sweep arrive no further apart than this for each factor e of frequency. Our own
choice: with a decay of 6 s at the bottom and 1.5 s at the top it is 0.07 s."""
STRANGE_WITHIN_DB = 15.0
"""Octaves this close to the strongest are asked whether they are the named sweep's."""
HEARD_WITHIN_DB = 60.0
"""Octaves weaker than this below the strongest do not tell when they arrived. Our own choice."""


def refuse_another_rate(frequency_hz: Array, response: Complex) -> None:
    """Refuse a response (n,) whose parts arrive later, or earlier, the higher they lie.

    The time at which a sixth of an octave arrives is read from the turn of its phase from bin to
    bin; only what is short against the recording counts. A room's decay moves it by tenths of a
    second over the whole range, another sweep by more than that from one octave to the next.
    """
    step_hz = float(frequency_hz[1] - frequency_hz[0])
    turn = response[1:] * np.conj(response[:-1])
    power = np.abs(response[1:]) ** 2
    low_hz, high_hz = frequency_hz[np.flatnonzero(power)[[0, -1]] + 1]
    edges = low_hz * 2.0 ** (np.arange(int(6.0 * np.log2(high_hz / low_hz)) + 1) / 6.0)
    first = np.searchsorted(frequency_hz[1:], edges)
    first = first[np.concatenate(([True], np.diff(first) > 0))]
    if first.size < 4:
        return
    turned, energy = (np.add.reduceat(values, first)[:-1] for values in (turn, power))
    density = energy / np.diff(first)
    sure = (np.abs(turned) > 0.5 * energy) & (density > 1e-2 * density.max())
    if np.count_nonzero(sure) < 3:
        return
    arrive_s = -np.unwrap(np.angle(turned[sure])) / (2.0 * np.pi * step_hz)
    slope_s, _ = np.polyfit(np.log(frequency_hz[first[:-1]][sure]), arrive_s, 1)
    if abs(slope_s) > STEEPEST_S:
        raise _other_rate(float(abs(slope_s)) * np.log(2.0))


def _other_rate(apart_s: float) -> Refused:
    return Refused.at(
        "",
        f"the octaves arrive one after the other, {show_ms(1000.0 * apart_s, 0)} from each to the "
        "next: another sweep was played than the one named, a loud noise came in, or a file's "
        "sample rate is not what its header says",
    )


def refuse_another_sweep(result: Gated, excitation: Excitation) -> None:
    """Refuse where octaves stand at other times than one sweep would put them.

    Either they arrive one after the other, in step with their frequency, or most of what was
    recorded of one does not stand at the direct sound at all.
    """
    loudest = max(o.kept + o.spread for o in result.octaves)
    # What a digital loop's last bits hold far outside a narrow band arrives at no time at all.
    heard = loudest * 10.0 ** (-HEARD_WITHIN_DB / 10.0)
    clear = [o for o in result.octaves if o.signal > 30.0 * o.noise and o.kept + o.spread > heard]
    high = [o for o in clear if o.centre_hz >= 300.0]
    used, most_s = (high, SAME_SWEEP_S) if len(high) >= 3 else (clear, 4.0 * SAME_SWEEP_S)
    if excitation.rate_s is not None and len(used) >= 3:
        octave = np.log([o.centre_hz for o in used])
        slope_s, _ = np.polyfit(octave, [o.peak_s for o in used], 1)
        apart_s = float(abs(slope_s) * np.ptp(octave))
        if apart_s > most_s:
            raise _other_rate(float(abs(slope_s)) * np.log(2.0))
    strange = [
        o.centre_hz
        for o in result.octaves
        if o.spread > o.kept and o.kept + o.spread > loudest * 10.0 ** (-STRANGE_WITHIN_DB / 10.0)
    ]
    if strange:
        raise Refused.at(
            "",
            f"most of what was recorded about {show_hz(float(f'{strange[0]:.2g}'))} does not fit "
            "the sweep named: another one was played, a loud noise came in, or the recording "
            "has a gap; name the file that was played, or record again",
        )


def usable_range(result: Gated) -> tuple[NDArray[np.bool_], float]:
    """Which points lie in the range that stands clear of noise, and by how much on average, dB."""
    frequency_hz = result.frequency_hz
    power = power_smooth(frequency_hz, np.abs(result.response) ** 2, fraction=6)
    noise = np.maximum(result.noise_power(frequency_hz), 1e-30)
    above_db = 10.0 * np.log10(np.maximum(power, 1e-30) / noise)
    clear = np.flatnonzero(above_db >= USABLE_DB)
    if clear.size == 0 or frequency_hz[clear[-1]] < 1.2 * frequency_hz[clear[0]]:
        raise Refused.at(
            "",
            "the recording is too noisy: nothing of the response stands 10 dB above the noise; "
            "play a longer sweep, or one a little louder",
        )
    usable = np.zeros(frequency_hz.size, dtype=bool)
    usable[clear[0] : clear[-1] + 1] = True
    mean_db = np.average(above_db[usable], weights=1.0 / frequency_hz[usable])
    return usable, float(mean_db)


def kept_said(octaves: Sequence[Octave]) -> str:
    """How long is kept, in words, of the lowest, a middle and the highest octave."""
    chosen = [octaves[0], octaves[len(octaves) // 2], octaves[-1]]
    return ", ".join(
        f"{show_ms(1000.0 * o.kept_s[1], 0)} at {show_hz(float(f'{o.centre_hz:.2g}'))}"
        for o in chosen
    )


def distortion_said(found: Sequence[Harmonic]) -> str:
    """The harmonic products in a sentence, each where it is largest."""
    parts = []
    for one in found:
        known = np.isfinite(one.ratio) & (one.floor > 0.0)
        if not known.any():
            continue
        ratio = np.where(known, one.ratio, 0.0)
        worst = int(np.argmax(ratio))
        name = {2: "2nd", 3: "3rd"}.get(one.order, f"{one.order}th")
        if ratio[worst] > 0.0:
            level_db = 20.0 * np.log10(ratio[worst])
            most = percent(ratio[worst])
            parts.append(
                f"{name} {most if most.startswith('less') else f'at most {most}'} "
                f"({plain(level_db, 0)} dB) "
                f"at {show_hz(float(one.frequency_hz[worst]))}"
            )
        else:
            floor_db = 20.0 * np.log10(float(np.min(one.floor[known])))
            parts.append(f"{name} below the noise ({plain(floor_db, 0)} dB at best)")
    return "harmonic distortion, octave by octave: " + ("; ".join(parts) or "not in reach")


def percent(share: float) -> str:
    """A share, with the decimals that suit it."""
    if share < 1e-5:
        return "less than 0.001 %"
    return f"{short(100.0 * share, 3 if share < 0.01 else 1)} %"
