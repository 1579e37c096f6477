"""Captures of a processor judged: files read as asked, the loop taken out, outputs compared.

The one chain behind `xover verify` and the workbench. Reads files, changes nothing; safe in any
thread. What is computed is `design.verifying`'s.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from typing import TYPE_CHECKING, Literal, NamedTuple

from msgspec import structs

from xover.model.names import find, fold, listed, quoted
from xover.model.preset import Preset
from xover.model.problems import Refused

if TYPE_CHECKING:
    from xover.design.verifying.points import Points
    from xover.design.verifying.verification import Verified
    from xover.files.audio import Progress
    from xover.model.profile import Profile

TOP_OF_RATE = 0.45
"""Up to this part of the sample rate a capture is compared."""
Told = Callable[[str], "AbstractContextManager[Progress | None]"]


class Capture(NamedTuple):
    """What was captured at an output of the processor: the file, its channel, who drove it."""

    output: str
    path: str
    driven: str
    channel: int | None = None


class Loop(NamedTuple):
    """A capture of the interface alone, its output into its input."""

    path: str
    channel: int | None = None


class Reading(NamedTuple):
    """How the files of one session are read: as recordings of a sweep, or against a reference."""

    sweep: str | None = None
    time_zero: Literal["direct", "file"] | None = None
    reference: int | None = None


class Asked(NamedTuple):
    """All that a verification is asked with: the captures of one session, and how to read them."""

    captures: tuple[Capture, ...]
    loop: Loop | None = None
    reading: Reading = Reading()


def outputs_of(preset: Preset) -> tuple[str, ...]:
    """The outputs that can be captured: fed by an input and not muted."""
    return tuple(item.name for item in preset.outputs if item.inputs and not item.muted)


def drivers(preset: Preset) -> tuple[str, ...]:
    """The inputs among which it has to be said which one carried the signal; often none."""
    shared = [item.inputs for item in preset.outputs if len(item.inputs) > 1 and not item.muted]
    return tuple(item.name for item in preset.inputs if any(item.name in one for one in shared))


def driver_of(preset: Preset, output: str, named: Sequence[str], *, how: str) -> str:
    """The input that carried the signal: the only one routed, or the one named that is routed.

    `how` says where one is named. Raises `Refused` where none or several can be meant.
    """
    routed = list(preset.output(output).inputs)
    if not routed:
        raise Refused.at("", f"{quoted(output)} is fed by no input, so there is nothing to compare")
    inputs = [item.name for item in preset.inputs]
    asked = list(dict.fromkeys(find(inputs, one, kind="input") for one in named))
    fits = [one for one in asked if one in routed]
    if asked and not fits:
        raise Refused.at(
            "", f"{quoted(output)} is not fed by {listed(asked)}; it is by {listed(routed)}"
        )
    found = fits or routed
    if len(found) > 1:
        raise Refused.at(
            "",
            f"{quoted(output)} is fed by {listed(found)}; name the one that carried the signal "
            f"{how}",
        )
    return found[0]


def refuse_twice(outputs: Sequence[str]) -> None:
    """Raise `Refused` where an output is named twice."""
    if len(set(outputs)) != len(outputs):
        raise Refused.at("", "an output is named twice; give one capture of each")


def verify(
    preset: Preset,
    profile: Profile | None,
    captures: Sequence[Capture],
    *,
    loop: Loop | None = None,
    reading: Reading | None = None,
    told: Told = lambda what: nullcontext(),
    begun: Callable[[str], None] = lambda output: None,
) -> list[Verified]:
    """What was captured at outputs against what is meant, of one session; may take seconds.

    With a profile the preset is judged as that processor holds it. `told` is entered for each
    file that is read, and hears how far that is; `begun` hears each output before it is compared.
    Whatever they raise ends the work. Raises `Refused` where a capture cannot be read,
    or an output is muted, named twice, or not fed by what drove it.
    """
    from xover.design.verifying.sessions import Taken, verify_session

    refuse_twice([one.output for one in captures])
    held, places = preset, None
    if profile is not None:
        from xover.design.adapting.adaptation import adapt

        answer = adapt(preset, profile)
        held, places = answer.preset, answer.places
    files = _Files(reading or Reading(), TOP_OF_RATE * held.sample_rate_hz, told)
    taken = [
        Taken(
            one.output,
            one.driven,
            files.points(one.path, one.channel, one.output),
            None if loop is None else files.points(loop.path, loop.channel, one.output),
        )
        for one in captures
    ]
    if not files.share_time(captures, loop):
        taken = [
            structs.replace(one, points=structs.replace(one.points, shares_time=False))
            for one in taken
        ]
    return verify_session(held, taken, profile=profile, places=places, begun=begun)


class _Files:
    """The files of one verification."""

    def __init__(self, reading: Reading, top_hz: float, told: Told) -> None:
        if reading.time_zero is not None and reading.sweep is None:
            raise Refused.at("", "--time-zero belongs to --sweep SWEEP, which is not given")
        self.reading, self.top_hz, self.told = reading, top_hz, told
        self.takes: tuple[str, ...] = ()
        self._known: dict[tuple[str, int | None, str | None], Points] = {}
        if reading.sweep is not None:
            from xover.files.sweep_recordings import take_names

            self.takes = tuple(take_names(reading.sweep))

    def points(self, path: str, channel: int | None, output: str) -> Points:
        """The points of a capture; of a file with several sweeps that of the output's name."""
        take = self._take(output)
        key = (path, channel, take)
        if key not in self._known:
            self._known[key] = self._read(path, channel, take)
        return self._known[key]

    def share_time(self, captures: Sequence[Capture], loop: Loop | None) -> bool:
        """Whether captures may have one time zero, as far as that hangs on the sweep file.

        A timing mark passes the output that is captured, with all its delay: takes share it only
        where they are parts of one recording, and a loop's recording has another.
        """
        recordings = {(one.path, one.channel) for one in captures}
        alone = loop is None and self.reading.reference is None and len(recordings) == 1
        return len(self.takes) < 2 or alone

    def _take(self, output: str) -> str | None:
        take = next((name for name in self.takes if fold(name) == fold(output)), None)
        if take is None and len(self.takes) > 1:
            raise Refused.at(
                "",
                f"the sweep file holds takes of {listed(self.takes)}, none of {quoted(output)}; "
                "name the file that was played to this output",
            )
        return take

    def _read(self, path: str, channel: int | None, take: str | None) -> Points:
        from xover.design.verifying.points import condense
        from xover.files.captures import AudioAnswers, read_capture
        from xover.files.paths import file_name, shown_path
        from xover.files.sweep_recordings import SweepAnswers

        answers = None
        if self.reading.sweep is not None:
            zero = self.reading.time_zero or "direct"
            answers = SweepAnswers(self.reading.sweep, take, zero)
        audio = AudioAnswers(channel=channel, reference=self.reading.reference, sweep=answers)
        with self.told(f"reading {file_name(path)}") as progress:
            captured, _ = read_capture(path, audio=audio, progress=progress)
        return condense(captured, top_hz=self.top_hz, name=shown_path(path))
