"""Audio files at the edge: samples as floating point, one row a channel, or a sentence.

Anything libsndfile reads, whole or block by block in bounded memory. What is cut short, empty,
silent, clipped throughout or holds something that is no number is refused: a response computed
from it would look like a measurement.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, BinaryIO

import numpy as np
from msgspec import Struct, field
from numpy.typing import NDArray

from xover.files.audio_headers import check_length
from xover.files.audio_headers import looks_like_audio as looks_like_audio
from xover.files.paths import file_name, open_seekable
from xover.model.problems import Refused
from xover.model.units import plain, show_hz

if TYPE_CHECKING:
    import soundfile

Array = NDArray[np.float64]
Progress = Callable[[float], None]
"""Called with the part that is done, 0 to 1; whatever it raises ends the reading."""

BYTES_MAX = 1024 * 1024 * 1024
"""The most that is read of a file that is held in memory whole."""
STREAM_BYTES_MAX = 64 * BYTES_MAX
"""The most of a file that is read block by block."""
SAMPLES_MAX = 64 * 1024 * 1024
"""The most samples of all channels together that are held at once: half a gigabyte."""
CHANNELS_MAX = 256
BLOCK_SAMPLES = 1 << 18
"""Samples of all channels together in one block: two megabytes."""
RATE_HZ = (1_000.0, 2_000_000.0)
CLIPPED_FROM = 0.99
CLIPPED_MAX = 0.1
"""From a tenth of the samples clipped on a recording is refused. Common practice, no source."""
_CONTAINERS = ("WAV", "WAVEX", "RF64", "W64", "AIFF", "AU", "CAF", "FLAC", "OGG", "MP3", "MPEG")
_LOSSY = ("VORBIS", "OPUS", "MPEG", "ULAW", "ALAW", "ADPCM", "GSM", "G72", "DPCM", "VOX", "NMS")
_LENGTH_UNKNOWN = 1 << 62


class Audio(Struct, frozen=True, eq=False):
    """What an audio file holds: `samples` (n_channels, n), full scale ±1."""

    name: str
    samples: Array
    sample_rate_hz: float
    subtype: str
    """The coding in libsndfile's words: `PCM_24`, `DOUBLE`."""
    understood: tuple[str, ...] = ()
    clipped: tuple[int, ...] = ()
    """By channel: how many samples stand in runs at full scale."""

    def channel(self, number: int | None = None) -> Array:
        """The samples (n,) of one channel, counted from 1; a single channel needs no number.

        Raises `Refused` where the file has several and none was named, for a channel that does
        not exist, and for a silent one or one that is clipped throughout.
        """
        count = self.samples.shape[0]
        chosen = chosen_channel(self.name, number, count)
        samples: Array = self.samples[chosen - 1]
        clipped = self.clipped[chosen - 1] if self.clipped else 0
        refuse_unusable(
            self.name, chosen, count=count, frames=samples.size,
            peak=float(np.max(np.abs(samples), initial=0.0)), clipped=clipped,
        )  # fmt: skip
        return samples


class AudioFile(Struct, eq=False):
    """An open audio file that is read block by block, as often as needed.

    `understood` tells of coding and clipping, the latter once all blocks have been read.
    """

    name: str
    sample_rate_hz: float
    channel_count: int
    subtype: str
    frames: int
    """Samples a channel, as the header says."""
    peak: Array = field(default_factory=lambda: np.zeros(0))
    """By channel (n_channels,): the largest |sample| read."""
    clipped: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    """By channel: how many samples stand in runs at full scale."""
    frames_read: int = 0
    _begun: bool = False
    _handle: soundfile.SoundFile = None
    _odd: tuple[str, ...] = ()

    def blocks(
        self, frames: int | None = None, *, progress: Progress | None = None
    ) -> Iterator[Array]:
        """The samples from the start on as arrays (n_channels, at most `frames`), full scale ±1.

        `frames` is by default such that a block holds a quarter of a million samples. `progress`
        is called after every block. Raises `Refused` for a file that ends before its header says,
        is damaged, or holds what is no number.
        """
        import soundfile

        frames = max(1, BLOCK_SAMPLES // self.channel_count) if frames is None else frames
        done = 0
        peak = np.zeros(self.channel_count)
        clipped = np.zeros(self.channel_count, np.int64)
        before = np.zeros((self.channel_count, 0))
        try:
            if self._begun:
                self._handle.seek(0)
            self._begun = True
            while True:
                rows = self._handle.read(frames, dtype="float64", always_2d=True)
                if not rows.shape[0]:
                    break
                block = np.ascontiguousarray(rows.T)
                self._refuse_no_number(block, done)
                level = np.abs(block)
                peak = np.maximum(peak, level.max(axis=1))
                joined = np.concatenate([before, block], axis=1)
                clipped += _clipped(joined)
                before = joined[:, -2:].copy()
                done += block.shape[1]
                yield block
                if progress is not None:
                    progress(min(1.0, done / self.frames))
        except soundfile.SoundFileError as problem:
            raise Refused.at(
                self.name,
                f"the file is damaged or cut short after {done} of {self.frames} samples "
                f"({_reason(problem)}); copy it again",
            ) from None
        if done < self.frames:
            raise Refused.at(
                self.name, f"the file is cut short: {done} of {self.frames} samples; copy it again"
            )
        if done == 0:
            raise Refused.at(self.name, "the file holds no samples")
        self.frames_read, self.peak, self.clipped = done, peak, clipped

    def piece(self, start: int, frames: int) -> Array:
        """`frames` samples from `start` on, (n_channels, frames), all of them in the file.

        May be asked for in any order, between whole readings. Raises `Refused` where the file is
        damaged there.
        """
        import soundfile

        self._begun = True
        try:
            self._handle.seek(start)
            rows = self._handle.read(frames, dtype="float64", always_2d=True)
        except soundfile.SoundFileError as problem:
            raise Refused.at(
                self.name,
                f"the file is damaged after sample {start} ({_reason(problem)}); copy it again",
            ) from None
        if rows.shape[0] < frames:
            raise Refused.at(self.name, "the file is cut short; copy it again")
        return np.asarray(rows.T)

    @property
    def comment(self) -> str:
        """What the file's own comment says, "" without one."""
        return str(self._handle.comment or "")

    @property
    def understood(self) -> tuple[str, ...]:
        """Sentences: coding, rate, channels; lossy coding; what is odd; clipping."""
        coding = f"{self.subtype.replace('_', ' ')}, {show_hz(self.sample_rate_hz)}"
        said = [f"audio file ({coding}, channels: {self.channel_count})", *self._odd]
        if any(mark in self.subtype for mark in _LOSSY):
            said.append("the file's coding is lossy, so small signals in it are not to be trusted")
        for index in np.flatnonzero(self.clipped):
            where = "" if self.channel_count == 1 else f"channel {index + 1}: "
            said.append(
                f"{where}{self.clipped[index]} samples stand in a row at full scale: the recording "
                "may be clipped"
            )
        return tuple(said)

    def refuse_unusable(self, channel: int) -> None:
        """After all blocks: refuse `channel` (from 1) if silent or clipped throughout."""
        refuse_unusable(
            self.name, channel, count=self.channel_count, frames=self.frames_read,
            peak=float(self.peak[channel - 1]), clipped=int(self.clipped[channel - 1]),
        )  # fmt: skip

    def _refuse_no_number(self, block: Array, done: int) -> None:
        if not np.isfinite(block).all():
            channel, sample = np.argwhere(~np.isfinite(block))[0]
            raise Refused.at(
                self.name,
                f"sample {done + sample} of channel {channel + 1} is not a number; export the file "
                "again",
            )


def chosen_channel(name: str, number: int | None, count: int) -> int:
    """The channel that `number` names among `count`, from 1; a single one needs no number.

    Raises `Refused` where several are there and none was named, and for one that is not there.
    """
    if number is None and count > 1:
        raise Refused.at(name, f"the file has {count} channels; say which with --channel 1…{count}")
    chosen = 1 if number is None else number
    if not 1 <= chosen <= count:
        has = "one channel" if count == 1 else f"{count} channels"
        raise Refused.at(name, f"there is no channel {chosen}; the file has {has}")
    return chosen


def refuse_unusable(
    name: str, channel: int, *, count: int, frames: int, peak: float, clipped: int
) -> None:
    """Refuse a silent channel, and one of which a tenth stands at full scale."""
    which = "" if count == 1 else f" on channel {channel}"
    if peak == 0.0:
        raise Refused.at(name, f"the recording is silent{which}: every sample is zero")
    if clipped > CLIPPED_MAX * frames:
        raise Refused.at(
            name,
            f"the recording is clipped throughout{which}: {plain(100.0 * clipped / frames, 0)} % "
            "of its samples stand at full scale; lower the input gain and record again",
        )


@contextmanager
def open_audio(source: str | Path | bytes | BinaryIO, *, name: str = "") -> Iterator[AudioFile]:
    """An audio file to be read block by block: a path ("-": standard input), bytes, or a file.

    A pipe is put into a temporary file first, since it is read more than once. Raises `Refused`
    for what is no audio, empty, cut short by its header, or of a container that is not read.
    """
    if isinstance(source, str | Path):
        name = name or file_name(source)
        with open_seekable(source, limit_bytes=STREAM_BYTES_MAX) as file:
            yield from _opened(file, name)
    elif isinstance(source, bytes):
        yield from _opened(io.BytesIO(source), name or "audio")
    else:
        yield from _opened(source, name or "audio")


def _opened(file: BinaryIO, name: str) -> Iterator[AudioFile]:
    size = file.seek(0, io.SEEK_END)
    if not size:
        raise Refused.at(name, "the file is empty")
    odd = check_length(file, size=size, name=name)
    with _Handle(file, name) as handle:
        rate_hz, frames, channels = float(handle.samplerate), int(handle.frames), handle.channels
        if handle.format not in _CONTAINERS:
            raise Refused.at(
                name, f"a file of kind {handle.format} is not read here; export it as WAV or FLAC"
            )
        if not RATE_HZ[0] <= rate_hz <= RATE_HZ[1]:
            raise Refused.at(name, f"a sample rate of {rate_hz:.0f} Hz is not an audio file's")
        if channels > CHANNELS_MAX:
            raise Refused.at(
                name, f"{channels} channels are more than the {CHANNELS_MAX} that are read; "
                "export the ones that are needed",
            )  # fmt: skip
        if not 0 <= frames < _LENGTH_UNKNOWN:
            raise Refused.at(
                name, "the file does not say how long it is, as when it was written into a pipe; "
                "export it again, into a file",
            )  # fmt: skip
        yield AudioFile(
            name, rate_hz, channels, str(handle.subtype), frames, _handle=handle, _odd=odd
        )


class _Handle:
    """libsndfile's handle on a file; what it cannot open becomes a sentence."""

    def __init__(self, file: BinaryIO, name: str) -> None:
        import soundfile

        try:
            self._handle = soundfile.SoundFile(file)
        except (soundfile.SoundFileError, RuntimeError, OSError, ValueError, TypeError) as problem:
            raise _unreadable(name, problem) from None

    def __enter__(self) -> soundfile.SoundFile:
        return self._handle

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._handle.close()


def _unreadable(name: str, problem: Exception) -> Refused:
    return Refused.at(
        name,
        f"the file cannot be read as audio: {_reason(problem)}; export it again as WAV or FLAC",
    )


def _reason(problem: Exception) -> str:
    """What libsndfile says, without its own "Error : " in front."""
    reason = (str(getattr(problem, "error_string", "")) or str(problem)).strip().rstrip(".")
    return reason.removeprefix("Error : ")


def read_audio(
    source: str | Path | bytes | BinaryIO, *, name: str = "", progress: Progress | None = None
) -> Audio:
    """All channels of an audio file, given as a path ("-" for standard input) or as its bytes.

    Integers are scaled so that full scale is ±1; nothing else is done to them. Raises `Refused`
    for what is no audio, empty, cut short, too long (64 million samples) or not all numbers.
    """
    with open_audio(source, name=name) as file:
        if file.frames * file.channel_count > SAMPLES_MAX:
            raise Refused.at(
                file.name,
                f"{file.frames} samples in {file.channel_count} channels are more than a response "
                "needs; cut the file",
            )
        samples = np.empty((file.channel_count, file.frames))
        done = 0
        for block in file.blocks(progress=progress):
            samples[:, done : done + block.shape[1]] = block
            done += block.shape[1]
        return Audio(
            file.name, samples, file.sample_rate_hz, file.subtype,
            file.understood, tuple(file.clipped.tolist()),
        )  # fmt: skip


def _clipped(samples: Array) -> NDArray[np.int64]:
    """By row of (n_channels, n): samples after which two more follow alike at full scale."""
    if samples.shape[1] < 3:
        return np.zeros(samples.shape[0], np.int64)
    middle = samples[:, 1:-1]
    alike = (middle == samples[:, 2:]) & (middle == samples[:, :-2])
    full = np.count_nonzero(alike & (np.abs(middle) >= CLIPPED_FROM), axis=1)
    return np.asarray(full, np.int64)
