"""What hangs on each amplifier channel: loads, taps, cable, and what is left of the power.

Boxes are counted as the preset names them; nothing is guessed where a figure is missing or two
figures contradict each other: it is said, and what rests on it stays None.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Final, Literal

from msgspec import Struct

from xover.acoustics.amplifier import FULL_TAP_LINE_V, sine_voltage_v, tap_draw_w
from xover.acoustics.cable import (
    conductor_ohm_per_km,
    end_of_line_loss_db,
    loop_ohm,
    loss_db,
)
from xover.model.cable_size import show_area
from xover.model.names import quoted
from xover.model.preset import Preset
from xover.model.rig import Amplifier, AmplifierChannel, Loudspeaker, Source
from xover.model.units import plain, short

MINIMUM_OF_RATED: Final = 0.8
"""Where a data sheet states no minimum impedance: common practice, and the margin that amplifier
ratings leave below their nominal loads."""
RESERVE: Final = 0.2
"""What taps leave of an amplifier's power: 20 %, common practice, no source."""
MOST_ON_A_RUN: Final = 1000
"""Beyond so many transformers no spread along one run is computed."""
SAME_TAP: Final = 1e-6

Kind = Literal["load", "unrated-load", "reserve", "tap", "line", "shared", "bound"]


class Concern(Struct, frozen=True):
    """Something that needs attention: its kind, the place in the file, a sentence."""

    kind: Kind
    where: str
    message: str
    severe: bool = False


class Hung(Struct, frozen=True):
    """One source on a channel; `transformers` is None for boxes without."""

    source: Source
    box: Loudspeaker
    tap_draw_w: float | None
    """What one transformer draws at the line's voltage; None without tap or line."""


class ChannelLoad(Struct, frozen=True):
    """One amplifier channel with what it drives. None where a figure cannot be had."""

    channel: AmplifierChannel
    amplifier: Amplifier
    where: str
    hung: tuple[Hung, ...]
    """The passive boxes on it; active ones have amplifiers of their own."""
    rated_load_ohm: float | None
    """All boxes' rated impedances in parallel; on a line V²/ΣP."""
    load_ohm: float | None
    """The same from minimum impedances; never halved."""
    tap_total_w: float | None
    """What all transformers draw together at the line's voltage; None without a line."""
    available_w: float | None
    sine_v: float | None
    """The largest sine into that load, rms volts; on a line the line's voltage."""
    cable_ohm: float | None
    """There and back."""
    cable_loss_db: float | None
    """At least 0; all of the load taken to be at the end."""
    spread_loss_db: float | None
    """On a line: at the last box if they are spread evenly along the run."""
    damping: float | None
    """Rated load over cable resistance: what damping factor the cable leaves at most."""
    working: tuple[str, ...]
    concerns: tuple[Concern, ...]


def channel_loads(preset: Preset) -> tuple[ChannelLoad, ...]:
    """Every amplifier channel of the preset with its load, in file order."""
    return tuple(
        _channel(preset, channel, f"amplifier_channels[{at}]")
        for at, channel in enumerate(preset.amplifier_channels)
    )


def minimum_impedance_ohm(box: Loudspeaker) -> float:
    """The minimum impedance of a passive box; 0.8 of the rated one where none is stated."""
    assert box.impedance_ohm is not None, "passive boxes have an impedance"
    if box.minimum_impedance_ohm is not None:
        return box.minimum_impedance_ohm
    return MINIMUM_OF_RATED * box.impedance_ohm


def ohms(value: float) -> str:
    """`4.00 ohm`."""
    return f"{plain(value, 2)} ohm"


def watts(value: float) -> str:
    """`450 W`, `7.5 W`."""
    return f"{short(value, 1)} W"


def parallel_ohm(boxes: Iterable[tuple[int, float]]) -> float:
    """1/Σ(n/Z) of so many boxes of so many ohms each; never below a nano-ohm."""
    return 1.0 / min(1e9, sum(count / impedance_ohm for count, impedance_ohm in boxes))


def _channel(preset: Preset, channel: AmplifierChannel, where: str) -> ChannelLoad:
    amplifier = preset.amplifier(channel.amplifier)
    concerns: list[Concern] = []
    working: list[str] = []
    hung: list[Hung] = []
    fits = True
    for at, source in enumerate(preset.sources):
        if source.amplifier_channel != channel.name:
            continue
        box = preset.loudspeaker(source.loudspeaker)
        if box.active:
            working.append(
                f"{quoted(source.name)} is an active box and loads no channel; it is not counted"
            )
            continue
        problems = list(_mismatch(channel, source, box, f"sources[{at}]"))
        fits = fits and not any(one.kind == "line" for one in problems)
        concerns += problems
        draw_w = None
        if channel.line_v is not None and source.tap_w is not None:
            draw_w = tap_draw_w(box, source.tap_w, channel.line_v)
        hung.append(Hung(source, box, draw_w))
    if channel.line_v is not None and channel.line_v not in amplifier.line_v:
        known = " and ".join(short(one) for one in amplifier.line_v)
        concerns.append(
            Concern(
                "line",
                f"{where}.line_v",
                f"{quoted(channel.name)} is set to a {short(channel.line_v)} V line, but its "
                f"amplifier {quoted(amplifier.name)} lists "
                + (f"{known} V" if known else "no line output"),
            )
        )
    rated = least = total_w = sine_v = available_w = spread_db = None
    if hung and fits:
        if channel.line_v is None:
            rated, least, sine_v, available_w = _low_impedance(
                channel, amplifier, hung, where, working, concerns
            )
        else:
            total_w, spread = _line(channel, hung, working, concerns, preset)
            rated = least = channel.line_v**2 / total_w
            spread_db = _spread(channel, spread)
            working.append(
                f"{short(channel.line_v)}² / {watts(total_w)} = {ohms(rated)} on the line"
            )
    if channel.line_v is not None:
        sine_v = channel.line_v
        sides = 2.0 if channel.bridged else 1.0
        available_w = sides * max(amplifier.power_w.values())
        if total_w is not None:
            concerns += _reserve(channel, where, total_w, available_w)
    if least is not None and rated is not None:
        concerns += _too_low(channel, amplifier, where, rated, least)
    cable = channel.cable
    run_ohm = loop_ohm(cable.length_m, cable.area_mm2) if cable is not None else None
    lost_db = damping = None
    if run_ohm is not None and rated is not None:
        assert cable is not None
        lost_db, damping = loss_db(rated, run_ohm), rated / run_ohm
        working.append(
            f"cable {short(cable.length_m, 1)} m of {show_area(cable.area_mm2)}, at most "
            f"{short(conductor_ohm_per_km(cable.area_mm2), 3)} ohm per km: "
            f"{plain(run_ohm, 3)} ohm there and back; 20·log10(({plain(rated, 2)} + "
            f"{plain(run_ohm, 3)}) / {plain(rated, 2)}) = {plain(lost_db, 2)} dB of loss"
            + (
                f", and a damping factor of at most {plain(rated, 2)} / {plain(run_ohm, 3)} = "
                f"{short(damping, 1)}"
                if channel.line_v is None
                else ""
            )
        )
        if spread_db is not None:
            working.append(
                f"spread evenly along that run, the last box loses {plain(spread_db, 2)} dB; "
                "with all of them at its end it is the figure above"
            )
    if channel.line_v is not None:
        working.append(_saturation(channel.line_v))
    return ChannelLoad(
        channel=channel,
        amplifier=amplifier,
        where=where,
        hung=tuple(hung),
        rated_load_ohm=rated,
        load_ohm=least,
        tap_total_w=total_w,
        available_w=available_w,
        sine_v=sine_v,
        cable_ohm=run_ohm,
        cable_loss_db=lost_db,
        spread_loss_db=spread_db,
        damping=damping,
        working=tuple(working),
        concerns=tuple(concerns),
    )


def _mismatch(
    channel: AmplifierChannel, source: Source, box: Loudspeaker, where: str
) -> Iterable[Concern]:
    """Boxes that do not belong on the channel as it is, and taps that are not there."""
    name = quoted(source.name)
    if channel.line_v is not None and source.tap_w is None:
        assert box.impedance_ohm is not None
        across_w = channel.line_v**2 / box.impedance_ohm
        yield Concern(
            "line",
            f"{where}.tap_w",
            f"{name} hangs on the {short(channel.line_v)} V line of {quoted(channel.name)} without "
            f"a tap: {ohms(box.impedance_ohm)} straight across it would draw {watts(across_w)}, "
            f"and its box bears {_rating_words(box)}; give it a tap, or take it off the line",
            severe=True,
        )
        return
    if channel.line_v is None and source.tap_w is not None:
        yield Concern(
            "line",
            f"{where}.tap_w",
            f"{name} is on a tap of {watts(source.tap_w)}, but {quoted(channel.name)} drives no "
            "70.7 or 100 V line; set line_v of the channel, or take the tap out",
            severe=True,
        )
        return
    if source.tap_w is None:
        return
    if not any(abs(tap - source.tap_w) <= SAME_TAP * tap for tap in box.taps_w):
        known = ", ".join(short(tap, 2) for tap in box.taps_w)
        yield Concern(
            "tap",
            f"{where}.tap_w",
            f"{name} is on a tap of {watts(source.tap_w)} at 100 V, which its box "
            f"{quoted(box.name)} does not have: it lists " + (f"{known} W" if known else "none"),
        )


def _low_impedance(
    channel: AmplifierChannel,
    amplifier: Amplifier,
    hung: Sequence[Hung],
    where: str,
    working: list[str],
    concerns: list[Concern],
) -> tuple[float, float, float | None, float | None]:
    """Rated and minimum parallel load, the largest sine into it, and its power."""
    rated_each: list[tuple[int, float]] = []
    least_each: list[tuple[int, float]] = []
    parts: list[str] = []
    for each in hung:
        assert each.box.impedance_ohm is not None
        count = each.source.quantity
        least_ohm = minimum_impedance_ohm(each.box)
        rated_each.append((count, each.box.impedance_ohm))
        least_each.append((count, least_ohm))
        stated = each.box.minimum_impedance_ohm is not None
        parts.append(
            f"{count} × {quoted(each.source.name)} at {ohms(each.box.impedance_ohm)} rated, "
            f"{ohms(least_ohm)} least" + ("" if stated else " (0.8 of it, not stated)")
        )
    rated, least = parallel_ohm(rated_each), parallel_ohm(least_each)
    working.append(f"{'; '.join(parts)}: {ohms(rated)} rated, {ohms(least)} least in parallel")
    sine_v = sine_voltage_v(amplifier, rated, bridged=channel.bridged)
    if sine_v is None:
        lowest = min(float(load) for load in amplifier.power_w)
        seen = f"{ohms(rated)}, {ohms(rated / 2.0)} a side" if channel.bridged else ohms(rated)
        concerns.append(
            Concern(
                "unrated-load",
                where,
                f"what {quoted(amplifier.name)} gives into the {seen} on {quoted(channel.name)} is "
                f"not known: the lowest load that it is rated for is {ohms(lowest)}, so no bound "
                "is computed from it",
            )
        )
        return rated, least, None, None
    available_w = sine_v**2 / rated
    working.append(_sine_words(channel, amplifier, rated, sine_v, available_w))
    return rated, least, sine_v, available_w


def _sine_words(
    channel: AmplifierChannel,
    amplifier: Amplifier,
    rated_ohm: float,
    sine_v: float,
    available_w: float,
) -> str:
    loads = sorted(float(load) for load in amplifier.power_w)
    table = {float(load): power for load, power in amplifier.power_w.items()}
    each_ohm = rated_ohm / 2.0 if channel.bridged else rated_ohm
    near = [one for one in loads if math.isclose(one, each_ohm, rel_tol=1e-9)]
    if near and not channel.bridged:
        source = "as rated"
    elif near:
        source = f"{watts(table[near[0]])} into {ohms(near[0])}"
    elif each_ohm > loads[-1]:
        source = (
            f"above the highest rated load its voltage there, {watts(table[loads[-1]])} into "
            f"{ohms(loads[-1])}"
        )
    else:
        low = max(one for one in loads if one < each_ohm)
        high = min(one for one in loads if one > each_ohm)
        source = "straight in volts between " + " and ".join(
            f"{plain(math.sqrt(table[one] * one), 2)} V ({watts(table[one])} into {ohms(one)})"
            for one in (low, high)
        )
    sides = f", two sides at {ohms(each_ohm)} each" if channel.bridged else ""
    return (
        f"gives {plain(sine_v, 2)} V, {watts(available_w)} into {ohms(rated_ohm)}{sides} ({source})"
    )


def _line(
    channel: AmplifierChannel,
    hung: Sequence[Hung],
    working: list[str],
    concerns: list[Concern],
    preset: Preset,
) -> tuple[float, tuple[float, ...]]:
    """What all transformers on a line draw together, and each of them in file order, in watts."""
    together: dict[tuple[str, float], list[Hung]] = {}
    for each in hung:
        assert each.source.tap_w is not None
        together.setdefault((each.box.name, each.source.tap_w), []).append(each)
    draws: list[float] = []
    for (_, tap_w), members in together.items():
        box, draw_w = members[0].box, members[0].tap_draw_w
        assert draw_w is not None
        boxes = sum(each.source.quantity for each in members)
        transformers = math.ceil(boxes / box.boxes_per_transformer)
        draws += [draw_w] * transformers
        text = f"{transformers} × {watts(draw_w)}"
        if box.boxes_per_transformer > 1:
            text += f" ({boxes} boxes, {box.boxes_per_transformer} a transformer)"
        if draw_w != tap_w:
            text += f", half of the tap's {watts(tap_w)} at {short(FULL_TAP_LINE_V)} V"
        elif channel.line_v != FULL_TAP_LINE_V:
            text += f", a winding of its own for {short(channel.line_v or 0.0)} V"
        working.append(f"{quoted(box.name)} on taps of {watts(tap_w)}: {text}")
        if boxes % box.boxes_per_transformer:
            at = preset.sources.index(members[-1].source)
            concerns.append(
                Concern(
                    "shared",
                    f"sources[{at}].quantity",
                    f"{boxes} boxes {quoted(box.name)} on taps of {watts(tap_w)} do not fill their "
                    f"transformers of {box.boxes_per_transformer}: {transformers} transformers are "
                    "counted, and a box that has one to itself gets more than its share",
                )
            )
    total_w = sum(draws)
    working.append(f"taps together {watts(total_w)} at {short(channel.line_v or 0.0)} V")
    return total_w, tuple(draws)


def _spread(channel: AmplifierChannel, draws_w: Sequence[float]) -> float | None:
    if channel.cable is None or channel.line_v is None or len(draws_w) > MOST_ON_A_RUN:
        return None
    run_ohm = loop_ohm(channel.cable.length_m, channel.cable.area_mm2)
    return end_of_line_loss_db([channel.line_v**2 / draw for draw in draws_w], run_ohm)


def _reserve(
    channel: AmplifierChannel, where: str, total_w: float, available_w: float
) -> Iterable[Concern]:
    most_w = (1.0 - RESERVE) * available_w
    if total_w <= most_w * (1.0 + 1e-9):
        return
    over = total_w > available_w * (1.0 + 1e-9)
    yield Concern(
        "reserve",
        where,
        f"the taps on {quoted(channel.name)} draw {watts(total_w)} together, "
        + (f"more than the {watts(available_w)} that are there" if over else "which leaves ")
        + (
            ""
            if over
            else f"{short(100.0 * (1.0 - total_w / available_w), 1)} % of {watts(available_w)}"
        )
        + f"; with the usual reserve of {short(100.0 * RESERVE)} % it is {watts(most_w)} at most",
        severe=over,
    )


def _too_low(
    channel: AmplifierChannel, amplifier: Amplifier, where: str, rated: float, least: float
) -> Iterable[Concern]:
    half = 0.5 if channel.bridged else 1.0
    limit = amplifier.minimum_load_ohm
    if rated * half >= limit * (1.0 - 1e-9) and least * half >= MINIMUM_OF_RATED * limit * (
        1.0 - 1e-9
    ):
        return
    below = rated * half < limit * (1.0 - 1e-9)
    seen = (
        f"{ohms(rated)} rated and {ohms(least)} least, bridged {ohms(rated * half)} and "
        f"{ohms(least * half)} a side"
        if channel.bridged
        else f"{ohms(rated)} rated and {ohms(least)} least"
    )
    against = (
        f"below the {ohms(limit)} that it may drive"
        if below
        else f"whose least is below 0.8 of the {ohms(limit)} that it may drive"
    )
    yield Concern(
        "load",
        where,
        f"{quoted(channel.name)} ({quoted(amplifier.name)}) is loaded with {seen}, {against}",
        severe=True,
    )


def _rating_words(box: Loudspeaker) -> str:
    return "an unknown power" if box.power_w is None else f"{watts(box.power_w.continuous)}"


def _saturation(line_v: float) -> str:
    share = line_v / FULL_TAP_LINE_V
    more = (
        ""
        if share == 1.0
        else f", so at {short(line_v)} V the same tap saturates at {plain(share, 3)} of the "
        "frequency at 100 V"
    )
    return (
        "the flux in a transformer goes with voltage over frequency: a high-pass keeps it from "
        "saturating below its range, 50 to 80 Hz with 12 dB per octave or more (common practice, "
        f"no source){more}"
    )
