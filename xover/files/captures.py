"""One capture from a file, whatever it holds, with what was asked done to it, and its provenance.

What kinds of file there are, and what belongs to which, is `files.capture_kinds`' business.
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import BinaryIO

from msgspec import Struct, structs
from msgspec.structs import asdict, replace

from xover.dsp.calibrator import CALIBRATOR_HZ, CALIBRATOR_SPL_DB, calibrator_spl_at_zero_db
from xover.dsp.captured import (
    CapturedResponse,
    calibrated,
    corrected,
    remove_delay,
    smoothed,
    with_minimum_phase,
)
from xover.dsp.coherence import with_coherence_said
from xover.files.audio import STREAM_BYTES_MAX, Progress, looks_like_audio, read_audio
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
from xover.model.units import plain, show_hz

__all__ = [
    "AudioAnswers", "Calibration", "Finish", "TextAnswers", "finished", "holds_audio",
    "read_capture",
]  # fmt: skip

Read = tuple[CapturedResponse, Provenance]
"""A response and where it came from."""


class Calibration(Struct, frozen=True):
    """What brings a capture to sound pressure: corrections of the chain, before all else.

    `spl` is the SPL that 0 dB of the file stands for (in audio: a sine with peak 1.0), or the path
    of a recording of a calibrator, which sounds at `calibrator_hz` and `calibrator_db`.
    """

    mic_correction: str | Path | None = None
    spl: float | str | None = None
    calibrator_db: float = CALIBRATOR_SPL_DB
    calibrator_hz: float = CALIBRATOR_HZ
    calibrator_channel: int | None = None
    """Of the calibrator's recording; None for the channel that was captured."""

    def said(self) -> tuple[str, ...]:
        """Where the level comes from, if from a recording."""
        try:
            float(self.spl or 0.0)
        except ValueError:
            return (
                f"level by the calibrator recording {file_name(str(self.spl))} "
                f"({plain(self.calibrator_db, 1)} dB SPL at {show_hz(self.calibrator_hz)})",
            )
        return ()


class Finish(Struct, frozen=True):
    """What is done to a response last, in this order."""

    without_delay: bool = False
    smooth_fraction: int | None = None
    smooth_of: str = "power"
    minimum_phase: bool = False

    def of(self, captured: CapturedResponse) -> CapturedResponse:
        """The response so finished. Raises `Refused`."""
        if self.without_delay:
            captured = remove_delay(captured)
        if self.smooth_fraction is not None:
            captured = smoothed(captured, self.smooth_fraction, of=self.smooth_of)
        if self.minimum_phase:
            captured = with_minimum_phase(captured)
        return captured


def read_capture(
    path: str | Path,
    *,
    text: TextAnswers | None = None,
    audio: AudioAnswers | None = None,
    calibration: Calibration | None = None,
    finish: Finish | None = None,
    progress: Progress | None = None,
) -> Read:
    """Read one file and do what was asked, first its calibration, then its finish.

    `text` answers what a text file leaves open (of a text file with a microphone's correction if
    the capture is audio), `audio` says how an audio file is read. The provenance holds the file's
    name, the hash of its bytes and, as its note, all that was understood and done.
    `progress` is told the part that is done of two channels, which may be long; what it raises
    ends the reading. Raises `Refused`.
    """
    name = file_name(path)
    calibration = calibration or Calibration()
    answers = Answers(text or TextAnswers(), audio or AudioAnswers())
    with open_seekable(path, limit_bytes=STREAM_BYTES_MAX) as file:
        source = Source(file, name, progress)
        try:
            head = source.head()
            if calibration.mic_correction is not None and looks_like_audio(head):
                answers = replace(answers, text=TextAnswers())
            kind = kind_of(head, answers)
            captured = with_coherence_said(read_kind(kind, source, answers))
        except Refused as refused:
            raise _naming(refused, name) from None
        hashed = _hash(file)
    try:
        if calibration.mic_correction is not None:
            own = _correction(calibration.mic_correction, TextAnswers() if kind == "text" else text)
            captured = corrected(captured, own)
        if calibration.spl is not None:
            spl_db = _spl_at_zero_db(calibration, kind, answers)
            captured = captured.saying(*calibration.said())
            played_dbfs = captured.played_dbfs
            if played_dbfs is not None:
                # A sweep's 0 dB is “as loud as played”, so its SPL is that of the level played.
                captured = captured.saying(
                    f"levels are those of the sweep as played, at {plain(played_dbfs, 1)} dBFS"
                )
                spl_db += played_dbfs
            captured = calibrated(captured, spl_db)
    except Refused as refused:
        raise _naming(refused, name) from None
    note = "\n".join(captured.understood)
    read = captured, Provenance(file=name, sha256=hashed, note=note)
    return read if finish is None else finished(read, finish)


def finished(read: Read, finish: Finish) -> Read:
    """What was read, with what is done last and said in the provenance too. Raises `Refused`."""
    captured, provenance = read
    try:
        done = finish.of(captured)
    except Refused as refused:
        raise _naming(refused, provenance.file) from None
    return done, structs.replace(provenance, note="\n".join(done.understood))


def holds_audio(path: str | Path) -> bool:
    """Whether a file is audio, told by its first bytes. Raises `Refused` where it is none."""
    with open_seekable(path, limit_bytes=STREAM_BYTES_MAX) as file:
        return looks_like_audio(Source(file, file_name(path)).head())


def _hash(file: BinaryIO) -> str:
    file.seek(0)
    digest = hashlib.sha256()
    while some := file.read(1 << 20):
        digest.update(some)
    return digest.hexdigest()


def _correction(path: str | Path, text: TextAnswers | None) -> CapturedResponse:
    """A microphone's own response; in dB where its file leaves that open, as such files are."""
    name = file_name(path)
    said = text or TextAnswers()
    own = read_text(path, level_if_open="db", **asdict(said))
    return replace(own, understood=tuple(f"{name}: {sentence}" for sentence in own.understood))


def _spl_at_zero_db(calibration: Calibration, kind: Kind, answers: Answers) -> float:
    asked = calibration.spl
    assert asked is not None
    try:
        return float(asked)
    except ValueError:
        pass
    if kind in ("text", "channels") or answers.audio.reference is not None:
        what = "a text file's 0 dB" if kind == "text" else "the 0 dB of one channel against another"
        raise Refused.at(
            "",
            f"a calibrator recording says nothing about {what}; give the SPL that 0 dB stands for, "
            "in dB",
        )
    tone = read_audio(str(asked))
    own = calibration.calibrator_channel or answers.audio.channel
    if tone.samples.shape[0] > 1 and own is None:
        raise Refused.at(
            tone.name,
            f"the calibrator recording has {tone.samples.shape[0]} channels; say which is the "
            "microphone's with --calibrator-channel",
        )
    single = tone.samples.shape[0] == 1 and calibration.calibrator_channel is None
    samples = tone.channel(None if single else own)
    try:
        return calibrator_spl_at_zero_db(
            samples,
            sample_rate_hz=tone.sample_rate_hz,
            calibrator_spl_db=calibration.calibrator_db,
            calibrator_hz=calibration.calibrator_hz,
        )
    except Refused as refused:
        raise _naming(refused, tone.name) from None


def _naming(refused: Refused, name: str) -> Refused:
    """The same faults, those without a place now naming the file."""
    return Refused(
        fault if fault.where else type(fault)(name, fault.message) for fault in refused.faults
    )
