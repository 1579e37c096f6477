"""Which band and which level a test signal may have, so that nothing is hurt by it.

The band is the output's own: its high-pass and low-pass and the range of its boxes. The level
stays under the limiters, as far as the system's levels are known; what is not known is said.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec import Struct

from xover.dsp.axis import Axis
from xover.dsp.response import output_response
from xover.model.drive import Drive, drive_of
from xover.model.names import listed
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.units import plain, show_db, show_dbu, show_hz

BELOW_LIMITER_DB = 6.0
"""A sweep that is meant to show filters stays this far below the lowest threshold."""
WHOLE_BAND_HZ = (20.0, 20_000.0)


class OutputBand(Struct, frozen=True):
    """From where to where an output plays, and what says so."""

    low_hz: float
    high_hz: float
    said: tuple[str, ...]


def output_band(preset: Preset, output: str, *, beyond_octaves: float = 0.0) -> OutputBand:
    """The band of an output: its corners and filters, and the pass band of every box on it.

    `beyond_octaves` widens it at either end, for an output whose filters are in force: there they
    hold back what is too much. Within 20 Hz to 20 kHz. Raises `Refused` where nothing is left.
    """
    item = preset.output(output)
    lows, highs = [(WHOLE_BAND_HZ[0], "")], [(WHOLE_BAND_HZ[1], "")]
    if item.high_pass is not None:
        lows.append((item.high_pass.frequency_hz, "its high-pass"))
    if item.low_pass is not None:
        highs.append((item.low_pass.frequency_hz, "its low-pass"))
    for section in item.eq:
        if section.bypassed:
            continue
        if section.kind == "high_pass":
            lows.append((section.frequency_hz, "a high-pass of its EQ"))
        if section.kind == "low_pass":
            highs.append((section.frequency_hz, "a low-pass of its EQ"))
    sources = preset.sources_of(output)
    for source in sources:
        low_hz, high_hz = preset.loudspeaker(source.loudspeaker).passband_hz
        lows.append((low_hz, f"the range of {source.loudspeaker}"))
        highs.append((high_hz, f"the range of {source.loudspeaker}"))
    low_hz, low_by = max(lows, key=lambda one: one[0])
    high_hz, high_by = min(highs, key=lambda one: one[0])
    said = [
        f"{output} plays from {show_hz(low_hz)}" + (f" ({low_by})" if low_by else "")
        + f" to {show_hz(high_hz)}" + (f" ({high_by})" if high_by else "")
    ]  # fmt: skip
    if not low_by:
        said.append(
            f"nothing in the preset says where {output} begins: no high-pass, no box; do not play "
            "this into a high-frequency driver"
        )
    if beyond_octaves:
        low_hz = max(low_hz * 2.0**-beyond_octaves, WHOLE_BAND_HZ[0])
        high_hz = min(high_hz * 2.0**beyond_octaves, WHOLE_BAND_HZ[1])
        said.append(
            f"widened by {plain(beyond_octaves, 2)} octaves to {show_hz(low_hz)} … "
            f"{show_hz(high_hz)}: only for use with the output's filters in force"
        )
    if high_hz < 1.5 * low_hz:
        raise Refused.at(
            f"outputs[{list(preset.outputs).index(item)}]",
            f"“{output}” has no band to play in: from {show_hz(low_hz)}"
            + (f" ({low_by})" if low_by else "")
            + f" to {show_hz(high_hz)}"
            + (f" ({high_by})" if high_by else "")
            + "; correct its corners or its box",
        )
    return OutputBand(low_hz, high_hz, tuple(said))


def unseen_crossovers(bands: Sequence[tuple[str, float, float]]) -> tuple[str, ...]:
    """A sentence for each output that ends where others of the same file begin, or no sentence.

    `bands` are name, low and high end in Hz. Where two bands share less than half an octave, and
    less than an octave lies between them, captures in these bands cannot be aligned.
    """
    said = []
    for name, _, high_hz in bands:
        above = [
            other
            for other, low_hz, top_hz in bands
            if top_hz > high_hz and high_hz / 2.0**0.5 < low_hz < 2.0 * high_hz
        ]
        if above:
            said.append(
                f"{name} ends at {show_hz(high_hz)}, where {listed(above)} begin"
                f"{'s' if len(above) == 1 else ''}: captures in these bands show no crossover and "
                "cannot be aligned; with the outputs' filters in force, --beyond 1 goes through it"
            )
    return tuple(said)


class QuietLevel(Struct, frozen=True):
    """The highest level of a sine at the processor's inputs that leaves limiters alone."""

    input_dbu: float | None
    """None where the output has no limiter."""
    level_dbfs: float | None
    """The same in the player's full scale, where that is known: a sine's level."""
    said: tuple[str, ...]


def quiet_level(
    preset: Preset,
    output: str,
    *,
    full_scale_dbu: float | None = None,
    drive: Drive | None = None,
    below_db: float = BELOW_LIMITER_DB,
) -> QuietLevel:
    """The level that stays `below_db` below the lowest limiter threshold of an output.

    The largest gain from the driven inputs to the output, anywhere from 20 Hz to 20 kHz, is
    counted. `full_scale_dbu` is what the player puts out for a full-scale sine; without it the
    level cannot be told in dBFS, and this is said.
    """
    item = preset.output(output)
    limits = [] if item.limiter is None else [item.limiter.rms, item.limiter.peak]
    thresholds_dbu = [limit.threshold_dbu for limit in limits if limit is not None]
    if not thresholds_dbu:
        return QuietLevel(None, None, (f"{output} has no limiter in the preset to stay below",))
    axis = Axis.log(24, sample_rate_hz=preset.sample_rate_hz)
    response = output_response(preset, output, axis, drive or drive_of(preset))
    largest = float(np.max(np.abs(response)))
    if largest <= 0.0:
        return QuietLevel(None, None, (f"nothing reaches {output}: it is muted or not routed",))
    gain_db = 20.0 * float(np.log10(largest))
    lowest_dbu = min(thresholds_dbu)
    input_dbu = lowest_dbu - below_db - gain_db
    said = [
        f"{output}: the lowest limiter threshold is {show_dbu(lowest_dbu)}, the largest gain to it "
        f"{show_db(gain_db)}; a sine of up to {show_dbu(input_dbu)} at the inputs stays "
        f"{plain(below_db, 0)} dB below it"
    ]
    if full_scale_dbu is None:
        said.append(
            "what the player's full scale is in dBu is not known, so this level is not held "
            "against the file's; say it with --full-scale-dbu, or measure the level at the inputs"
        )
        return QuietLevel(input_dbu, None, tuple(said))
    return QuietLevel(input_dbu, input_dbu - full_scale_dbu, tuple(said))
