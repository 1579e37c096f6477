"""Voltages on the way to a box: amplifier gain, bridging, and what a line transformer leaves.

Every figure that needs the gain between a processor's output and a box asks here, so that levels
and limiter thresholds cannot disagree. Nothing here guesses a gain that the preset does not state.
"""

from __future__ import annotations

import math
from typing import Final

from xover.model.rig import Amplifier, AmplifierChannel, Loudspeaker
from xover.model.units import db_from_ratio, dbu_from_volts

BRIDGED_DB: Final = 20.0 * math.log10(2.0)
"""Two sides in opposite polarity double the voltage."""
SAME_LOAD: Final = 1e-9
"""Two boxes of 8 ohm make 4 ohm, whatever the last digit says."""
FULL_TAP_LINE_V: Final = 100.0
"""The line voltage for which `taps_w` and `tap_w` are stated."""


def highest_load_ohm(amplifier: Amplifier) -> float:
    """The highest load in ohms that the amplifier's power table lists."""
    return max(float(load) for load in amplifier.power_w)


def rated_output_v(amplifier: Amplifier, *, line_v: float | None = None) -> float:
    """Rms volts at rated output into the highest load listed, √(P·Z); a line's own voltage.

    On a 70.7 or 100 V channel rated output is the line voltage, whatever the power table says.
    """
    if line_v is not None:
        return line_v
    load_ohm = highest_load_ohm(amplifier)
    power_w = max(watts for load, watts in amplifier.power_w.items() if float(load) == load_ohm)
    return math.sqrt(power_w * load_ohm)


def amplifier_gain_db(amplifier: Amplifier, *, line_v: float | None = None) -> float:
    """Voltage gain in dB of one unbridged channel without attenuator.

    Where the amplifier states `sensitivity_dbu` instead, it is the gain from that level to
    `rated_output_v`.
    """
    if amplifier.gain_db is not None:
        return amplifier.gain_db
    assert amplifier.sensitivity_dbu is not None, "the rules ask for exactly one of the two"
    return dbu_from_volts(rated_output_v(amplifier, line_v=line_v)) - amplifier.sensitivity_dbu


def channel_gain_db(
    amplifier: Amplifier, channel: AmplifierChannel, *, unlocked_attenuator: bool
) -> float:
    """Voltage gain in dB of a channel: the amplifier, +6.02 if bridged, the attenuator.

    `unlocked_attenuator` counts an attenuator that is not locked as well: a prediction does, a
    limiter threshold must not, because somebody may open it.
    """
    gain_db = amplifier_gain_db(amplifier, line_v=channel.line_v)
    if channel.bridged:
        gain_db += BRIDGED_DB
    if channel.attenuator_locked or unlocked_attenuator:
        gain_db += channel.attenuator_db
    return gain_db


def side_voltage_v(amplifier: Amplifier, load_ohm: float) -> float | None:
    """Rms volts of the largest sine that one side of an amplifier gives into `load_ohm`.

    √(P·Z) at the loads listed, straight between them in volts over ohms; above the highest load
    listed its voltage there. None below the lowest, where nothing is known.
    """
    loads_ohm = sorted(float(load) for load in amplifier.power_w)
    watts = {float(load): power_w for load, power_w in amplifier.power_w.items()}
    volts = [math.sqrt(watts[load] * load) for load in loads_ohm]
    if load_ohm < loads_ohm[0] * (1.0 - SAME_LOAD):
        return None
    if load_ohm >= loads_ohm[-1]:
        return volts[-1]
    above = next(at for at, load in enumerate(loads_ohm) if load >= load_ohm * (1.0 - SAME_LOAD))
    if above == 0:
        return volts[0]
    low, high = loads_ohm[above - 1], loads_ohm[above]
    share = min(1.0, (load_ohm - low) / (high - low))
    return volts[above - 1] + share * (volts[above] - volts[above - 1])


def sine_voltage_v(amplifier: Amplifier, load_ohm: float, *, bridged: bool = False) -> float | None:
    """Rms volts of the largest sine into `load_ohm`; bridged: each side drives half of it.

    None where the (halved) load lies below the lowest that the amplifier's power table lists.
    """
    if not bridged:
        return side_voltage_v(amplifier, load_ohm)
    side_v = side_voltage_v(amplifier, load_ohm / 2.0)
    return None if side_v is None else 2.0 * side_v


def tap_draw_w(box: Loudspeaker, tap_w: float, line_v: float) -> float:
    """Watts that one transformer on tap `tap_w` (stated at 100 V) draws at `line_v` volts.

    Power goes with the square of the voltage, so half at 70.7 V, unless the box has a winding of
    its own for that line (`taps_halve_at_70_v` false).
    """
    if not box.taps_halve_at_70_v or line_v == FULL_TAP_LINE_V:
        return tap_w
    return tap_w / 2.0


def transformer_gain_db(box: Loudspeaker, tap_w: float, line_v: float) -> float:
    """Box voltage over line voltage in dB: √(P·Z)/line_v, with P the tap's draw for one box.

    Boxes that share a transformer (`boxes_per_transformer`) share its draw equally.
    """
    assert box.impedance_ohm is not None, "a box with taps is passive and has an impedance"
    power_w = tap_draw_w(box, tap_w, line_v) / box.boxes_per_transformer
    return db_from_ratio(math.sqrt(power_w * box.impedance_ohm) / line_v)
