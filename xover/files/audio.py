"""Audio files at the edge: samples as floating point, one row a channel, or a sentence.

Anything libsndfile reads. What is cut short, empty, silent or holds something that is no number
is refused: a response computed from it would look like a measurement.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from xover.files.paths import file_name, read_bytes
from xover.model.problems import Refused
from xover.model.units import show_hz

Array = NDArray[np.float64]

BYTES_MAX = 1024 * 1024 * 1024
SAMPLES_MAX = 64 * 1024 * 1024
"""The most samples of all channels together, half a gigabyte once read."""
RATE_HZ = (1_000.0, 2_000_000.0)
_LOSSY = ("VORBIS", "OPUS", "MPEG", "ULAW", "ALAW", "ADPCM", "GSM", "G72", "DPCM", "VOX", "NMS")
_MAGIC = (b"RIFF", b"RIFX", b"RF64", b"BW64", b"FORM", b"fLaC", b"OggS", b".snd", b"caff", b"ID3",
          b"riff", b"wvpk", b"MAC ", b"FFIR", b"2BIT", b"NIST", b"Crea", b"dns.")  # fmt: skip
_UNKNOWN_SIZE = 0xFFFF_FFFF


@dataclass(frozen=True, eq=False)
class Audio:
    """What an audio file holds: `samples` (n_channels, n), full scale ±1."""

    name: str
    samples: Array
    sample_rate_hz: float
    subtype: str
    """The coding in libsndfile's words: `PCM_24`, `DOUBLE`."""
    understood: tuple[str, ...] = ()

    def channel(self, number: int | None = None) -> Array:
        """The samples (n,) of one channel, counted from 1; a single channel needs no number.

        Raises `Refused` where the file has several and none was named, for a channel that does
        not exist, and for a silent one.
        """
        count = self.samples.shape[0]
        if number is None and count > 1:
            raise Refused.at(
                self.name, f"the file has {count} channels; say which with --channel 1…{count}"
            )
        chosen = 1 if number is None else number
        if not 1 <= chosen <= count:
            has = "one channel" if count == 1 else f"{count} channels"
            raise Refused.at(self.name, f"there is no channel {chosen}; the file has {has}")
        samples: Array = self.samples[chosen - 1]
        if not samples.any():
            which = "" if count == 1 else f" on channel {chosen}"
            raise Refused.at(self.name, f"the recording is silent{which}: every sample is zero")
        return samples


def looks_like_audio(data: bytes) -> bool:
    """Whether the first bytes are those of an audio file rather than of text."""
    frame_sync = len(data) > 1 and data[0] == 0xFF and data[1] & 0xE6 in (0xE2, 0xE4)
    return data.startswith(_MAGIC) or frame_sync


def read_audio(source: str | Path | bytes, *, name: str = "") -> Audio:
    """All channels of an audio file, given as a path ("-" for standard input) or as its bytes.

    Integers are scaled so that full scale is ±1; nothing else is done to them. Raises `Refused`
    for what is no audio, empty, cut short, too long (64 million samples) or not all numbers.
    """
    if not isinstance(source, bytes):
        name = name or file_name(source)
        source = read_bytes(source, limit_bytes=BYTES_MAX)
    name = name or "audio"
    if not source:
        raise Refused.at(name, "the file is empty")
    _refuse_if_cut_short(source, name)
    import soundfile

    try:
        with soundfile.SoundFile(io.BytesIO(source)) as file:
            rate_hz, subtype, stated = float(file.samplerate), str(file.subtype), int(file.frames)
            if not RATE_HZ[0] <= rate_hz <= RATE_HZ[1]:
                raise Refused.at(name, f"a sample rate of {rate_hz:.0f} Hz is not an audio file's")
            if stated * file.channels > SAMPLES_MAX:
                raise Refused.at(
                    name,
                    f"{stated} samples in {file.channels} channels are more than a response "
                    "needs; cut the file",
                )
            frames = file.read(dtype="float64", always_2d=True)
    except (soundfile.SoundFileError, RuntimeError, OSError, ValueError, TypeError) as problem:
        reason = str(getattr(problem, "error_string", "")) or str(problem)
        raise Refused.at(
            name, f"the file cannot be read as audio: {reason.strip().rstrip('.')}"
        ) from None
    if frames.shape[0] == 0:
        raise Refused.at(name, "the file holds no samples")
    if frames.shape[0] < stated:
        raise Refused.at(
            name, f"the file is cut short: {frames.shape[0]} of {stated} samples; copy it again"
        )
    samples = np.ascontiguousarray(frames.T, dtype=np.float64)
    if not np.isfinite(samples).all():
        channel, sample = np.argwhere(~np.isfinite(samples))[0]
        raise Refused.at(
            name, f"sample {sample} of channel {channel + 1} is not a number; export the file again"
        )
    coding = f"{subtype.replace('_', ' ')}, {show_hz(rate_hz)}, channels: {samples.shape[0]}"
    said = [f"audio file ({coding})"]
    if any(mark in subtype for mark in _LOSSY):
        said.append("the file's coding is lossy, so small signals in it are not to be trusted")
    if not subtype.startswith(("FLOAT", "DOUBLE")) and _clipped(samples):
        said.append("several samples in a row stand at full scale: the recording may be clipped")
    return Audio(name, samples, rate_hz, subtype, tuple(said))


def _clipped(samples: Array) -> bool:
    level = np.abs(samples)
    full = level >= max(0.99, float(level.max()))
    return bool((full[:, :-2] & full[:, 1:-1] & full[:, 2:]).any())


def _refuse_if_cut_short(data: bytes, name: str) -> None:
    """Refuse a RIFF file whose sample data end before its header says.

    libsndfile reads what is there without a word. A size of 2³² − 1 or 0 in the last chunk is
    what programs write that cannot go back to the header, and is let pass.
    """
    if data[:4] not in (b"RIFF", b"RIFX", b"RF64", b"BW64") or data[8:12] != b"WAVE":
        return
    order = "big" if data[:4] == b"RIFX" else "little"
    large = data[:4] in (b"RF64", b"BW64")
    data_size = 0
    at = 12
    while at + 8 <= len(data):
        kind, size = data[at : at + 4], int.from_bytes(data[at + 4 : at + 8], order)  # type: ignore[arg-type]
        if kind == b"ds64" and size >= 16:
            data_size = int.from_bytes(data[at + 16 : at + 24], "little")
        if kind == b"data":
            if size == _UNKNOWN_SIZE:
                size = data_size if large else len(data) - at - 8
            if size > len(data) - at - 8:
                there = 100.0 * (len(data) - at - 8) / size
                raise Refused.at(
                    name, f"the file is cut short: {there:.0f} % of its samples are there; copy "
                    "it again",
                )  # fmt: skip
            return
        at += 8 + size + (size & 1)
    raise Refused.at(name, "the file is cut short: it ends before its samples begin")
