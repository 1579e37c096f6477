"""What a test signal plays, and when: the note that travels with the audio file.

From the note a recording can be read without the samples: sweeps are known in closed form, at any
sample rate. Frozen; nothing here computes samples.
"""

from __future__ import annotations

import math
from typing import Annotated, Final, Literal

from msgspec import Meta, Struct

from xover.model.problems import Fault
from xover.model.ranges import ChannelNumber, Count, FrequencyHz, Line, Name, SampleRateHz

FORMAT: Final = "xover-signal"
VERSION: Final = 1

Seconds = Annotated[float, Meta(extra={"unit": "s"}, ge=0.0, le=3_600.0)]
LevelDbfs = Annotated[float, Meta(extra={"unit": "dBFS"}, ge=-120.0, le=0.0)]
CrestDb = Annotated[float, Meta(extra={"unit": "dB"}, ge=3.0, le=30.0)]
Seed = Annotated[int, Meta(ge=0, le=2**63 - 1)]

SignalKind = Literal["sweep", "pink", "click", "polarity", "steps"]
Part = Literal["mark", "sweep"]


class SweepShape(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """An exponential sweep from `start_hz` up to `stop_hz`, faded in and out."""

    start_hz: FrequencyHz
    stop_hz: FrequencyHz
    duration_s: Seconds
    fade_in_s: Seconds = 0.0
    fade_out_s: Seconds = 0.0

    @property
    def rate_s(self) -> float:
        """L = T/ln(f2/f1): the time in which the frequency grows e-fold, s (Farina 2000)."""
        return self.duration_s / math.log(self.stop_hz / self.start_hz)

    def frequency_hz(self, time_s: float) -> float:
        """The instantaneous frequency f1·e^(t/L), Hz (Farina 2000)."""
        return self.start_hz * math.exp(time_s / self.rate_s)

    def time_s(self, frequency_hz: float) -> float:
        """When a frequency is played, s after the sweep's start."""
        return self.rate_s * math.log(frequency_hz / self.start_hz)


class Play(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A sweep or a timing mark: in which channel, at which sample of the file it starts."""

    part: Part
    channel: ChannelNumber = 1
    at_sample: Annotated[int, Meta(ge=0, le=2**40)]
    shape: SweepShape
    output: Name | None = None


class Step(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One level of a staircase of sines."""

    at_sample: Annotated[int, Meta(ge=0, le=2**40)]
    samples: Annotated[int, Meta(ge=1, le=2**40)]
    level_dbfs: LevelDbfs


class SignalNote(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Everything about a test signal that its samples do not say by themselves.

    `level_dbfs` is that of a sine: 0 dBFS is a sine that just reaches full scale. For sweeps it
    is therefore the peak, for noise the rms against the rms of such a sine, for pulses the peak.
    """

    format: Literal["xover-signal"]
    version: Literal[1]
    kind: SignalKind
    sample_rate_hz: SampleRateHz
    channels: Count = 1
    samples: Annotated[int, Meta(ge=1, le=2**40)]
    level_dbfs: LevelDbfs
    plays: tuple[Play, ...] = ()
    steps: tuple[Step, ...] = ()
    frequency_hz: FrequencyHz | None = None
    """Of the sine, for steps."""
    band_hz: tuple[FrequencyHz, FrequencyHz] | None = None
    crest_db: CrestDb | None = None
    seed: Seed | None = None
    text: Line = ""
    """What it is, in a sentence."""

    def sweeps(self) -> tuple[Play, ...]:
        """The sweeps, in their order."""
        return tuple(play for play in self.plays if play.part == "sweep")

    def marks(self) -> tuple[Play, ...]:
        """The timing marks, in their order."""
        return tuple(play for play in self.plays if play.part == "mark")


def faults(note: SignalNote) -> list[Fault]:
    """What no single field of a note can state."""
    found = []
    for index, play in enumerate(note.plays):
        where, shape = f"plays[{index}]", play.shape
        if shape.stop_hz <= shape.start_hz:
            found.append(Fault(f"{where}.shape.stop_hz", "must lie above start_hz"))
        if shape.duration_s <= 0.0:
            found.append(Fault(f"{where}.shape.duration_s", "must be above 0 s"))
        if shape.fade_in_s + shape.fade_out_s > shape.duration_s:
            found.append(Fault(f"{where}.shape", "the fades are longer than the sweep"))
        if play.channel > note.channels:
            found.append(Fault(f"{where}.channel", f"the file has {note.channels} channels"))
        if play.at_sample + shape.duration_s * note.sample_rate_hz > note.samples + 1:
            found.append(Fault(where, "ends after the file does"))
    return found
