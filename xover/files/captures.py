"""One capture from a file, whatever it holds, with what was asked done to it, and its provenance.

What kinds of file there are, and what belongs to which, is `files.capture_kinds`' business.
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import BinaryIO

from xover.dsp.captured import (
    CapturedResponse,
    calibrated,
    calibrator_spl_at_zero_db,
    corrected,
    remove_delay,
    smoothed,
)
from xover.dsp.coherence import with_coherence_said
from xover.files.audio import STREAM_BYTES_MAX, Progress, read_audio
from xover.files.capture_kinds import (
    Answers,
    AudioAnswers,
    Kind,
    Source,
    TextAnswers,
    kind_of,
    read_kind,
)
from xover.files.paths import file_name, open_seekable
from xover.files.traces import read_text
from xover.model.problems import Refused
from xover.model.rig import Provenance

__all__ = ["AudioAnswers", "TextAnswers", "read_capture"]


def read_capture(
    path: str | Path,
    *,
    text: TextAnswers | None = None,
    audio: AudioAnswers | None = None,
    mic_correction: str | Path | None = None,
    spl_calibration: float | str | None = None,
    without_delay: bool = False,
    smooth_fraction: int | None = None,
    smooth_of: str = "power",
    progress: Progress | None = None,
) -> tuple[CapturedResponse, Provenance]:
    """Read one file and do what was asked, in the order correction, level, delay, smoothing.

    `text` answers what a text file leaves open, `audio` says how an audio file is read.
    `spl_calibration` is the SPL that 0 dB of the file stands for (in audio: a sine with peak 1.0),
    or the path of a recording of a calibrator at 94 dB SPL and 1 kHz. The provenance holds the
    file's name, the hash of its bytes and, as its note, all that was understood and done.
    `progress` is told the part that is done of two channels, which may be long; what it raises
    ends the reading. Raises `Refused`.
    """
    name = file_name(path)
    answers = Answers(text or TextAnswers(), audio or AudioAnswers())
    with open_seekable(path, limit_bytes=STREAM_BYTES_MAX) as file:
        source = Source(file, name, progress)
        try:
            kind = kind_of(source.head(), answers)
            captured = with_coherence_said(read_kind(kind, source, answers))
        except Refused as refused:
            raise _naming(refused, name) from None
        hashed = _hash(file)
    try:
        if mic_correction is not None:
            correction = read_text(mic_correction, magnitude="db")
            captured = corrected(captured, correction)
        if spl_calibration is not None:
            captured = calibrated(captured, _spl_at_zero_db(spl_calibration, kind, answers))
        if without_delay:
            captured = remove_delay(captured)
        if smooth_fraction is not None:
            captured = smoothed(captured, smooth_fraction, of=smooth_of)
    except Refused as refused:
        raise _naming(refused, name) from None
    return captured, Provenance(file=name, sha256=hashed, note="\n".join(captured.understood))


def _hash(file: BinaryIO) -> str:
    file.seek(0)
    digest = hashlib.sha256()
    while some := file.read(1 << 20):
        digest.update(some)
    return digest.hexdigest()


def _spl_at_zero_db(asked: float | str, kind: Kind, answers: Answers) -> float:
    try:
        return float(asked)
    except ValueError:
        pass
    if kind in ("text", "channels"):
        what = "a text file's 0 dB" if kind == "text" else "the 0 dB of one channel against another"
        raise Refused.at(
            "",
            f"a calibrator recording says nothing about {what}; give the SPL that 0 dB stands for, "
            "in dB",
        )
    tone = read_audio(str(asked))
    samples = tone.channel(None if tone.samples.shape[0] == 1 else answers.audio.channel)
    try:
        return calibrator_spl_at_zero_db(samples, sample_rate_hz=tone.sample_rate_hz)
    except Refused as refused:
        raise _naming(refused, tone.name) from None


def _naming(refused: Refused, name: str) -> Refused:
    """The same faults, those without a place now naming the file."""
    return Refused(
        fault if fault.where else type(fault)(name, fault.message) for fault in refused.faults
    )
