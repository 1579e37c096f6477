"""An array put into a preset: the pattern's output and box copied to every place of a layout.

New outputs, sources and amplifier channels carry the pattern's settings; channels of the processor
stay open, since only whoever patches them knows. Nothing of the pattern but its delay, and where
the layout asks for it its place, is changed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TypeVar

from msgspec import Struct
from msgspec.structs import replace

from xover.acoustics.air import speed_of_sound_m_s
from xover.design.arrays import Element, Layout
from xover.model.changes import DELAY_MAX_MS, ENTERED_DECIMALS, other_polarity
from xover.model.lists import free_name
from xover.model.names import fold, listed, quoted
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import Group, Output
from xover.model.ranges import CoordinateM, Gain, PositionM
from xover.model.rig import Aim, AmplifierChannel, Source
from xover.model.units import plain, show_ms
from xover.model.walk import number_problem

ENTERED_M = 3
"""Places are written to a millimetre."""


class Placed(Struct, frozen=True):
    """One source of the array as it stands in the preset."""

    output: str
    source: str
    position_m: PositionM
    delay_ms: float
    gain_db: float
    polarity: str
    quantity: int
    azimuth_deg: float


class ArrayAnswer(Struct, frozen=True):
    """The preset with the array, its places, and what there is to say."""

    preset: Preset
    layout: Layout
    placed: tuple[Placed, ...]
    outputs: tuple[str, ...]
    """The outputs of the array, the pattern's own among them."""
    group: str
    band_hz: tuple[float, float]
    """What the pattern plays: its corners, or its box's range."""
    notes: tuple[str, ...]


def pattern_of(preset: Preset, output: str) -> Source:
    """The one source of the pattern's output. Raises `Refused` where it has none or several."""
    sources = preset.sources_of(output)
    if not sources:
        raise Refused.at(
            "sources",
            f"{quoted(output)} has no source to take as a pattern; add one with its position",
        )
    if len(sources) > 1:
        raise Refused.at(
            "sources",
            f"{quoted(output)} feeds {len(sources)} sources at different places; give the one that "
            "the array starts from an output of its own",
        )
    return sources[0]


def band_of(preset: Preset, output: str) -> tuple[float, float]:
    """From the high-pass (or the box's lower end) to the low-pass (or its upper end), in Hz."""
    item, box = preset.output(output), preset.loudspeaker(pattern_of(preset, output).loudspeaker)
    low_hz, high_hz = box.passband_hz
    if item.high_pass is not None:
        low_hz = item.high_pass.frequency_hz
    if item.low_pass is not None:
        high_hz = item.low_pass.frequency_hz
    if low_hz >= high_hz:
        raise Refused.at(
            f'outputs["{output}"]',
            f"{quoted(output)} plays no band: its high-pass is not below its low-pass",
        )
    return low_hz, high_hz


def array_preset(
    preset: Preset,
    output: str,
    layout: Layout,
    *,
    separate: bool = False,
    most_outputs: int | None = None,
    processor: str = "",
) -> ArrayAnswer:
    """The preset with the array in the place of the one source of `output`; an exact name.

    Places with the same setting share an output unless `separate`. `most_outputs` is how many the
    processor has, where that is known. Raises `Refused` where there are too few, or a delay or
    gain leaves its range.
    """
    source, item = pattern_of(preset, output), preset.output(output)
    feeds = _feeds(layout, separate)
    needed = len(preset.outputs) + len(feeds) - 1
    if most_outputs is not None and needed > most_outputs:
        raise Refused.at(
            "outputs",
            f"the array needs {len(feeds)} outputs, {needed} in all, and {quoted(processor)} has "
            f"{most_outputs}; take fewer boxes, or another processor",
        )
    taken = {fold(one.name) for one in preset.outputs}
    outputs: list[Output] = []
    sources: list[Source] = []
    channels: list[AmplifierChannel] = []
    names: list[str] = []
    placed: list[Placed] = []
    source_names = {fold(one.name) for one in preset.sources}
    channel_names = {fold(one.name) for one in preset.amplifier_channels}
    for number, elements in enumerate(feeds):
        first = elements[0]
        is_home = first.home
        name = output if is_home else free_name(f"{output} {_word(layout, feeds, number)}", taken)
        changed = _output(item, name, first)
        if is_home:
            changed = replace(changed, channel=item.channel, patch=item.patch)
        outputs.append(changed)
        names.append(name)
        for place, element in enumerate(elements):
            own = is_home and place == 0
            side = "" if len(elements) == 1 else (" left" if element.right_m < 0.0 else " right")
            made = replace(
                source,
                name=source.name if own else free_name(f"{name}{side}", source_names),
                output=name,
                position_m=_position(source, element),
                quantity=source.quantity * element.boxes,
                aim_deg=_aim(source.aim_deg, element),
            )
            if source.amplifier_channel is not None and not own:
                channel = preset.amplifier_channel(source.amplifier_channel)
                wanted = f"{channel.name} {(name[len(output) :] + side).strip()}".strip()
                channel = replace(channel, name=free_name(wanted, channel_names), output=name)
                channels.append(channel)
                made = replace(made, amplifier_channel=channel.name)
            sources.append(made)
            placed.append(
                Placed(
                    name,
                    made.name,
                    made.position_m,
                    changed.delay_ms,
                    changed.gain_db,
                    changed.polarity,
                    made.quantity,
                    made.aim_deg.azimuth,
                )
            )
    group = free_name(f"{output} {layout.kind}", {fold(one.name) for one in preset.groups})
    follow = ["polarity", "delay", "high_pass", "low_pass", "eq", "limiter"]
    if len({one.gain_db for one in outputs}) == 1:
        follow.insert(0, "gain")
    edited = replace(
        preset,
        outputs=tuple(_in_place(preset.outputs, outputs, output)),
        sources=tuple(_in_place(preset.sources, sources, source.name)),
        amplifier_channels=(*preset.amplifier_channels, *channels),
        groups=(*preset.groups, Group(name=group, outputs=tuple(names), follow=tuple(follow))),  # type: ignore[arg-type]
    )
    notes = _notes(preset, edited, output, source, item, channels)
    return ArrayAnswer(
        edited, layout, tuple(placed), tuple(names), group, band_of(preset, output), notes
    )


def is_array_rear(preset: Preset, output: str) -> bool:
    """Whether an output is the inverted, later part of a gradient: its polarity is meant so.

    That is: in one group that follows polarity with an output of the same band that is of the
    other polarity and comes before it.
    """
    own = preset.output(output)
    band = (own.high_pass, own.low_pass)
    for group in preset.groups:
        if output in group.outputs and "polarity" in group.follow:
            for name in group.outputs:
                other = preset.output(name)
                if (
                    (other.high_pass, other.low_pass) == band
                    and other.polarity != own.polarity
                    and other.delay_ms < own.delay_ms
                ):
                    return True
    return False


def _feeds(layout: Layout, separate: bool) -> list[list[Element]]:
    """The elements by output: those with one setting together, the pattern's own first."""
    feeds: list[list[Element]] = []
    for element in sorted(layout.elements, key=lambda one: (not one.home, abs(one.right_m))):
        alike = [
            feed
            for feed in feeds
            if not separate
            and math.isclose(feed[0].delay_ms, element.delay_ms, abs_tol=1e-9)
            and feed[0].inverted == element.inverted
            and feed[0].gain_db == element.gain_db
            and feed[0].turned == element.turned
        ]
        if alike:
            alike[0].append(element)
        else:
            feeds.append([element])
    if layout.kind != "arc":
        feeds[1:] = sorted(feeds[1:], key=lambda feed: abs(feed[0].ahead_m))
    if separate and layout.kind == "arc":  # of an even line one of the two inner boxes is home
        feeds[1:] = [[replace(feed[0], home=False)] for feed in feeds[1:]]
    return feeds


def _word(layout: Layout, feeds: list[list[Element]], number: int) -> str:
    """What a further output of the array is called after the pattern's name."""
    element = feeds[number][0]
    if layout.kind == "gradient":
        if len(feeds) == 2:
            return "rear" if element.ahead_m < 0.0 else "front"
        last = number == len(feeds) - 1
        return ("rear" if element.ahead_m < 0.0 else "front") if last else "middle"
    if layout.kind == "endfire":
        return f"{'ahead' if element.ahead_m > 0.0 else 'behind'} {number}"
    return f"out {number}"


def _output(item: Output, name: str, element: Element) -> Output:
    delay_ms = round(item.delay_ms + element.delay_ms, ENTERED_DECIMALS)
    if delay_ms > DELAY_MAX_MS:
        raise Refused.at(
            f'outputs["{item.name}"].delay_ms',
            f"the array would need {show_ms(delay_ms)} of delay; the limit is "
            f"{plain(DELAY_MAX_MS, 0)} ms",
        )
    gain_db = round(item.gain_db + element.gain_db, 2)
    problem = number_problem(gain_db, Gain)
    if problem:
        raise Refused.at(f'outputs["{item.name}"].gain_db', f"a gain of {problem}")
    polarity = other_polarity(item.polarity) if element.inverted else item.polarity
    return replace(
        item,
        name=name,
        channel=None,
        patch="",
        delay_ms=delay_ms,
        gain_db=gain_db,
        polarity=polarity,
    )


def _position(source: Source, element: Element) -> PositionM:
    turn = math.radians(source.aim_deg.azimuth)
    x, y, z = source.position_m
    x += element.ahead_m * math.sin(turn) + element.right_m * math.cos(turn)
    y += element.ahead_m * math.cos(turn) - element.right_m * math.sin(turn)
    for value in (x, y):
        problem = number_problem(value, CoordinateM)
        if problem:
            raise Refused.at("sources", f"a box of the array would stand out of reach: {problem}")
    return round(x, ENTERED_M) + 0.0, round(y, ENTERED_M) + 0.0, z


def _aim(aim: Aim, element: Element) -> Aim:
    if not element.turned:
        return aim
    azimuth = aim.azimuth + 180.0
    return replace(aim, azimuth=azimuth - 360.0 if azimuth > 360.0 else azimuth)


_T = TypeVar("_T", Output, Source)


def _in_place(items: Iterable[_T], made: list[_T], home: str) -> Iterable[_T]:
    for item in items:
        if item.name == home:
            yield from made
        else:
            yield item


def _notes(
    preset: Preset,
    edited: Preset,
    output: str,
    source: Source,
    item: Output,
    channels: list[AmplifierChannel],
) -> tuple[str, ...]:
    notes = [
        "starting values from points in free field: measure in front and behind, then align the "
        "array as a whole",
        "its outputs are one group that follows delay and polarity: an alignment moves it whole; "
        "a delay typed into one of them on the sheet would become that of all, so nudge instead",
    ]
    if edited.output(output).delay_ms != item.delay_ms:
        notes.append(
            f"{quoted(output)} now reads {show_ms(edited.output(output).delay_ms)} instead of "
            f"{show_ms(item.delay_ms)}: whatever was aligned to it has to be aligned anew"
        )
    if source.quantity > 1:
        notes.append(
            f"each place holds the {source.quantity} boxes of {quoted(source.name)}, or a multiple"
        )
    if any(one.output == output for one in preset.measurements):
        notes.append(
            f"the captures of {quoted(output)} are of the single box: delete them, or capture anew"
        )
    tied = [one.name for one in preset.groups if output in one.outputs and "delay" in one.follow]
    if tied:
        notes.append(
            f"{quoted(output)} is also in {quoted(tied[0])}, which follows delay: its other "
            "members were left as they are, and move with the array from now on"
        )
    if channels:
        notes.append(
            "amplifier channels are added as copies, to be patched and named: "
            + listed(one.name for one in channels)
        )
    if source.boundary not in ("free", "floor"):
        notes.append(
            f"{quoted(source.name)} stands at a wall ({source.boundary}): what that throws back "
            "fills the null behind the array"
        )
    return tuple(notes)


def design_frequency_hz(band_hz: tuple[float, float]) -> float:
    """The arithmetic mean of the band: there a quarter wave centres a pair's gain in front."""
    return 0.5 * (band_hz[0] + band_hz[1])


def speed_m_s(preset: Preset) -> float:
    """The speed of sound in the preset's air."""
    return speed_of_sound_m_s(preset.air)
