"""What each box, each of its drivers and each amplifier channel bears, as volts and as dBu.

One formula a kind of bound, V = √(P·Z), each with the words of its working. A peak bound is the
rms of the sine with that peak. Which bound wins is `design.limits`' business.
"""

from __future__ import annotations

import math
import sys
from typing import Final, Literal

from msgspec import Struct

from xover.acoustics.amplifier import channel_gain_db
from xover.design.loads import ChannelLoad, Hung, watts
from xover.model.names import quoted
from xover.model.rig import Loudspeaker
from xover.model.units import dbu_from_volts, plain, short, show_dbu, volts_from_dbu

BoundBy = Literal["loudspeaker", "amplifier", "tap"]
Side = Literal["rms", "peak"]
SIDES: Final[tuple[Side, ...]] = ("rms", "peak")

DERATED: Final = 0.5
"""A rating on an unknown basis counts half, 3 dB: common practice, no source."""
PEAK_OF_CONTINUOUS: Final = 4.0
"""Peak power where the data sheet states none: common practice, no source."""


class Bound(Struct, frozen=True):
    """One thing that must not be passed: at the box in rms volts, at the processor in dBu.

    Of a peak bound both are of the sine with that peak. `weakest` is a driver section's number.
    """

    by: BoundBy
    name: str
    """The source, or the amplifier channel."""
    volts: float
    dbu: float
    words: str
    section: int | None = None


def channel_bounds(load: ChannelLoad, side: Side) -> list[Bound]:
    """What the channel and every box on it bear."""
    gain_db = channel_gain_db(load.amplifier, load.channel, unlocked_attenuator=False)
    found: list[Bound] = []
    if load.rated_load_ohm is None:
        return found
    line_v = load.channel.line_v
    if load.sine_v is not None:
        if line_v is not None:
            words = f"the line carries {short(line_v)} V"
        else:
            words = f"a sine of {plain(load.sine_v, 2)} V at most"
        found.append(
            Bound(
                by="amplifier" if line_v is None else "tap",
                name=load.channel.name,
                volts=load.sine_v,
                dbu=_dbu(load.sine_v) - gain_db,
                words=words,
            )
        )
    for each in load.hung:
        sections: list[int | None] = [None, *range(len(each.box.sections))]
        for section in sections:
            if line_v is None:
                volts, words = _box_volts(each, side, section)
            elif section is None:
                volts, words = _line_volts(each, side, line_v)
            else:
                volts, words = _section_line_volts(each, side, section, line_v)
            found.append(
                Bound(
                    by="loudspeaker",
                    name=each.source.name,
                    volts=volts,
                    dbu=_dbu(volts) - gain_db,
                    words=words,
                    section=section,
                )
            )
    return found


def _dbu(volts: float) -> float:
    """The level of a voltage, at least that of a picovolt."""
    return dbu_from_volts(max(volts, 1e-12))


def active_bound(name: str, box: Loudspeaker) -> Bound | None:
    """What an active box bears at its input, the same for rms and peak; None where not stated."""
    if box.sensitivity_dbu is None:
        return None
    return Bound(
        by="loudspeaker",
        name=name,
        volts=volts_from_dbu(box.sensitivity_dbu),
        dbu=box.sensitivity_dbu,
        words=f"{quoted(box.name)} is active and gives all it can at "
        f"{show_dbu(box.sensitivity_dbu, 2)} at its input",
    )


def rated_w(box: Loudspeaker, side: Side, section: int | None = None) -> float:
    """Continuous or peak power of a passive box or one of its drivers in W, basis counted."""
    assert box.power_w is not None, "passive boxes have a rating"
    continuous_w = box.power_w.continuous
    peak_w = box.power_w.peak
    if section is not None:
        continuous_w, peak_w = box.sections[section].power_w, None
    power_w = continuous_w
    if side == "peak":
        power_w = PEAK_OF_CONTINUOUS * continuous_w if peak_w is None else peak_w
    return power_w * (DERATED if box.power_w.basis == "unknown" else 1.0)


def _sine_w(box: Loudspeaker, side: Side, section: int | None) -> tuple[float, str]:
    """The sine power of a bound in W and its words: the peak bound's sine has half the power."""
    power_w = rated_w(box, side, section)
    assert box.power_w is not None
    basis = box.power_w.basis
    if section is not None:
        low_hz, high_hz = box.sections[section].band_hz
        stated = box.sections[section].power_w
        what = f"its driver for {short(low_hz, 1)} to {short(high_hz, 1)} Hz, "
        stated_peak: float | None = None
    else:
        stated, stated_peak, what = box.power_w.continuous, box.power_w.peak, ""
    if side == "rms":
        what += f"{watts(stated)} continuous"
    elif stated_peak is not None:
        what += f"{watts(stated_peak)} peak"
    else:
        what += f"{watts(PEAK_OF_CONTINUOUS * stated)} peak (4 × {watts(stated)} continuous)"
    what += (
        f", derated 3 dB to {watts(power_w)} (basis unknown)"
        if basis == "unknown"
        else (f" ({basis.upper()})")
    )
    return (power_w if side == "rms" else power_w / 2.0), what


def _box_volts(each: Hung, side: Side, section: int | None) -> tuple[float, str]:
    box = each.box
    impedance_ohm = box.impedance_ohm if section is None else box.sections[section].impedance_ohm
    assert impedance_ohm is not None
    sine_w, what = _sine_w(box, side, section)
    volts = math.sqrt(sine_w * impedance_ohm)
    power_w = sine_w if side == "rms" else 2.0 * sine_w
    root = f"√({short(power_w, 2)} · {plain(impedance_ohm, 2)})"
    formula = f"{root} = {plain(volts, 2)} V"
    if side == "peak":
        formula = (
            f"{root} = {plain(volts * math.sqrt(2.0), 2)} V peak, as the rms of a sine "
            f"{plain(volts, 2)} V"
        )
    return volts, f"{quoted(box.name)}, {what}: {formula}"


def _line_volts(each: Hung, side: Side, line_v: float) -> tuple[float, str]:
    draw_w, box = each.tap_draw_w, each.box
    assert draw_w is not None
    sine_w, what = _sine_w(box, side, None)
    all_w = sine_w * box.boxes_per_transformer
    volts = line_v * math.sqrt(all_w / draw_w)
    share = (
        "" if box.boxes_per_transformer == 1 else f", {box.boxes_per_transformer} to a transformer"
    )
    half = " / 2" if side == "peak" else ""
    return volts, (
        f"{quoted(box.name)}, {what}{share}, on a tap that draws "
        f"{watts(draw_w)}: {short(line_v)} · √({short(all_w * (2.0 if half else 1.0), 2)}{half} / "
        f"{short(draw_w, 2)}) = {plain(volts, 2)} V on the line"
    )


def _section_line_volts(each: Hung, side: Side, section: int, line_v: float) -> tuple[float, str]:
    """A driver's bound through the transformer: its volts over the box's volts at full line."""
    draw_w, box = each.tap_draw_w, each.box
    assert draw_w is not None
    assert box.impedance_ohm is not None
    sine_w, what = _sine_w(box, side, section)
    # Roots one by one: a product of absurdly small ratings would be 0.
    at_driver_v = math.sqrt(sine_w) * math.sqrt(box.sections[section].impedance_ohm)
    at_box_v = math.sqrt(draw_w / box.boxes_per_transformer) * math.sqrt(box.impedance_ohm)
    at_box_v = max(at_box_v, sys.float_info.min)
    volts = line_v * at_driver_v / at_box_v
    return volts, (
        f"{quoted(box.name)}, {what}: {plain(at_driver_v, 2)} V, "
        f"while the full line puts {plain(at_box_v, 2)} V on it: {short(line_v)} · "
        f"{plain(at_driver_v, 2)} / {plain(at_box_v, 2)} = {plain(volts, 2)} V on the line"
    )
