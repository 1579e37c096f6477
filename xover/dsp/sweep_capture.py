"""A recording of a played excitation, from its samples to a captured response.

Finds every playing, settles the clocks, divides, averages, gates. Time zero is never guessed:
it is a timing mark's arrival, the start of the file, or nothing but the direct sound, and said.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from xover.dsp.captured import CapturedResponse, SweepFindings, wrapped_deg
from xover.dsp.deconvolution import (
    Deconvolver,
    Excitation,
    delay_between,
)
from xover.dsp.gating import Gated, Harmonic, gated, harmonics
from xover.dsp.sweep import good_length
from xover.dsp.sweep_findings import (
    distortion_said,
    kept_said,
    percent,
    refuse_another_rate,
    refuse_another_sweep,
    usable_range,
)
from xover.dsp.sweep_playings import (
    LONGEST_S,
    Played,
    Playing,
    not_found,
    playing_at,
    ppm_said,
    recorder_clock,
    refuse_gap,
    samples_of,
    sweep_of,
    whole_starts,
)
from xover.dsp.sweep_search import (
    UNSURE_PPM,
    Progress,
    Recording,
    Samples,
    centred,
    drift_ppm,
    find,
    silent_progress,
)
from xover.model.problems import Refused
from xover.model.signals import SignalNote
from xover.model.units import plain, show_hz, show_ms

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
TimeZero = Literal["direct", "file"]

FULL_SCALE = 0.9995
CLIPPED_MAX = 0.3
"""From so much of a sweep at full scale on nothing can be had of it. common practice, no source."""


def deconvolve(
    samples: Array,
    sweep: SignalNote | Array,
    *,
    sample_rate_hz: float,
    sweep_rate_hz: float | None = None,
    take: int = 0,
    time_zero: TimeZero = "direct",
    window_ms: float | None = None,
) -> CapturedResponse:
    """The response from a recording (n,) of a sweep, as `capture` has it from a file.

    `sweep` is the note of a signal of ours, whose sweep number `take` counts, or the samples (m,)
    of any broadband excitation at `sweep_rate_hz` (the recording's without it). 0 dB is recorded
    as loud as played. Raises `Refused`.
    """
    if isinstance(sweep, SignalNote):
        if not 0 <= take < len(sweep.sweeps()):
            raise Refused.at("", f"there is no take {take}; the signal holds {len(sweep.sweeps())}")
        played = sweep_of(sweep, take)
    else:
        played = samples_of(np.asarray(sweep, np.float64), sweep_rate_hz or sample_rate_hz)
    recording = Samples(np.asarray(samples, np.float64), sample_rate_hz)
    return capture(recording, played, time_zero=time_zero, window_ms=window_ms)


def capture(
    recording: Recording,
    played: Played,
    *,
    time_zero: TimeZero = "direct",
    window_ms: float | None = None,
    progress: Progress = silent_progress,
) -> CapturedResponse:
    """The response to `played` from a recording of it, and what was understood.

    0 dB is recorded as loud as played. With several takes in the played file time zero is the
    timing mark's arrival; with `time_zero` "file" the recorder is taken to have started with the
    file, sample for sample; else the direct sound is put at 0 and no time is shared. `window_ms`
    keeps so much after the direct sound of every octave. Raises `Refused`, one sentence for each
    way in which there is nothing to be had.
    """
    excitation = played.excitation
    rate_hz = recording.sample_rate_hz
    if recording.samples < 0.9 * excitation.duration_s * rate_hz:
        raise Refused.at(
            "",
            f"the recording lasts {plain(recording.samples / rate_hz, 1)} s, the sweep "
            f"{plain(excitation.duration_s, 1)} s: record all of it, and a second more",
        )
    if excitation.reach.low_hz > 0.45 * rate_hz:
        raise Refused.at("", f"at {show_hz(rate_hz)} the recording holds nothing of the sweep")
    flat = False
    found = find(recording, excitation, progress=lambda share: progress(0.6 * share))
    if not found:
        flat = True
        found = find(
            recording, excitation, flat=True, progress=lambda share: progress(0.6 + 0.2 * share)
        )
    if not found:
        raise Refused.at("", not_found(played))
    starts = whole_starts(recording, excitation, found)
    said: list[str] = []
    playings = [playing_at(recording, played, start, flat=flat) for start in starts]
    refuse_gap(playings)
    # A mark, or the sweep of another take, may look like the sweep; its own marks settle it.
    heard = max(one.marks for one in playings)
    playings = [one for one in playings if one.marks == heard]
    if played.takes > 1:
        playings = [one for one in playings if one.first_mark is not None]
        if not playings:
            raise Refused.at(
                "",
                "the timing mark was not found at its distance before this sweep, so the takes "
                "share no time; record its source loud enough, from before the mark to the end",
            )
    clock_hz, clock_said, known = recorder_clock(recording, playings)
    progress(0.85)
    longest_s = _tail_s(recording, played, playings, clock_hz)
    work = _divide(recording, excitation, playings, clock_hz, longest_s)
    if len(playings) > 1:
        said.append(f"{len(playings)} playings of the sweep found, aligned and averaged")
    share = work.clipped
    if share > CLIPPED_MAX:
        raise Refused.at(
            "",
            f"{plain(100.0 * share, 0)} % of the sweep's samples stand at full scale, it is "
            "clipped throughout; lower the recorder's gain and record again",
        )
    if excitation.rate_s is not None:
        refuse_another_rate(work.deconvolver.frequency_hz, work.response)
    result = work.gate(longest_s, window_ms)
    refuse_another_sweep(result, excitation)
    if not known:
        seen_ppm = drift_ppm(result, excitation)
        if seen_ppm is not None and abs(seen_ppm) >= UNSURE_PPM:
            clock_hz = rate_hz * (1.0 + 1e-6 * seen_ppm)
            work = _divide(recording, excitation, playings, clock_hz, longest_s)
            result = work.gate(longest_s, window_ms)
            clock_said = (
                f"the recorder's clock seems to run about {ppm_said(seen_ppm)} against the "
                "player's, read from the response itself, and is corrected; timing marks would "
                "tell exactly"
            )
        elif seen_ppm is not None:
            clock_said = f"no clock difference is seen (below {plain(UNSURE_PPM, 0)} ppm)"
    progress(0.95)
    if clock_said:
        said.append(clock_said)
    if share > 0.0:
        said.append(
            f"{percent(share)} of the sweep's samples stand at full scale: the recording is "
            "clipped, and the response is wrong where it is; lower the gain and record again"
        )
    usable, signal_to_noise_db = usable_range(result)
    zero_said, delay_ms, shares = _time(played, playings, clock_hz, time_zero)
    distortion = () if excitation.rate_s is None else work.harmonics(result)
    said += [
        zero_said,
        f"kept after the direct sound until noise: {kept_said(result.octaves)}"
        if window_ms is None
        else f"kept after the direct sound: {show_ms(window_ms, 1)}, the last fifth fading out",
        f"noise {plain(signal_to_noise_db, 0)} dB below the response on average; usable from "
        f"{show_hz(float(result.frequency_hz[usable][0]))} to "
        f"{show_hz(float(result.frequency_hz[usable][-1]))}, the rest left out",
    ]
    if excitation.rate_s is not None:
        said.append(distortion_said(distortion))
    if window_ms is not None:
        usable &= result.frequency_hz >= 3_000.0 / window_ms
        if not usable.any():
            raise Refused.at("", "the window leaves no points; take a longer one")
    frequency_hz, value = result.frequency_hz[usable], result.response[usable]
    progress(1.0)
    return CapturedResponse(
        frequency_hz=frequency_hz,
        magnitude_db=20.0 * np.log10(np.maximum(np.abs(value), 1e-45)),
        phase_deg=wrapped_deg(np.angle(value, deg=True)),
        delay_ms=delay_ms,
        understood=tuple(said),
        shares_time=shares,
        is_clipped=share > 0.0,
        played_dbfs=played.level_dbfs,
        sweep=SweepFindings(
            playings=len(playings),
            clock_ppm=1e6 * (clock_hz / rate_hz - 1.0) if known or clock_hz != rate_hz else None,
            clipped_percent=100.0 * share,
            signal_to_noise_db=signal_to_noise_db,
            distortion=tuple(
                (one.order, float(at_hz), float(20.0 * np.log10(ratio)) if ratio > 0.0 else None,
                 float(20.0 * np.log10(floor)))
                for one in distortion
                for at_hz, ratio, floor in zip(one.frequency_hz, one.ratio, one.floor, strict=True)
                if np.isfinite(ratio) and floor > 0.0
            ),
        ),
    )  # fmt: skip


def _tail_s(
    recording: Recording, played: Played, playings: Sequence[Playing], clock_hz: float
) -> float:
    """How long after the sweep nothing else comes, at most 6 s."""
    length = played.excitation.duration_s * clock_hz
    starts = sorted(one.sample for one in playings)
    ends = [*starts[1:], float(recording.samples)]
    rooms = [(end - start - length) / clock_hz for start, end in zip(starts, ends, strict=True)]
    return float(np.clip(min([*rooms, played.gap_s()]), 0.05, LONGEST_S))


class _Work(Struct, frozen=True, eq=False):
    """The divided response with the direct sound at time 0."""

    deconvolver: Deconvolver
    response: Complex
    clipped: float
    """The part of the sweep's samples at full scale."""

    def gate(self, longest_s: float, window_ms: float | None) -> Gated:
        work = self.deconvolver
        return gated(
            self.response,
            sample_rate_hz=work.sample_rate_hz,
            length=work.length,
            ends=work.reach,
            rate_s=work.excitation.rate_s,
            longest_s=longest_s,
            fixed_s=None if window_ms is None else 1e-3 * window_ms,
        )

    def harmonics(self, result: Gated) -> tuple[Harmonic, ...]:
        work = self.deconvolver
        assert work.excitation.rate_s is not None
        return harmonics(
            self.response,
            result,
            sample_rate_hz=work.sample_rate_hz,
            length=work.length,
            ends=work.reach,
            rate_s=work.excitation.rate_s,
        )


def _divide(
    recording: Recording,
    excitation: Excitation,
    playings: Sequence[Playing],
    clock_hz: float,
    longest_s: float,
) -> _Work:
    """The mean response of all playings, each turned so that the direct sound is at time 0."""
    ahead = int(0.1 * clock_hz)
    count = ahead + int(np.ceil((excitation.duration_s + longest_s) * clock_hz))
    length = good_length(count)
    work = Deconvolver(excitation, sample_rate_hz=clock_hz, length=length)
    total = np.zeros(length // 2 + 1, dtype=np.complex128)
    full, sounding = 0, 0
    first: Array | None = None
    lasting = ahead + int(excitation.duration_s * clock_hz)
    for one in playings:
        start = int(one.sample) - ahead
        full += int(np.count_nonzero(np.abs(recording.read(start, lasting)) >= FULL_SCALE))
        block = centred(recording, start, count)
        sounding += lasting - ahead
        at_s = (one.sample - start) / clock_hz
        if first is None:
            first, at_first_s = block, at_s
        else:
            at_s = at_first_s + delay_between(first, block, sample_rate_hz=clock_hz)
        turn = np.exp(2j * np.pi * at_s * work.frequency_hz)
        total += work.response(block) * turn
    # Three samples at the top of a sine are no clipping.
    share = full / sounding if full > 3 else 0.0
    return _Work(work, total / len(playings), share)


def _time(
    played: Played,
    playings: Sequence[Playing],
    clock_hz: float,
    time_zero: TimeZero,
) -> tuple[str, float, bool]:
    """What time zero is, as a sentence; the delay against it, ms; whether others may share it."""
    one = playings[0]
    note, play = played.note, played.play
    if played.takes > 1:
        assert note is not None and play is not None and one.first_mark is not None  # noqa: PT018
        apart_s = (play.at_sample - note.marks()[0].at_sample) / note.sample_rate_hz
        delay_ms = 1000.0 * ((one.sample - one.first_mark) / clock_hz - apart_s)
        return (
            "time zero is the arrival of the timing mark: all takes of this recording share it",
            delay_ms,
            True,
        )
    if time_zero == "file":
        begins_s = 0.0 if note is None or play is None else play.at_sample / note.sample_rate_hz
        delay_ms = 1000.0 * (one.sample / clock_hz - begins_s)
        return (
            "time zero is the start of the recording, taken to have started with the sweep file",
            delay_ms,
            True,
        )
    return (
        "time zero is arbitrary without a timing mark or a loop-back: the direct sound, the peak "
        "of the impulse response, is put at 0, and the trace shares no time with others",
        0.0,
        False,
    )
