"""Inputs, outputs and listeners that come and go, each with every reference to it.

Makes legal presets of legal ones; what may not go is refused with the remedy.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, Literal

from msgspec.structs import replace

from xover.model.changes import with_outputs
from xover.model.names import clean, fold, quoted
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import Output
from xover.model.ranges import NAME_LENGTH
from xover.model.rig import Listener

Listed = Literal["inputs", "outputs", "listeners"]


FIRST_LISTENER_M = (0.0, 10.0, 1.2)
"""Where the first listener sits until moved: ten metres out, ears of somebody seated."""


def with_further(preset: Preset, key: Listed, beside: str | None, typed: str) -> Preset:
    """The preset with one more item of a list, behind the item `beside`, with its settings.

    An output comes without its number, its patch, its locks and its groups, and plays no
    loudspeaker; an input is routed nowhere; a listener sits in the same place, the first one of
    all (`beside` None) at `FIRST_LISTENER_M`. `typed` is trimmed. Raises `Refused` where the name
    is not legal or taken, or `beside` is not there.
    """
    name = clean(typed)
    items = list(getattr(preset, key))
    if key == "listeners" and beside is None and not items:
        return replace(preset, listeners=(Listener(name=name, position_m=FIRST_LISTENER_M),))
    at = _index(key, items, beside)
    if any(fold(item.name) == fold(name) for item in items):
        raise Refused.at(key, f"there is already a name {quoted(name)} here; choose another one")
    further = replace(items[at], name=name)
    if key != "listeners":
        further = replace(further, channel=None)
    if isinstance(further, Output):
        further = replace(further, patch="", locked=())
    items.insert(at + 1, further)
    return replace(preset, **{key: tuple(items)})


def with_boxes_like(preset: Preset, beside: str, output: str) -> Preset:
    """The preset in which an output plays boxes like another's, from amplifier channels like its.

    They stand in the same places until moved. Raises `Refused` where `beside` plays none.
    """
    sources = [one for one in preset.sources if one.output == beside]
    if not sources:
        raise Refused.at("sources", f"{quoted(beside)} plays no loudspeaker, so none can be copied")
    channels = [one for one in preset.amplifier_channels if one.output == beside]
    taken = [one.name for one in preset.amplifier_channels]
    names: dict[str | None, str] = {}
    for channel in channels:
        names[channel.name] = next_name(channel.name, taken)
        taken.append(names[channel.name])
    known = [one.name for one in preset.sources]
    copies = []
    for source in sources:
        known.append(next_name(source.name, known))
        copies.append(
            replace(
                source,
                name=known[-1],
                output=output,
                amplifier_channel=names.get(source.amplifier_channel),
            )
        )
    return replace(
        preset,
        amplifier_channels=(
            *preset.amplifier_channels,
            *(replace(one, name=names[one.name], output=output) for one in channels),
        ),
        sources=(*preset.sources, *copies),
    )


def without(preset: Preset, key: Listed, name: str) -> Preset:
    """The preset without an item of a list, and without what rests on it.

    With an output go its sources, amplifier channels and captures, and its place in groups; with
    a listener its captures; with an input its routes. Raises `Refused` for the last input or
    output, and for an input through which a capture was driven.
    """
    items = getattr(preset, key)
    at = _index(key, items, name)
    kind = key.removesuffix("s")
    if len(items) == 1 and key != "listeners":
        raise Refused.at(key, f"{quoted(name)} is the only {kind}; a preset needs at least one")
    left: dict[str, Any] = {key: (*items[:at], *items[at + 1 :])}
    if key == "inputs":
        if any(name in one.driven_inputs for one in preset.measurements):
            raise Refused.at(
                key,
                f"captures were driven through {quoted(name)}, and could not be read without it; "
                "take them out first, or leave it unrouted",
            )
        preset = with_outputs(
            preset,
            lambda output: (
                replace(output, inputs=_less(output.inputs, name))
                if name in output.inputs
                else output
            ),
        )
        if preset.stimulus is not None:
            left["stimulus"] = replace(preset.stimulus, inputs=_less(preset.stimulus.inputs, name))
        return replace(preset, **left)
    left["measurements"] = tuple(one for one in preset.measurements if getattr(one, kind) != name)
    if key == "outputs":
        left["sources"] = tuple(one for one in preset.sources if one.output != name)
        left["amplifier_channels"] = tuple(
            one for one in preset.amplifier_channels if one.output != name
        )
        left["groups"] = tuple(
            replace(one, outputs=tuple(each for each in one.outputs if each != name))
            if name in one.outputs
            else one
            for one in preset.groups
        )
    return replace(preset, **left)


def goes_along(preset: Preset, key: Listed, name: str) -> str:
    """What `without` takes along, in words (“1 source, 3 captures”); "" where nothing goes."""
    fewer = without(preset, key, name)
    words = []
    for field, one in (
        ("sources", "source"),
        ("amplifier_channels", "amplifier channel"),
        ("measurements", "capture"),
    ):
        count = len(getattr(preset, field)) - len(getattr(fewer, field))
        if count:
            words.append(f"{count} {one}" if count == 1 else f"{count} {one}s")
    return ", ".join(words)


def free_name(wanted: str, taken: set[str]) -> str:
    """A name that nothing else has (`taken` are folded), cut to length; taken from now on."""
    for number in range(1, 10_000):
        ending = "" if number == 1 else f" {number}"
        name = wanted[: NAME_LENGTH - len(ending)].rstrip() + ending
        if fold(name) not in taken:
            taken.add(fold(name))
            return name
    raise Refused.at("", f"there is no free name beside {quoted(wanted)}")


def next_name(name: str, names: Iterable[str]) -> str:
    """A free name like this one, with a number from 2 on: “Sub 2” beside “Sub”."""
    head, _, tail = name.rpartition(" ")
    stem = head if head and tail.isdecimal() else name
    return free_name(stem, {fold(stem), *map(fold, names)})


def _less(table: dict[str, float], name: str) -> dict[str, float]:
    return {key: value for key, value in table.items() if key != name}


def _index(key: str, items: Sequence[Any], name: str | None) -> int:
    for at, item in enumerate(items):
        if item.name == name:
            return at
    raise Refused.at(key, f"there is no {key.removesuffix('s')} {quoted(name or '')} any more")
