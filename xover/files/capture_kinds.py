"""The kinds of file that a capture comes in, one reader each, and what a user may say about them.

`kind_of` tells the kind from the file's bytes and the answers; an answer that does not belong to
the kind is refused, never passed over. Adding a kind: its name, what it takes, its reader.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Literal

from xover.dsp.captured import CapturedResponse
from xover.dsp.impulse import captured_from_impulse
from xover.files.audio import looks_like_audio, read_audio
from xover.files.trace_columns import Column
from xover.files.trace_lines import DecimalMark
from xover.files.trace_rows import Repeated
from xover.files.traces import FrequencyUnit, MagnitudeUnit, PhaseUnit, read_text
from xover.model.problems import Refused

Kind = Literal["text", "impulse"]

CALLED: Mapping[Kind, str] = {"text": "text", "impulse": "an impulse response as audio"}
"""What a file of each kind is called in sentences."""


@dataclass(frozen=True)
class TextAnswers:
    """What the user says about a text file where the file itself leaves it open."""

    decimal: DecimalMark | None = None
    columns: tuple[Column, ...] | None = None
    frequency_unit: FrequencyUnit | None = None
    magnitude: MagnitudeUnit | None = None
    phase_unit: PhaseUnit | None = None
    repeated: Repeated | None = None


@dataclass(frozen=True)
class AudioAnswers:
    """How an audio file is to be read: `channel` counts from 1, `window_ms` from sample 0."""

    channel: int | None = None
    window_ms: float | None = None


@dataclass(frozen=True)
class Answers:
    """All that was said about a file before it was read."""

    text: TextAnswers = field(default_factory=TextAnswers)
    audio: AudioAnswers = field(default_factory=AudioAnswers)


Reader = Callable[[bytes, str, Answers], CapturedResponse]

_OPTIONS: Mapping[str, tuple[str, frozenset[Kind]]] = {
    "channel": ("--channel", frozenset({"impulse"})),
    "window_ms": ("--window", frozenset({"impulse"})),
}
"""Each field of `AudioAnswers`: its option, and the kinds of file that it belongs to."""


def kind_of(data: bytes, answers: Answers) -> Kind:
    """What kind of capture the bytes are, given what was said about them. Raises `Refused`.

    Audio is an impulse response, anything else text columns.
    """
    if not looks_like_audio(data):
        _refuse_strangers("text", answers)
        return "text"
    if answers.text != TextAnswers():
        raise Refused.at("", "this is audio; options about text columns do not apply")
    kind: Kind = "impulse"
    _refuse_strangers(kind, answers)
    return kind


def read_kind(kind: Kind, data: bytes, name: str, answers: Answers) -> CapturedResponse:
    """The response in `data`, a file of `kind` called `name` in messages. Raises `Refused`."""
    return _READERS[kind](data, name, answers)


def _refuse_strangers(kind: Kind, answers: Answers) -> None:
    given = [f.name for f in fields(AudioAnswers) if getattr(answers.audio, f.name) is not None]
    strange = [_OPTIONS[name] for name in given if kind not in _OPTIONS[name][1]]
    if strange:
        option, kinds = strange[0]
        needed = " or ".join(CALLED[one] for one in CALLED if one in kinds)
        raise Refused.at("", f"{option} needs {needed}; this file is {CALLED[kind]}")


def _read_text(data: bytes, name: str, answers: Answers) -> CapturedResponse:
    said = answers.text
    return read_text(
        data,
        name=name,
        decimal=said.decimal,
        columns=said.columns,
        frequency_unit=said.frequency_unit,
        magnitude=said.magnitude,
        phase_unit=said.phase_unit,
        repeated=said.repeated,
    )


def _read_impulse(data: bytes, name: str, answers: Answers) -> CapturedResponse:
    audio = read_audio(data, name=name)
    channel = answers.audio.channel
    captured = captured_from_impulse(
        audio.channel(channel),
        sample_rate_hz=audio.sample_rate_hz,
        window_ms=answers.audio.window_ms,
    )
    which = () if audio.samples.shape[0] == 1 else (f"channel {channel} of the file",)
    return replace(captured, understood=(*audio.understood, *which, *captured.understood))


_READERS: Mapping[Kind, Reader] = {"text": _read_text, "impulse": _read_impulse}
