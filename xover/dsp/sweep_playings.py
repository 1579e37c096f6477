"""What was played, and every playing of it in a recording, with its marks and its clock.

A playing is known by its direct sound; what its file's marks say of time and clock goes with it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from xover.dsp.deconvolution import Excitation, SampledExcitation, SweepExcitation
from xover.dsp.sweep_search import Found, Recording, arrival, true_rate_hz
from xover.model.problems import Refused
from xover.model.signals import Play, SignalNote
from xover.model.units import plain, show_ms

Array = NDArray[np.float64]

LONGEST_S = 6.0
"""The longest tail that is kept of a response. Our own choice."""
MARK_WITHIN_S = 0.25
"""A mark is looked for so far about where the schedule puts it."""
MARK_FOUND_DB = 18.0
"""A mark counts where its correlation stands this far above the median about it. Our own choice:
a sweep that comes by stays below 15 dB."""
CLOCK_PPM_MAX = 250.0
"""Marks further off their distance than this are not those of the file named. Our own choice."""
CUT_DB = -4.0
"""A sweep that is cut off counts where no whole one comes this close. Our own choice."""


class Played(Struct, frozen=True):
    """What was played: one sweep of a file with a note, or samples without one."""

    excitation: Excitation
    play: Play | None = None
    note: SignalNote | None = None
    level_dbfs: float = 0.0
    """The level of the excitation, as that of a sine (of its rms for anything but a sweep)."""

    @property
    def takes(self) -> int:
        """How many sweeps the file holds."""
        return 1 if self.note is None else len(self.note.sweeps())

    @property
    def marks(self) -> tuple[Play, ...]:
        """The file's timing marks."""
        return () if self.note is None else self.note.marks()

    def gap_s(self) -> float:
        """The silence after this sweep in its file, s."""
        if self.play is None or self.note is None:
            return LONGEST_S
        end = self.play.at_sample + self.play.shape.duration_s * self.note.sample_rate_hz
        later = [one.at_sample for one in self.note.plays if one.at_sample >= end]
        if not later:
            return LONGEST_S
        return float(min(later) - end) / self.note.sample_rate_hz


def sweep_of(note: SignalNote, take: int) -> Played:
    """The sweep number `take`, from 0, of a file with a note."""
    play = note.sweeps()[take]
    amplitude = 10.0 ** (note.level_dbfs / 20.0)
    return Played(SweepExcitation(play.shape, amplitude), play, note, note.level_dbfs)


def samples_of(samples: Array, sample_rate_hz: float) -> Played:
    """Any audio as the excitation, silence at its ends left out."""
    level = np.abs(samples)
    loud = np.flatnonzero(level > 1e-6 * level.max()) if samples.size else np.zeros(0, int)
    if loud.size < 64:
        raise Refused.at("", "it is silent, so nothing can be deconvolved by it")
    sound = samples[loud[0] : loud[-1] + 1]
    level_dbfs = 10.0 * float(np.log10(2.0 * np.mean(sound**2)))
    return Played(SampledExcitation(sound, sample_rate_hz), level_dbfs=level_dbfs)


class Playing(Struct, frozen=True):
    """One playing in the recording: where its direct sound stands, in samples."""

    sample: float
    first_mark: float | None = None
    last_mark: float | None = None
    rate_hz: float | None = None
    """The recorder's rate by the player's clock, from this playing's own marks."""
    off_s: float | None = None
    """How much further apart two marks seem to stand than any clock could make them."""

    @property
    def marks(self) -> int:
        """How many of the file's marks are heard about it."""
        return (self.first_mark is not None) + (self.last_mark is not None)


def not_found(played: Played) -> str:
    """The sentence for a recording that does not hold it."""
    length = f"the sweep of {plain(played.excitation.duration_s, 1)} s"
    return (
        f"{length} is not in this recording: it is too noisy, another signal, or another channel; "
        "listen to it, and name the file that was played"
    )


def whole_starts(recording: Recording, excitation: Excitation, found: Sequence[Found]) -> list[int]:
    """Those that lie in the recording whole; refused where one that does not is the strongest."""
    rate_hz = recording.sample_rate_hz
    early = max(int(0.03 * rate_hz), int(0.005 * excitation.duration_s * rate_hz))
    length = int(excitation.duration_s * rate_hz)
    complete = [
        one
        for one in found
        if one.start >= -early and one.start + length <= recording.samples + early
    ]
    if any(one.level_db >= CUT_DB for one in complete):
        return [one.start for one in complete]
    start = max(found, key=lambda one: one.level_db).start
    if start < 0:
        raise Refused.at(
            "",
            f"the recording begins {plain(-start / rate_hz, 1)} s into the sweep, or holds "
            "another one; start the recorder first",
        )
    missing_s = (start + length - recording.samples) / rate_hz
    raise Refused.at(
        "",
        f"the recording ends {plain(missing_s, 1)} s before the sweep does, or holds another one; "
        "record to its end, and a second more",
    )


def playing_at(recording: Recording, played: Played, start: int, *, flat: bool) -> Playing:
    """One playing with the direct sound found, and the marks of its file where they are heard."""
    rate_hz = recording.sample_rate_hz
    direct = arrival(
        recording,
        played.excitation,
        about=start,
        within_s=0.04,
        sample_rate_hz=rate_hz,
        flat=flat,
    ).sample
    marks = played.marks
    if not marks or played.play is None or played.note is None:
        return Playing(direct)
    places: list[float | None] = []
    amplitude = 10.0 ** (played.note.level_dbfs / 20.0)
    for mark in (marks[0], marks[-1]):
        apart_s = (mark.at_sample - played.play.at_sample) / played.note.sample_rate_hz
        heard = arrival(
            recording,
            SweepExcitation(mark.shape, amplitude),
            about=direct + apart_s * rate_hz,
            within_s=MARK_WITHIN_S,
            sample_rate_hz=rate_hz,
            flat=flat,
        )
        away_s = abs(heard.sample - direct - apart_s * rate_hz) / rate_hz
        sure = (
            heard.prominence_db >= MARK_FOUND_DB
            and heard.sample > -0.01 * rate_hz
            and away_s < 0.98 * MARK_WITHIN_S
        )
        places.append(heard.sample if sure else None)
    first, last = places
    if first is None or last is None or len(marks) < 2:
        return Playing(direct, first, last)
    clock_hz = true_rate_hz(
        recording,
        first_sample=first,
        second_sample=last,
        apart_s=(marks[-1].at_sample - marks[0].at_sample) / played.note.sample_rate_hz,
        lasting_s=marks[0].shape.duration_s + 0.2,
    )
    if abs(clock_hz / rate_hz - 1.0) > 1e-6 * CLOCK_PPM_MAX:
        apart_s = (marks[-1].at_sample - marks[0].at_sample) / played.note.sample_rate_hz
        return Playing(direct, off_s=(clock_hz / rate_hz - 1.0) * apart_s)
    return Playing(direct, first, last, clock_hz)


def refuse_gap(playings: Sequence[Playing]) -> None:
    """Refuse where no mark counts because two that are heard stand at the wrong distance."""
    off_s = [one.off_s for one in playings if one.off_s is not None]
    if any(one.marks for one in playings) or not off_s:
        return
    way = "further apart" if off_s[0] > 0.0 else "nearer together"
    raise Refused.at(
        "",
        f"the timing marks stand {show_ms(1000.0 * abs(off_s[0]), 1)} {way} than they were played: "
        "the recording has a gap, another sweep was played than the one named, or a file's sample "
        "rate is not what its header says",
    )


def recorder_clock(recording: Recording, playings: Sequence[Playing]) -> tuple[float, str, bool]:
    """The recorder's rate by the player's clock, what there is to say, whether it is known."""
    rate_hz = recording.sample_rate_hz
    # A distance far off its schedule is another sweep's, and was not taken for the marks'.
    told = [one.rate_hz for one in playings if one.rate_hz is not None]
    if not told:
        return rate_hz, "", False
    clock_hz = float(np.mean(told))
    ppm = 1e6 * (clock_hz / rate_hz - 1.0)
    if abs(ppm) < 0.05:
        return rate_hz, "player and recorder run on one clock, by the timing marks", True
    return (
        clock_hz,
        f"the recorder's clock runs {ppm_said(ppm)} against the player's, by the timing marks, and "
        "is corrected",
        True,
    )


def ppm_said(value: float) -> str:
    """A clock difference in words."""
    way = "fast" if value > 0.0 else "slow"
    return f"{plain(abs(value), 1)} ppm {way}"
