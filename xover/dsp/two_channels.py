"""The response between two channels of any programme: averaged cross-spectra, H1, coherence.

The delay between the channels is found first, taken out for the analysis and put back. Windows
grow towards low frequencies. Two passes over the programme; memory does not grow with its length.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from xover.dsp.captured import CapturedResponse, wrapped_deg
from xover.dsp.channel_delay import REACH, fine_delay, repeats_after, whole_delay
from xover.dsp.coherence import TRUSTED_FROM, bands
from xover.dsp.cross_spectra import CrossSpectra, coherence_by_chance, windows_in
from xover.dsp.impulse_window import USABLE_PERIODS
from xover.dsp.smoothing import power_smooth
from xover.dsp.thinning import ORIGIN_HZ, POINTS_PER_OCTAVE
from xover.model.problems import Refused
from xover.model.units import plain, show_hz, show_ms

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Programme = Callable[[], Iterable[Array]]
"""Each call plays the two channels from their start, in blocks (2, n): reference, measurement."""
Progress = Callable[[float], None]

SHORTEST_S = 2048 / 48_000
"""The window for high frequencies, to the nearest power of two in samples."""
OCTAVES = 6
"""The longest window is the shortest doubled so often: 2.7 s."""
SMALLEST = 7
"""The shortest window is 2⁷ samples at least: what it serves then begins below half the rate."""
PERIODS = 55.0
"""A window holds at least so many periods of the frequencies it serves, where there is time
enough: its resolution is then 1/25 octave or finer. Common practice, no source."""
WINDOWS_MIN = 16
"""Fewer windows say too little about coherence. Common practice, no source."""
SEARCH_S = 4.0
"""The delay is searched with windows of this length at least, where there is time enough."""
HAND_OVER_OCTAVE = 1.0 / 3.0
LOWEST_HZ = 10.0
HIGHEST_OF_RATE = 0.49
SILENT = 1e-14
"""The reference 140 dB below its strongest frequency holds nothing there."""
LEAD_MS = 0.2
"""A measurement that leads by more is taken for the reference. Common practice, no source."""
SEARCH_SHARE = 0.3
"""Of the time that both passes take, roughly."""


class Channels(Struct, frozen=True):
    """Which channel of the file is which, counted from 1, and whether both were named."""

    reference: int
    measured: int
    both_named: bool = False


def captured_from_two_channels(
    programme: Programme,
    *,
    sample_rate_hz: float,
    frames: int,
    channels: Channels,
    progress: Progress | None = None,
) -> CapturedResponse:
    """H1 and coherence from reference to measurement, `frames` samples long, on a grid.

    The grid is 20·2^(k/96) Hz from 10 Hz, or 3/(longest window), to below 0.49 of the rate.
    `delay_ms` is the delay found, the phase is without it. Raises `Refused` for less than about
    1.5 s, a silent channel, a measurement that leads (unless both channels were named), and for
    channels that have nothing in common.
    """
    lengths = window_lengths(frames, sample_rate_hz)
    tell = progress or (lambda done: None)
    search = CrossSpectra(_search_length(frames, sample_rate_hz))
    alike = True
    for block in _told(programme(), frames, lambda part: tell(SEARCH_SHARE * part)):
        search.add(block)
        alike = alike and np.array_equal(block[0], block[1])
    _refuse_silence(search, channels)
    lag, repeats = whole_delay(search), repeats_after(search, sample_rate_hz=sample_rate_hz)
    reach_s = REACH * search.length / sample_rate_hz
    del search
    lengths = window_lengths(frames - abs(lag), sample_rate_hz)
    parts = [_Part.of(length, lengths, sample_rate_hz) for length in lengths]
    fine = CrossSpectra(min(lengths[0], 4 * lengths[-1]))
    played = _told(
        programme(), frames, lambda part: tell(SEARCH_SHARE + (1.0 - SEARCH_SHARE) * part)
    )
    for block in aligned(played, lag):
        for part in parts:
            part.spectra.add(block)
        fine.add(block)
    rest = fine_delay(fine)
    delay_ms = 1000.0 * (lag + rest) / sample_rate_hz
    frequency_hz = _grid(max(lengths), sample_rate_hz)
    h1, coherence, heard = _stitched(parts, frequency_hz, sample_rate_hz)
    if not np.any(coherence[heard] >= TRUSTED_FROM):
        raise Refused.at(
            "",
            f"channels {channels.reference} and {channels.measured} have nothing in common that "
            f"could be found within ±{show_ms(1000.0 * reach_s, 0)}: the coherence reaches "
            f"{TRUSTED_FROM} nowhere; check that one is the signal that was played and the other "
            "the microphone, and that they were recorded together",
        )
    lead = _lead(delay_ms, channels, repeats=repeats is not None)
    h1 = h1[heard] * np.exp(2j * np.pi * frequency_hz[heard] * (rest / sample_rate_hz))
    with np.errstate(divide="ignore"):
        magnitude_db = 20.0 * np.log10(np.abs(h1))
    said = [
        f"channel {channels.measured} measured against channel {channels.reference} over "
        f"{plain(frames / sample_rate_hz, 1)} s: averaged cross-spectra (H1); level relative, "
        "0 dB where both are alike",
        f"the delay between the channels, {show_ms(delay_ms, 3)}, was taken out for the analysis "
        "and put back",
        *lead,
        _windows_sentence(parts, sample_rate_hz),
    ]
    if repeats is not None:
        said.append(
            f"the programme repeats itself after {show_ms(1000.0 * repeats / sample_rate_hz)}"
            ", so the delay may be wrong by as much: noise or music tells it for certain"
        )
    if alike:
        said.append("both channels hold the same samples: is the reference recorded twice?")
    if not heard.all():
        said.append(
            f"{np.count_nonzero(~heard)} points where the reference holds no signal are left out"
            f" ({bands(frequency_hz, ~heard)})"
        )
    finite = np.isfinite(magnitude_db)
    return CapturedResponse(
        frequency_hz=frequency_hz[heard],
        magnitude_db=magnitude_db,
        phase_deg=wrapped_deg(np.angle(h1, deg=True)),
        coherence=coherence[heard],
        delay_ms=delay_ms,
        understood=tuple(said),
    ).at(finite)


def window_lengths(frames: int, sample_rate_hz: float) -> tuple[int, ...]:
    """The windows in samples, longest first: powers of two, each at least 16 times in `frames`.

    Raises `Refused` where even the third of them does not fit.
    """
    shortest = round(np.log2(SHORTEST_S * sample_rate_hz))
    doubled = [1 << power for power in range(shortest + OCTAVES, max(shortest, SMALLEST) - 1, -1)]
    lengths = tuple(one for one in doubled if windows_in(frames, one) >= WINDOWS_MIN)
    if len(lengths) < 3:
        needed_s = (WINDOWS_MIN + 1) / 2 * doubled[-3] / sample_rate_hz
        raise Refused.at(
            "",
            f"{plain(max(frames, 0) / sample_rate_hz, 2)} s in common are too short: at least "
            f"{plain(needed_s, 1)} s are needed, and half a minute is better",
        )
    return lengths


def aligned(blocks: Iterable[Array], lag: int) -> Iterator[Array]:
    """The blocks (2, n) with the second row `lag` samples earlier, as long as both are there."""
    behind = np.zeros((2, 0))
    late, early = (1, 0) if lag >= 0 else (0, 1)
    skip = abs(lag)
    for block in blocks:
        joined = np.concatenate([behind, block], axis=1) if behind.size else block
        ready = joined.shape[1] - skip
        if ready > 0:
            pair = np.empty((2, ready))
            pair[early], pair[late] = joined[early, :ready], joined[late, skip:]
            yield pair
            behind = joined[:, ready:].copy()
        else:
            behind = joined.copy()


class _Part(Struct, eq=False):
    """One window length and the range that it serves, its upper edge above all for the last."""

    spectra: CrossSpectra
    from_hz: float
    to_hz: float

    @classmethod
    def of(cls, length: int, lengths: tuple[int, ...], rate_hz: float) -> _Part:
        from_hz = 0.0 if length == lengths[0] else PERIODS * rate_hz / length
        to_hz = np.inf if length == lengths[-1] else 2.0 * PERIODS * rate_hz / length
        margin = 2.0 ** (HAND_OVER_OCTAVE / 2 + 1.0 / POINTS_PER_OCTAVE)
        last = length // 2 + 1
        first = max(0, int(from_hz / margin * length / rate_hz) - 1)
        stop = last if np.isinf(to_hz) else min(last, int(to_hz * margin * length / rate_hz) + 3)
        return cls(CrossSpectra(length, first, stop), from_hz, to_hz)

    def weight(self, frequency_hz: Array) -> Array:
        """One in its range; half a cosine over a third of an octave to the neighbours."""
        weight = np.ones(frequency_hz.size)
        for edge_hz, sign in ((self.from_hz, 1.0), (self.to_hz, -1.0)):
            if 0.0 < edge_hz < np.inf:
                place = sign * np.log2(frequency_hz / edge_hz) / HAND_OVER_OCTAVE + 0.5
                weight *= 0.5 - 0.5 * np.cos(np.pi * np.clip(place, 0.0, 1.0))
        return weight


def _stitched(
    parts: list[_Part], frequency_hz: Array, rate_hz: float
) -> tuple[Complex, Array, NDArray[np.bool_]]:
    """H1 and coherence on the grid, and where the reference holds any signal."""
    h1 = np.zeros(frequency_hz.size, np.complex128)
    coherence, level = np.zeros(frequency_hz.size), np.zeros(frequency_hz.size)
    for part in parts:
        weight = part.weight(frequency_hz)
        used = weight > 0.0
        at_hz, spectra = frequency_hz[used], part.spectra
        bins_hz = spectra.frequency_hz(rate_hz)
        own = slice(1, None) if bins_hz[0] == 0.0 else slice(None)

        def mean(values: Array, bins_hz: Array = bins_hz[own], at_hz: Array = at_hz) -> Array:
            return power_smooth(bins_hz, values, fraction=POINTS_PER_OCTAVE, at_hz=at_hz)

        xx, xy = mean(spectra.xx[own]), mean(spectra.xy.real[own]) + 1j * mean(spectra.xy.imag[own])
        own_h1 = np.divide(xy, xx, out=np.zeros_like(xy), where=xx > 0.0)
        h1[used] += weight[used] * own_h1
        coherence[used] += weight[used] * mean(spectra.coherence()[own])
        # Mean square of the windowed reference by window: a density that all lengths share.
        level[used] += weight[used] * xx / (spectra.count * spectra.length)
    heard = level > SILENT * level.max()
    return h1, np.clip(coherence, 0.0, 1.0), heard & (h1 != 0.0)


def _grid(longest: int, rate_hz: float) -> Array:
    low_hz = max(LOWEST_HZ, USABLE_PERIODS * rate_hz / longest)
    first = int(np.ceil(POINTS_PER_OCTAVE * np.log2(low_hz / ORIGIN_HZ) - 1e-9))
    high_hz = HIGHEST_OF_RATE * rate_hz
    last = int(np.floor(POINTS_PER_OCTAVE * np.log2(high_hz / ORIGIN_HZ) - 1e-9))
    return np.asarray(ORIGIN_HZ * 2.0 ** (np.arange(first, last + 1) / POINTS_PER_OCTAVE))


def _search_length(frames: int, rate_hz: float) -> int:
    """A power of two, at least 4 s where eight half-overlapping windows of it fit."""
    wanted = 1 << int(np.ceil(np.log2(SEARCH_S * rate_hz)))
    while windows_in(frames, wanted) < WINDOWS_MIN // 2:
        wanted //= 2
    return wanted


def _refuse_silence(search: CrossSpectra, channels: Channels) -> None:
    for power, channel, what in (
        (search.xx, channels.reference, "reference"),
        (search.yy, channels.measured, "measurement"),
    ):
        if not power.any():
            raise Refused.at("", f"the {what}, channel {channel}, is silent: there is no signal")


def _lead(delay_ms: float, channels: Channels, *, repeats: bool) -> tuple[str, ...]:
    """Nothing where the measurement comes later; else a refusal, or a sentence if both named."""
    if delay_ms >= -LEAD_MS:
        return ()
    if repeats:
        raise Refused.at(
            "",
            "the programme repeats itself, as a tone or a loop does, so the delay between the "
            "channels cannot be told; play noise or music and record again",
        )
    said = (
        f"the measurement, channel {channels.measured}, comes {show_ms(-delay_ms, 3)} before the "
        f"reference, channel {channels.reference}"
    )
    if channels.both_named:
        return (f"{said}: both channels are taken as they were named",)
    raise Refused.at(
        "",
        f"{said}, so the two look exchanged: take --reference {channels.measured}, or, where it is "
        f"so by intent, name both with --reference {channels.reference} "
        f"--channel {channels.measured}",
    )


def _windows_sentence(parts: list[_Part], rate_hz: float) -> str:
    first, last = parts[0], parts[-1]

    def window(part: _Part) -> str:
        return show_ms(1000.0 * part.spectra.length / rate_hz, 0)

    chance = coherence_by_chance(first.spectra.count)
    return (
        f"Hann windows overlapping by half: {window(first)} ({first.spectra.count} of them) below "
        f"{show_hz(first.to_hz)}, halved at every octave up to {window(last)} "
        f"({last.spectra.count}) from {show_hz(last.from_hz)} on; without any common signal the "
        f"coherence would read up to {plain(chance, 2)} below {show_hz(first.to_hz)} by chance"
    )


def _told(blocks: Iterable[Array], frames: int, tell: Progress) -> Iterator[Array]:
    done = 0
    for block in blocks:
        yield block
        done += block.shape[1]
        tell(min(1.0, done / frames))
