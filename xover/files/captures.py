"""One capture from a file, whatever it holds, with what was asked done to it, and its provenance.

Audio is taken for an impulse response, anything else for text columns. An option that does not
belong to the kind of file is refused, never passed over.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from pathlib import Path

from xover.dsp.captured import (
    CapturedResponse,
    calibrated,
    calibrator_spl_at_zero_db,
    corrected,
    remove_delay,
    smoothed,
)
from xover.dsp.impulse import captured_from_impulse
from xover.files.audio import BYTES_MAX, looks_like_audio, read_audio
from xover.files.paths import file_name, read_bytes
from xover.files.trace_lines import DecimalMark
from xover.files.traces import Column, FrequencyUnit, MagnitudeUnit, PhaseUnit, read_text
from xover.model.problems import Refused
from xover.model.rig import Provenance


@dataclass(frozen=True)
class TextAnswers:
    """What the user says about a text file where the file itself leaves it open."""

    decimal: DecimalMark | None = None
    columns: tuple[Column, ...] | None = None
    frequency_unit: FrequencyUnit | None = None
    magnitude: MagnitudeUnit | None = None
    phase_unit: PhaseUnit | None = None


def read_capture(
    path: str | Path,
    *,
    text: TextAnswers | None = None,
    channel: int | None = None,
    window_ms: float | None = None,
    mic_correction: str | Path | None = None,
    spl_calibration: float | str | None = None,
    without_delay: bool = False,
    smooth_fraction: int | None = None,
    smooth_of: str = "power",
) -> tuple[CapturedResponse, Provenance]:
    """Read one file and do what was asked, in the order correction, level, delay, smoothing.

    `text` answers what a text file leaves open; `channel` (from 1) and `window_ms` belong to
    audio. `spl_calibration` is the SPL that 0 dB of the file stands for (in audio: a sine with
    peak 1.0), or the path of a recording of a calibrator at 94 dB SPL and 1 kHz. The provenance
    holds the file's name, the hash of its bytes and, as its note, all that was understood and
    done. Raises `Refused`.
    """
    data = read_bytes(path, limit_bytes=BYTES_MAX)
    name = file_name(path)
    audio = looks_like_audio(data)
    text = text or TextAnswers()
    try:
        if audio:
            if text != TextAnswers():
                raise Refused.at("", "this is audio; options about text columns do not apply")
            captured = _from_audio(data, name, channel, window_ms)
        else:
            if channel is not None or window_ms is not None:
                raise Refused.at(
                    "", "--channel and --window need an impulse response; this file is text"
                )
            captured = read_text(
                data,
                name=name,
                decimal=text.decimal,
                columns=text.columns,
                frequency_unit=text.frequency_unit,
                magnitude=text.magnitude,
                phase_unit=text.phase_unit,
            )
        if mic_correction is not None:
            correction = read_text(mic_correction, magnitude="db")
            captured = corrected(captured, correction)
        if spl_calibration is not None:
            captured = calibrated(captured, _spl_at_zero_db(spl_calibration, audio, channel))
        if without_delay:
            captured = remove_delay(captured)
        if smooth_fraction is not None:
            captured = smoothed(captured, smooth_fraction, of=smooth_of)
    except Refused as refused:
        raise _naming(refused, name) from None
    hashed = hashlib.sha256(data).hexdigest()
    return captured, Provenance(file=name, sha256=hashed, note="\n".join(captured.understood))


def _from_audio(
    data: bytes, name: str, channel: int | None, window_ms: float | None
) -> CapturedResponse:
    audio = read_audio(data, name=name)
    captured = captured_from_impulse(
        audio.channel(channel), sample_rate_hz=audio.sample_rate_hz, window_ms=window_ms
    )
    which = () if audio.samples.shape[0] == 1 else (f"channel {channel} of the file",)
    return replace(captured, understood=(*audio.understood, *which, *captured.understood))


def _spl_at_zero_db(asked: float | str, audio: bool, channel: int | None) -> float:
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
    samples = tone.channel(None if tone.samples.shape[0] == 1 else channel)
    try:
        return calibrator_spl_at_zero_db(samples, sample_rate_hz=tone.sample_rate_hz)
    except Refused as refused:
        raise _naming(refused, tone.name) from None


def _naming(refused: Refused, name: str) -> Refused:
    """The same faults, those without a place now naming the file."""
    return Refused(
        fault if fault.where else type(fault)(name, fault.message) for fault in refused.faults
    )
