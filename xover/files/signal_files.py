"""Test signals as WAV files, and the note that goes with each: in the file, and beside it.

The note is JSON in the file's own comment, so that it cannot be lost, and the same in a file
beside it that people can read. Which of the two was read is said.
"""

from __future__ import annotations

import contextlib
import io
import os
from pathlib import Path
from typing import Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from xover.design.signals import Signal
from xover.files import json_text
from xover.files.audio import AudioFile
from xover.files.paths import STANDARD_STREAM, read_bytes, shown_path
from xover.files.safe_write import write_bytes
from xover.files.versions import Kind, current, refusal
from xover.model.problems import Refused
from xover.model.signals import FORMAT, VERSION, SignalNote, faults
from xover.model.walk import check, tree_of

Array = NDArray[np.float64]
Whole = NDArray[np.int32]
Bits = Literal["16", "24", "32"]

KIND = Kind("a note on a test signal", FORMAT, VERSION, {})
_SUBTYPES = {"16": "PCM_16", "24": "PCM_24", "32": "FLOAT"}
_NOTE_BYTES_MAX = 1 << 20
BLOCK = 1 << 20
"""So many samples of each channel are written at once."""


def sidecar_of(path: str | Path) -> str:
    """The file beside a WAV that holds its note: `sweep.wav.json` beside `sweep.wav`."""
    return f"{path}.json"


def wav_bytes(signal: Signal, *, bits: Bits = "24") -> bytes:
    """The WAV file of a signal, its note in the comment; 16 bits are dithered (TPDF), seeded."""
    import soundfile

    samples = signal.samples
    random = np.random.default_rng(0)
    file = io.BytesIO()
    with soundfile.SoundFile(
        file,
        "w",
        samplerate=round(signal.note.sample_rate_hz),
        channels=samples.shape[0],
        subtype=_SUBTYPES[bits],
        format="WAV" if samples.shape[0] <= 2 else "WAVEX",
    ) as audio:
        audio.comment = msgspec.json.encode(signal.note).decode("utf-8")
        for start in range(0, samples.shape[1], BLOCK):
            audio.write(_quantised(samples[:, start : start + BLOCK].T, bits, random))
    return file.getvalue()


def _quantised(samples: Array, bits: Bits, random: np.random.Generator) -> Array | Whole:
    """Samples (n, n_channels) as they are to be written, rounded rather than cut off."""
    inside = np.clip(samples, -1.0, 1.0)
    if bits == "32":
        return inside
    steps = 2.0 ** (int(bits) - 1)
    whole = inside * steps
    if bits == "16":
        whole += random.random(whole.shape) - random.random(whole.shape)
    whole = np.clip(np.rint(whole), -steps, steps - 1.0) * (2.0**31 / steps)
    return whole.astype(np.int32)


def write_signal(
    path: str | Path, signal: Signal, *, bits: Bits = "24", overwrite: bool
) -> str | None:
    """Write a signal and its note beside it; gives the note's path, None on standard output.

    Both are written, or neither. Raises `Refused` where either exists and `overwrite` is false.
    """
    data = wav_bytes(signal, bits=bits)
    if str(path) == STANDARD_STREAM:
        raise Refused.at("", "standard output is the caller's to write to")
    beside = sidecar_of(path)
    if not overwrite:
        for one in (path, beside):
            if os.path.lexists(one):
                raise Refused.at(
                    "",
                    f"{shown_path(one)} exists already; name another file, or say that it may be "
                    "overwritten",
                )
    note = json_text.lay_out(tree_of(signal.note))
    fresh = not os.path.lexists(beside)
    write_bytes(beside, note, overwrite=overwrite)
    try:
        write_bytes(path, data, overwrite=overwrite)
    except BaseException:
        if fresh:
            with contextlib.suppress(OSError):
                os.unlink(beside)
        raise
    return beside


def read_note(path: str | Path, audio: AudioFile) -> tuple[SignalNote, str] | None:
    """The note of a test signal and where it was read; None for any other audio file.

    The file's own comment counts before the one beside it. Raises `Refused` for a note that does
    not fit its file or is damaged.
    """
    comment = audio.comment
    if f'"{FORMAT}"' in comment:
        return _fitting(_parsed(comment.encode("utf-8"), audio.name), audio), "its own comment"
    beside = sidecar_of(path)
    if str(path) == STANDARD_STREAM or not os.path.isfile(beside):
        return None
    data = read_bytes(beside, limit_bytes=_NOTE_BYTES_MAX)
    if f'"{FORMAT}"'.encode() not in data:
        return None
    name = os.path.basename(beside)
    return _fitting(_parsed(data, name), audio), f"{name} beside it"


def _parsed(data: bytes, name: str) -> SignalNote:
    try:
        tree, found = current(json_text.parse(data, wanted=KIND.wanted), KIND)
        walked = check(tree, SignalNote)
        found += walked.faults
        if not found:
            note = msgspec.convert(walked.tree, SignalNote)
            found = faults(note)
        if found:
            raise refusal(found)
    except Refused as refused:
        raise Refused(
            type(fault)(f"{name} {fault.where}".strip(), fault.message) for fault in refused.faults
        ) from None
    return note


def _fitting(note: SignalNote, audio: AudioFile) -> SignalNote:
    """The note, at the file's rate if the file was resampled; refused where it is another's."""
    ratio = audio.sample_rate_hz / note.sample_rate_hz
    if note.channels != audio.channel_count or abs(audio.frames - note.samples * ratio) > 64:
        raise Refused.at(
            audio.name,
            f"the note on it speaks of {note.samples} samples in {note.channels} channels at "
            f"{note.sample_rate_hz:.0f} Hz, the file has {audio.frames} in {audio.channel_count} "
            f"at {audio.sample_rate_hz:.0f} Hz: it was edited; name the file as it was made",
        )
    return note
