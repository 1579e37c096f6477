"""The preset: one file, everything an engineer needs to set a rig up again.

Frozen; an edit makes a new one. Reading and writing live in `files.preset_json`, the rules that
no single field can state in `model.rules`.
Annotations here are types, never text, which msgspec would evaluate at every start (decision 0017).
"""

from typing import Final, Literal, Protocol, TypeVar

from msgspec import Struct

from xover.model.processing import Air, Group, Input, Output, Stimulus
from xover.model.ranges import Line, Name, Prose, SampleRateHz
from xover.model.rig import (
    Amplifier,
    AmplifierChannel,
    Listener,
    Loudspeaker,
    Measurement,
    Source,
)

FORMAT: Final = "xover-preset"
VERSION: Final = 1


class Preset(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A whole preset; the order of the fields is the order in the file."""

    format: Literal["xover-preset"] = FORMAT
    version: Literal[1] = VERSION
    title: Name
    venue: Line = ""
    author: Line = ""
    notes: Prose = ""
    tags: tuple[Line, ...] = ()
    based_on: Line | None = None
    sample_rate_hz: SampleRateHz = 48_000.0
    air: Air = Air()
    inputs: tuple[Input, ...]
    outputs: tuple[Output, ...]
    groups: tuple[Group, ...] = ()
    stimulus: Stimulus | None = None
    loudspeakers: tuple[Loudspeaker, ...] = ()
    amplifiers: tuple[Amplifier, ...] = ()
    amplifier_channels: tuple[AmplifierChannel, ...] = ()
    sources: tuple[Source, ...] = ()
    listeners: tuple[Listener, ...] = ()
    measurements: tuple[Measurement, ...] = ()
    processor: Name | None = None

    def input(self, name: str) -> Input:
        """The input called exactly `name`; `KeyError` if there is none."""
        return _by_name(self.inputs, name)

    def output(self, name: str) -> Output:
        """The output called exactly `name`; `KeyError` if there is none."""
        return _by_name(self.outputs, name)

    def listener(self, name: str) -> Listener:
        """The listener called exactly `name`; `KeyError` if there is none."""
        return _by_name(self.listeners, name)

    def loudspeaker(self, name: str) -> Loudspeaker:
        """The loudspeaker called exactly `name`; `KeyError` if there is none."""
        return _by_name(self.loudspeakers, name)

    def amplifier(self, name: str) -> Amplifier:
        """The amplifier called exactly `name`; `KeyError` if there is none."""
        return _by_name(self.amplifiers, name)

    def amplifier_channel(self, name: str) -> AmplifierChannel:
        """The amplifier channel called exactly `name`; `KeyError` if there is none."""
        return _by_name(self.amplifier_channels, name)

    def sources_of(self, output: str) -> tuple[Source, ...]:
        """The sources that `output` feeds, in file order."""
        return tuple(source for source in self.sources if source.output == output)

    def measurement(self, output: str, listener: str) -> Measurement | None:
        """What was captured of `output` at `listener`, or None."""
        for measurement in self.measurements:
            if measurement.output == output and measurement.listener == listener:
                return measurement
        return None


class _Named(Protocol):
    @property
    def name(self) -> str: ...


_T = TypeVar("_T", bound=_Named)


def _by_name(items: tuple[_T, ...], name: str) -> _T:
    for item in items:
        if item.name == name:
            return item
    raise KeyError(name)
