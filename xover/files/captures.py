"""One capture from a file, whatever it holds, with what was asked done to it, and its provenance.

What kinds of file there are, and what belongs to which, is `files.capture_kinds`' business.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

from xover.dsp.captured import (
    CapturedResponse,
    calibrated,
    calibrator_spl_at_zero_db,
    corrected,
    remove_delay,
    smoothed,
)
from xover.files.audio import BYTES_MAX, read_audio
from xover.files.capture_kinds import Answers, AudioAnswers, TextAnswers, kind_of, read_kind
from xover.files.paths import file_name, read_bytes
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
) -> tuple[CapturedResponse, Provenance]:
    """Read one file and do what was asked, in the order correction, level, delay, smoothing.

    `text` answers what a text file leaves open, `audio` says how an audio file is read.
    `spl_calibration` is the SPL that 0 dB of the file stands for (in audio: a sine with peak 1.0),
    or the path of a recording of a calibrator at 94 dB SPL and 1 kHz. The provenance holds the
    file's name, the hash of its bytes and, as its note, all that was understood and done. Raises
    `Refused`.
    """
    data = read_bytes(path, limit_bytes=BYTES_MAX)
    name = file_name(path)
    answers = Answers(text or TextAnswers(), audio or AudioAnswers())
    try:
        kind = kind_of(data, answers)
        captured = read_kind(kind, data, name, answers)
        if mic_correction is not None:
            correction = read_text(mic_correction, magnitude="db")
            captured = corrected(captured, correction)
        if spl_calibration is not None:
            captured = calibrated(
                captured, _spl_at_zero_db(spl_calibration, kind != "text", answers)
            )
        if without_delay:
            captured = remove_delay(captured)
        if smooth_fraction is not None:
            captured = smoothed(captured, smooth_fraction, of=smooth_of)
    except Refused as refused:
        raise _naming(refused, name) from None
    hashed = hashlib.sha256(data).hexdigest()
    return captured, Provenance(file=name, sha256=hashed, note="\n".join(captured.understood))


def _spl_at_zero_db(asked: float | str, audio: bool, answers: Answers) -> float:
    try:
        return float(asked)
    except ValueError:
        pass
    if not audio:
        raise Refused.at(
            "",
            "a calibrator recording says nothing about a text file's 0 dB; give the SPL that 0 dB "
            "stands for, in dB",
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
