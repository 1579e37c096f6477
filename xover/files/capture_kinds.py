"""The kinds of file that a capture comes in, one reader each, and what a user may say about them.

`kind_of` tells the kind from the file's bytes and the answers; an answer that does not belong to
the kind is refused, never passed over. Adding a kind: its name, what it takes, its reader.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import BinaryIO, Literal

from msgspec import Struct, field
from msgspec.structs import replace

from xover.dsp.captured import CapturedResponse
from xover.dsp.impulse import captured_from_impulse
from xover.dsp.impulse_window import ImpulseWindow
from xover.dsp.two_channels import Channels, captured_from_two_channels
from xover.files.audio import (
    BYTES_MAX,
    Array,
    AudioFile,
    Progress,
    chosen_channel,
    looks_like_audio,
    open_audio,
    read_audio,
)
from xover.files.paths import read_open
from xover.files.sweep_recordings import SweepAnswers, read_recording
from xover.files.trace_lines import DecimalMark
from xover.files.trace_rows import Repeated
from xover.files.traces import FrequencyUnit, MagnitudeUnit, PhaseUnit, read_text
from xover.model.problems import Refused
from xover.model.words import Column

Kind = Literal["text", "impulse", "channels", "sweep"]

CALLED: Mapping[Kind, str] = {
    "text": "text",
    "impulse": "an impulse response as audio",
    "channels": "a recording of two channels",
    "sweep": "a recording of a sweep",
}
"""What a file of each kind is called in sentences."""
_SINCE: Mapping[Kind, str] = {"channels": "--reference", "sweep": "--sweep"}
"""The option that makes audio a file of the kind."""


class TextAnswers(Struct, frozen=True):
    """What the user says about a text file where the file itself leaves it open."""

    decimal: DecimalMark | None = None
    columns: tuple[Column, ...] | None = None
    frequency_unit: FrequencyUnit | None = None
    magnitude: MagnitudeUnit | None = None
    phase_unit: PhaseUnit | None = None
    repeated: Repeated | None = None


class AudioAnswers(Struct, frozen=True):
    """How an audio file is to be read: `channel` counts from 1, `window_ms` from sample 0.

    With `reference`, a channel too, it is read as two channels of one programme; with `sweep` as a
    recording of that sweep, the reference then being its loop-back. The windows are those of
    `dsp.impulse_window.ImpulseWindow`.
    """

    channel: int | None = None
    reference: int | None = None
    window_ms: float | None = None
    gate_ms: float | None = None
    lead_ms: float | None = None
    cycles: float | None = None
    onset_ms: float | None = None
    sweep: SweepAnswers | None = None


class Answers(Struct, frozen=True):
    """All that was said about a file before it was read."""

    text: TextAnswers = field(default_factory=TextAnswers)
    audio: AudioAnswers = field(default_factory=AudioAnswers)


class Source(Struct, frozen=True):
    """An open file, what it is called in messages, and who wants to hear how far reading is."""

    file: BinaryIO
    name: str
    progress: Progress | None = None

    def head(self) -> bytes:
        """Its first bytes."""
        self.file.seek(0)
        return self.file.read(16)


Reader = Callable[[Source, Answers], CapturedResponse]

_OPTIONS: Mapping[str, tuple[str, frozenset[Kind]]] = {
    "channel": ("--channel", frozenset({"impulse", "channels", "sweep"})),
    "reference": ("--reference", frozenset({"channels", "sweep"})),
    "window_ms": ("--window", frozenset({"impulse", "sweep"})),
    "gate_ms": ("--gate", frozenset({"impulse"})),
    "lead_ms": ("--lead", frozenset({"impulse"})),
    "cycles": ("--cycles", frozenset({"impulse"})),
    "onset_ms": ("--onset", frozenset({"impulse"})),
    "sweep": ("--sweep", frozenset({"sweep"})),
}
"""Each field of `AudioAnswers`: its option, and the kinds of file that it belongs to."""


def kind_of(head: bytes, answers: Answers) -> Kind:
    """What kind of capture begins with `head`, given what was said about it. Raises `Refused`.

    Audio is a recording of a sweep where one is named, two channels where a reference is, else an
    impulse response; anything else is text columns.
    """
    if not looks_like_audio(head):
        _refuse_strangers("text", answers)
        return "text"
    if answers.text != TextAnswers():
        raise Refused.at("", "this is audio; options about text columns do not apply")
    kind: Kind = "impulse"
    if answers.audio.sweep is not None:
        kind = "sweep"
    elif answers.audio.reference is not None:
        kind = "channels"
    _refuse_strangers(kind, answers)
    return kind


def read_kind(kind: Kind, source: Source, answers: Answers) -> CapturedResponse:
    """The response in a file of `kind`. Raises `Refused`."""
    source.file.seek(0)
    return _READERS[kind](source, answers)


def _refuse_strangers(kind: Kind, answers: Answers) -> None:
    given = [
        each for each in AudioAnswers.__struct_fields__ if getattr(answers.audio, each) is not None
    ]
    strange = [_OPTIONS[name] for name in given if kind not in _OPTIONS[name][1]]
    if strange:
        option, kinds = strange[0]
        needed = " or ".join(CALLED[one] for one in CALLED if one in kinds)
        since = f", since {_SINCE[kind]} is given" if kind in _SINCE else ""
        raise Refused.at("", f"{option} needs {needed}; this file is {CALLED[kind]}{since}")


def _read_text(source: Source, answers: Answers) -> CapturedResponse:
    said = answers.text
    return read_text(
        read_open(source.file, source.name, limit_bytes=BYTES_MAX),
        name=source.name,
        decimal=said.decimal,
        columns=said.columns,
        frequency_unit=said.frequency_unit,
        magnitude=said.magnitude,
        phase_unit=said.phase_unit,
        repeated=said.repeated,
    )


def window_asked(said: AudioAnswers) -> ImpulseWindow:
    """What is to be kept of an impulse response."""
    return ImpulseWindow(said.window_ms, said.gate_ms, said.lead_ms, said.cycles, said.onset_ms)


def _read_impulse(source: Source, answers: Answers) -> CapturedResponse:
    audio = read_audio(source.file, name=source.name)
    channel, count = answers.audio.channel, audio.samples.shape[0]
    if channel is None and count > 1:
        raise Refused.at(
            source.name,
            f"the file has {count} channels; say which with --channel 1…{count}, or, where one is "
            "the signal that was played, which one that is with --reference",
        )
    captured = captured_from_impulse(
        audio.channel(channel),
        sample_rate_hz=audio.sample_rate_hz,
        window=window_asked(answers.audio),
    )
    which = () if count == 1 else (f"channel {channel} of the file",)
    is_clipped = bool(audio.clipped) and audio.clipped[(channel or 1) - 1] > 0
    return replace(
        captured,
        understood=(*audio.understood, *which, *captured.understood),
        is_clipped=is_clipped,
    )


def _read_channels(source: Source, answers: Answers) -> CapturedResponse:
    with open_audio(source.file, name=source.name) as file:
        channels = _channels(file, answers.audio)
        rows = [channels.reference - 1, channels.measured - 1]

        def programme() -> Iterator[Array]:
            for block in file.blocks():
                yield block[rows]
            for channel in (channels.reference, channels.measured):
                file.refuse_unusable(channel)

        captured = captured_from_two_channels(
            programme,
            sample_rate_hz=file.sample_rate_hz,
            frames=file.frames,
            channels=channels,
            progress=source.progress,
        )
        return replace(
            captured,
            understood=(*file.understood, *captured.understood),
            is_clipped=bool(file.clipped[rows].any()),
        )


def _read_sweep(source: Source, answers: Answers) -> CapturedResponse:
    said = answers.audio
    assert said.sweep is not None
    with open_audio(source.file, name=source.name) as file:
        return read_recording(
            file,
            said.sweep,
            channel=said.channel,
            reference=said.reference,
            window_ms=said.window_ms,
            progress=source.progress,
        )


def _channels(file: AudioFile, said: AudioAnswers) -> Channels:
    count = file.channel_count
    if count < 2:
        raise Refused.at(
            file.name,
            "there is one channel; --reference needs the reference and the measurement in one file",
        )
    reference = chosen_channel(file.name, said.reference, count)
    if said.channel is None and count > 2:
        raise Refused.at(
            file.name,
            f"the file has {count} channels; say which one is the measurement with --channel",
        )
    measured = 3 - reference if said.channel is None else said.channel
    measured = chosen_channel(file.name, measured, count)
    if measured == reference:
        raise Refused.at(
            file.name,
            f"channel {reference} cannot be reference and measurement at once; name another with "
            "--channel",
        )
    return Channels(reference, measured, both_named=said.channel is not None)


_READERS: Mapping[Kind, Reader] = {
    "text": _read_text,
    "impulse": _read_impulse,
    "channels": _read_channels,
    "sweep": _read_sweep,
}
