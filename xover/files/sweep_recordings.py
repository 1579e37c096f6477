"""Recordings of a played sweep at the edge: which file was played, which take, which channel.

The recording is read piece by piece, as often as needed; only what was played is held whole.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Literal

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from xover.dsp.captured import CapturedResponse, corrected
from xover.dsp.sweep_capture import capture
from xover.dsp.sweep_playings import Played, samples_of, sweep_of
from xover.files.audio import SAMPLES_MAX, AudioFile, Progress, chosen_channel, open_audio
from xover.files.signal_files import read_note
from xover.model.names import find, listed
from xover.model.problems import Refused
from xover.model.signals import SignalNote
from xover.model.units import plain, show_hz, show_ms

Array = NDArray[np.float64]

BROADBAND = ("pink", "click", "polarity")
"""Signals of ours without a sweep that a recording can be divided by all the same."""
LOOP_WITHIN_MS = 10_000.0
"""Measurement and loop-back are one playing where they stand no further apart."""


class SweepAnswers(Struct, frozen=True):
    """Which sweep a recording is of: `path` is the file that was played, `take` a part of it.

    `take` is a number from 1 or an output's name; `time_zero` "file" says that the recorder
    started with the file, sample for sample.
    """

    path: str
    take: str | None = None
    time_zero: Literal["direct", "file"] = "direct"


class _Channel(Struct, frozen=True, eq=False):
    """One channel of an open recording, for the engine to read from."""

    file: AudioFile
    channel: int

    @property
    def samples(self) -> int:
        return self.file.frames

    @property
    def sample_rate_hz(self) -> float:
        return self.file.sample_rate_hz

    def read(self, start: int, count: int) -> Array:
        piece = np.zeros(count)
        first, last = max(start, 0), min(start + count, self.samples)
        if last > first:
            piece[first - start : last - start] = self.file.piece(first, last - first)[
                self.channel - 1
            ]
        return piece


@contextmanager
def _about_what_was_played() -> Iterator[None]:
    """Faults without a place of their own are said of the file that was played."""
    try:
        yield
    except Refused as refused:
        raise Refused(
            fault if fault.where else type(fault)("--sweep", f"{fault.message}")
            for fault in refused.faults
        ) from None


def read_played(said: SweepAnswers) -> tuple[Played, tuple[str, ...]]:
    """What was played, and what was understood of its file. Raises `Refused`."""
    with _about_what_was_played(), open_audio(said.path) as file:
        noted = read_note(said.path, file)
        if noted is not None and noted[0].kind in BROADBAND:
            noted = None  # divided by its samples, as any other file is
        if noted is None:
            if said.take is not None:
                raise Refused.at(
                    file.name, "there is no note on this file's takes, so --take does not apply"
                )
            if file.frames * file.channel_count > SAMPLES_MAX:
                raise Refused.at(file.name, "this is too long for a sweep; name the file played")
            samples = np.concatenate([block[0] for block in file.blocks()])
            few = "" if file.channel_count == 1 else ", its first channel"
            played = samples_of(samples, file.sample_rate_hz)
            return played, (
                f"played: {file.name}{few}, a signal without a note, divided by its samples "
                f"({plain(played.excitation.duration_s, 2)} s at {show_hz(file.sample_rate_hz)})",
            )
        note, where = noted
        if not note.sweeps():
            raise Refused.at(
                file.name,
                f"this is no sweep but {note.text or note.kind}; no response can be had from that",
            )
        take = _take(note, said.take, file.name)
        shape = note.sweeps()[take].shape
        which = "" if len(note.sweeps()) == 1 else f", take {take + 1}"
        output = note.sweeps()[take].output
        which += "" if output is None else f" ({output})"
        return sweep_of(note, take), (
            f"played: {file.name}{which}, a sweep from {show_hz(shape.start_hz)} to "
            f"{show_hz(shape.stop_hz)} in {plain(shape.duration_s, 2)} s, by {where}",
        )


def _take(note: SignalNote, asked: str | None, name: str) -> int:
    sweeps = note.sweeps()
    names = [play.output for play in sweeps if play.output is not None]
    if asked is None:
        if len(sweeps) > 1:
            known = listed(names) if names else f"1 to {len(sweeps)}"
            raise Refused.at(name, f"it holds {len(sweeps)} takes ({known}); say which with --take")
        return 0
    if asked.isdecimal() and asked not in names:
        number = int(asked)
        if not 1 <= number <= len(sweeps):
            raise Refused.at(name, f"there is no take {number}; it holds {len(sweeps)}")
        return number - 1
    if not names:
        raise Refused.at(name, f"its takes have no names; say 1 to {len(sweeps)} with --take")
    found = find(names, asked, kind="take")
    return next(index for index, play in enumerate(sweeps) if play.output == found)


def take_names(path: str) -> tuple[str, ...]:
    """The outputs that a sweep file holds takes of, in their order; none where it has no note."""
    with _about_what_was_played(), open_audio(path) as file:
        noted = read_note(path, file)
    return () if noted is None else tuple(one.output or "" for one in noted[0].sweeps())


def read_recording(
    file: AudioFile,
    said: SweepAnswers,
    *,
    channel: int | None = None,
    reference: int | None = None,
    window_ms: float | None = None,
    progress: Progress | None = None,
) -> CapturedResponse:
    """The response from an open recording of a sweep, and what was understood.

    `channel` and `reference` count from 1; the reference is a loop-back of the same playing: it
    is divided out, and its time is time zero. Raises `Refused`.
    """
    played, understood = read_played(said)
    told: Progress = progress or (lambda share: None)
    if file.frames == 0:
        raise Refused.at(file.name, "the file holds no samples")
    count = file.channel_count
    if reference is not None and channel is None and count == 2:
        channel = 3 - chosen_channel(file.name, reference, count)
    channel = chosen_channel(file.name, channel, count)
    for _ in file.blocks(progress=lambda share: told(0.2 * share)):
        pass  # once through: silence, clipping, what is no number, a file cut short
    file.refuse_unusable(channel)
    part = 0.8 if reference is None else 0.4
    direct = capture(
        _Channel(file, channel),
        played,
        time_zero=said.time_zero if reference is None else "file",
        window_ms=window_ms,
        progress=lambda share: told(0.2 + part * share),
    )
    which = () if count == 1 else (f"channel {channel} of the recording",)
    direct = replace(direct, understood=(*file.understood, *understood, *which, *direct.understood))
    if reference is None:
        return direct
    if chosen_channel(file.name, reference, count) == channel:
        raise Refused.at(
            file.name, f"channel {channel} cannot be measurement and loop-back at once"
        )
    file.refuse_unusable(reference)
    try:
        loop = capture(
            _Channel(file, reference),
            played,
            time_zero="file",
            progress=lambda share: told(0.6 + part * share),
        )
    except Refused as refused:
        raise Refused(
            type(fault)(fault.where, f"loop-back, channel {reference}: {fault.message}")
            for fault in refused.faults
        ) from None
    return _against_loop(direct, loop, reference)


def _against_loop(
    direct: CapturedResponse, loop: CapturedResponse, reference: int
) -> CapturedResponse:
    later_ms = direct.delay_ms - loop.delay_ms
    if abs(later_ms) > LOOP_WITHIN_MS:
        raise Refused.at(
            "", "measurement and loop-back hold different playings; cut the recording to one"
        )
    kept = tuple(s for s in direct.understood if not s.startswith("time zero is"))
    divided = corrected(replace(direct, understood=()), replace(loop, delay_ms=0.0))
    return replace(
        divided,
        delay_ms=later_ms,
        played_dbfs=None,
        shares_time=True,
        is_clipped=direct.is_clipped or loop.is_clipped,
        understood=(
            *kept,
            f"time zero is the loop-back's on channel {reference}, whose response, the "
            f"interface's, is taken out; bulk delay {show_ms(later_ms, 3)}",
        ),
    )
