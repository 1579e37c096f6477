"""The working behind limiter thresholds: a line a step, to be checked with a pocket calculator.

It words what was computed and computes no bound itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from msgspec.structs import replace

from xover.acoustics.amplifier import channel_gain_db
from xover.design.bounds import SIDES, Side
from xover.design.limiter_times import overshoot_words, proposed_peak, proposed_rms
from xover.design.loads import ChannelLoad
from xover.model.names import listed, quoted
from xover.model.units import (
    DBU_REFERENCE_V,
    dbu_from_volts,
    plain,
    short,
    show_db,
    show_dbu,
    volts_from_dbu,
)

if TYPE_CHECKING:
    from xover.design.limits import Threshold


def gain_words(load: ChannelLoad) -> str:
    """A channel's gain from its parts."""
    amplifier, channel = load.amplifier, load.channel
    gain_db = channel_gain_db(amplifier, channel, unlocked_attenuator=False)
    own_db = channel_gain_db(
        amplifier,
        replace(channel, bridged=False, attenuator_locked=False),
        unlocked_attenuator=False,
    )
    text = f"{quoted(channel.name)}: gain {show_db(own_db, 2)}"
    if amplifier.sensitivity_dbu is not None:
        text += (
            f" ({plain(volts_from_dbu(own_db + amplifier.sensitivity_dbu), 2)} V at an input of "
            f"{show_dbu(amplifier.sensitivity_dbu, 2)})"
        )
    if channel.bridged:
        text += ", +6.02 dB bridged"
    if channel.attenuator_db and channel.attenuator_locked:
        text += f", attenuator locked at {show_db(channel.attenuator_db, 2)}"
    if gain_db != own_db:
        text += f": {show_db(gain_db, 2)}"
    if channel.attenuator_db and not channel.attenuator_locked:
        text += (
            f"; its attenuator at {show_db(channel.attenuator_db, 2)} is not locked and not "
            "counted, since anybody may open it"
        )
    return text


def side_words(side: Side, threshold: Threshold) -> list[str]:
    """Every bound of one limiter, and how the smallest becomes its threshold."""
    if threshold.dbu is None or threshold.volts is None:
        return [f"{side}: no bound, no threshold"]
    alike: dict[tuple[str, str], list[str]] = {}
    for one in threshold.bounds:
        alike.setdefault((one.words, show_dbu(one.dbu, 2)), []).append(one.name)
    lines = [
        f"{side}: {listed(names)}: {words}: {level}" for (words, level), names in alike.items()
    ]
    level_dbu = dbu_from_volts(max(threshold.volts, 1e-12))
    gain_db = level_dbu - threshold.dbu
    lines.append(
        f"{side}: the smallest holds, {quoted(threshold.bound_at or '')}: "
        f"20·log10({plain(threshold.volts, 2)} / {plain(DBU_REFERENCE_V, 4)}) = "
        f"{show_dbu(level_dbu, 2)}, less {plain(gain_db, 2)} dB of gain: "
        f"{show_dbu(threshold.dbu, 2)} at the processor's output"
        + (
            ", as the rms of the sine with that peak (its peak lies 3.01 dB above)"
            if side == "peak"
            else ""
        )
    )
    return lines


def time_words(thresholds: Mapping[Side, Threshold], frequency_hz: float | None) -> list[str]:
    """Times that stay or are proposed, and what the peak limiter lets through meanwhile."""
    if frequency_hz is None or all(each.dbu is None for each in thresholds.values()):
        return []
    lines = []
    for side in SIDES:
        times = proposed_rms(frequency_hz) if side == "rms" else proposed_peak(frequency_hz)
        text = f"{short(times.attack_ms, 2)}/{short(times.release_ms, 1)} ms"
        if thresholds[side].kept_times:
            kept = thresholds[side]
            lines.append(
                f"{side}: attack and release stay {short(kept.attack_ms or 0.0, 2)}/"
                f"{short(kept.release_ms or 0.0, 1)} ms as entered; proposed were {text} "
                "(common practice, no source)"
            )
        else:
            lines.append(f"{side}: attack/release {text} proposed (common practice, no source)")
    attack_ms = thresholds["peak"].attack_ms
    if attack_ms is not None and thresholds["peak"].dbu is not None:
        lines.append(f"peak: {overshoot_words(attack_ms, frequency_hz)}")
    return lines
