"""Edits: each takes a preset and gives a new one; nothing is changed in place.

Groups, locks and references are honoured here, once, for every door and every calculation.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

import msgspec
from msgspec.structs import replace

from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import EqSection, Output
from xover.model.rig import Measurement
from xover.model.words import Polarity, Stage

DELAY_MAX_MS = 10_000.0
ENTERED_DECIMALS = 4
"""Delays found by calculation are written to 0.1 µs (34 µm of air): figures one can type."""


def other_polarity(polarity: Polarity) -> Polarity:
    """The opposite of `polarity`."""
    return "normal" if polarity == "inverted" else "inverted"


def with_outputs(preset: Preset, change: Callable[[Output], Output]) -> Preset:
    """The preset with `change` applied to every output."""
    return replace(preset, outputs=tuple(change(output) for output in preset.outputs))


def with_output(preset: Preset, name: str, **fields: Any) -> Preset:
    """The preset with fields of one output replaced; `KeyError` if there is no such output."""
    preset.output(name)
    return with_outputs(
        preset, lambda output: replace(output, **fields) if output.name == name else output
    )


def followers(preset: Preset, output: str, stage: Stage) -> frozenset[str]:
    """Every output that gets the same change of `stage` as `output`, itself included.

    Groups that share an output are followed through to the end.
    """
    found = {output}
    groups = [set(group.outputs) for group in preset.groups if stage in group.follow]
    grown = True
    while grown:
        grown = False
        for members in groups:
            if members & found and not members <= found:
                found |= members
                grown = True
    return frozenset(found)


def is_locked(preset: Preset, output: str, stage: Stage) -> bool:
    """Whether `stage` of this output must stay as it is when it is the one being moved.

    Delay and polarity of a locked way move with its group, never alone.
    """
    if stage not in preset.output(output).locked:
        return False
    if stage in ("delay", "polarity"):
        return len(followers(preset, output, stage)) == 1
    return True


class Shift(msgspec.Struct, frozen=True):
    """What an alignment asks of one output: delay to add in ms, and whether polarity turns."""

    delay_ms: float = 0.0
    invert: bool = False


class Setting(msgspec.Struct, frozen=True):
    """The final delay and polarity of one output."""

    delay_ms: float
    polarity: Polarity


def settings_after(preset: Preset, shifts: Mapping[str, Shift]) -> dict[str, Setting]:
    """Final delay and polarity of every output after relative shifts of some of them.

    `shifts` maps moved outputs to relative changes (a negative delay means earlier). Groups move
    whole. Where something must come earlier, everything else is delayed instead, so that all
    relative delays among the others stay. Raises `Refused` where groups contradict each other, a
    locked way would move alone or a delay leaves 0…10,000 ms.
    """
    delay_ms: dict[str, float] = {}
    invert: dict[str, bool] = {}
    for name, shift in shifts.items():
        for follower in followers(preset, name, "delay"):
            if abs(delay_ms.setdefault(follower, shift.delay_ms) - shift.delay_ms) > 1e-9:
                raise Refused.at(
                    "",
                    f"“{follower}” is tied by a group that follows delay to outputs that would "
                    "move by different amounts; move one output of the group at a time",
                )
        if shift.invert:
            for follower in followers(preset, name, "polarity"):
                invert[follower] = True
    common_ms = max([0.0, *(-value for value in delay_ms.values())])
    result: dict[str, Setting] = {}
    for index, output in enumerate(preset.outputs):
        added_ms = delay_ms.get(output.name, 0.0) + common_ms
        turned = invert.get(output.name, False)
        if added_ms > 0.0 and output.name not in delay_ms:
            _refuse_locked(preset, index, output, "delay")
        final_ms = output.delay_ms
        if added_ms:
            final_ms = round(output.delay_ms + added_ms, ENTERED_DECIMALS)
        if final_ms > DELAY_MAX_MS:
            raise Refused.at(
                f"outputs[{index}].delay_ms",
                f"“{output.name}” would need {final_ms:.3f} ms of delay, the limit is "
                f"{DELAY_MAX_MS:.0f} ms",
            )
        polarity = other_polarity(output.polarity) if turned else output.polarity
        result[output.name] = Setting(final_ms, polarity)
    return result


def _refuse_locked(preset: Preset, index: int, output: Output, stage: Stage) -> None:
    if is_locked(preset, output.name, stage):
        raise Refused.at(
            f"outputs[{index}].locked",
            f"everything else must be delayed, but the {stage} of “{output.name}” is locked; "
            f"unlock it or put it in a group that follows {stage}",
        )


def with_settings(preset: Preset, settings: Mapping[str, Setting]) -> Preset:
    """The preset with the final delays and polarities written in."""

    def change(output: Output) -> Output:
        setting = settings.get(output.name)
        if setting is None:
            return output
        return replace(output, delay_ms=setting.delay_ms, polarity=setting.polarity)

    return with_outputs(preset, change)


def with_added_eq(preset: Preset, sections: Mapping[str, EqSection]) -> Preset:
    """The preset with a section put after the EQ of each of these outputs and their followers.

    Raises `Refused` where the EQ of one of them is locked and no group moves it.
    """
    added: dict[str, EqSection] = {}
    for name, section in sections.items():
        if is_locked(preset, name, "eq"):
            raise Refused.at(
                f'outputs["{name}"].locked', f"the EQ of “{name}” is locked; unlock it first"
            )
        for follower in followers(preset, name, "eq"):
            added.setdefault(follower, section)

    def change(output: Output) -> Output:
        section = added.get(output.name)
        return output if section is None else replace(output, eq=(*output.eq, section))

    return with_outputs(preset, change)


def _renamed(names: Iterable[str], old: str, new: str) -> tuple[str, ...]:
    return tuple(new if name == old else name for name in names)


def rename_output(preset: Preset, old: str, new: str) -> Preset:
    """The preset with an output renamed, together with every reference to it.

    `KeyError` if there is no output `old`; the caller has cleaned `new` and knows it is free.
    """
    preset.output(old)
    return replace(
        with_outputs(
            preset, lambda output: replace(output, name=new) if output.name == old else output
        ),
        groups=tuple(
            replace(group, outputs=_renamed(group.outputs, old, new)) for group in preset.groups
        ),
        amplifier_channels=tuple(
            replace(channel, output=new) if channel.output == old else channel
            for channel in preset.amplifier_channels
        ),
        sources=tuple(
            replace(source, output=new) if source.output == old else source
            for source in preset.sources
        ),
        measurements=tuple(
            replace(
                measurement,
                output=new,
                captured_settings=None
                if measurement.captured_settings is None
                else replace(
                    measurement.captured_settings,
                    output=replace(measurement.captured_settings.output, name=new),
                ),
            )
            if measurement.output == old
            else measurement
            for measurement in preset.measurements
        ),
    )


def rename_input(preset: Preset, old: str, new: str) -> Preset:
    """The preset with an input renamed, together with every reference to it.

    `KeyError` if there is no input `old`; the caller has cleaned `new` and knows it is free.
    """
    preset.input(old)

    def keys(table: Mapping[str, float]) -> dict[str, float]:
        return {new if name == old else name: value for name, value in table.items()}

    def route(output: Output) -> Output:
        return replace(output, inputs=keys(output.inputs)) if old in output.inputs else output

    return replace(
        with_outputs(preset, route),
        inputs=tuple(
            replace(item, name=new) if item.name == old else item for item in preset.inputs
        ),
        stimulus=None
        if preset.stimulus is None
        else replace(preset.stimulus, inputs=keys(preset.stimulus.inputs)),
        measurements=tuple(
            replace(
                measurement,
                driven_inputs=keys(measurement.driven_inputs),
                captured_settings=None
                if measurement.captured_settings is None
                else replace(
                    measurement.captured_settings,
                    output=route(measurement.captured_settings.output),
                    inputs=tuple(
                        replace(item, name=new) if item.name == old else item
                        for item in measurement.captured_settings.inputs
                    ),
                ),
            )
            for measurement in preset.measurements
        ),
    )


def rename_listed(preset: Preset, key: str, old: str, new: str) -> Preset:
    """The preset with an item of the list `key` renamed, together with every reference to it.

    `key` is any list of named items; nothing changes where none has the name `old`. The caller
    has cleaned `new` and knows it is free.
    """
    if key == "outputs":
        return rename_output(preset, old, new)
    if key == "inputs":
        return rename_input(preset, old, new)
    fields: dict[str, Any] = {key: _with_name(getattr(preset, key), "name", old, new)}
    for referring, field in _REFERENCES.get(key, ()):
        fields[referring] = _with_name(getattr(preset, referring), field, old, new)
    if key == "sources":
        fields["measurements"] = tuple(
            _with_source_renamed(item, old, new) for item in preset.measurements
        )
    return replace(preset, **fields)


_REFERENCES: dict[str, tuple[tuple[str, str], ...]] = {
    "listeners": (("measurements", "listener"),),
    "loudspeakers": (("sources", "loudspeaker"),),
    "amplifiers": (("amplifier_channels", "amplifier"),),
    "amplifier_channels": (("sources", "amplifier_channel"),),
}
"""Which list refers to a list's names, and in which field."""


def _with_name(items: tuple[Any, ...], field: str, old: str, new: str) -> tuple[Any, ...]:
    return tuple(
        replace(item, **{field: new}) if getattr(item, field) == old else item for item in items
    )


def _with_source_renamed(item: Measurement, old: str, new: str) -> Measurement:
    then = item.captured_positions_m
    if then is None or old not in then.sources:
        return item
    places = {new if name == old else name: place for name, place in then.sources.items()}
    return replace(item, captured_positions_m=replace(then, sources=places))
