"""Advice about one output's filters and the box behind it: range, protection, boost.

Figures come from the electrical response; what the box does of its own is known only as the range
on its data sheet.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from xover.design.advice.survey import LOWEST_HZ, Survey, in_db, octaves
from xover.design.splits import THIRD_OCTAVE
from xover.dsp.biquad import active_sections, cascade_response
from xover.model.names import quoted
from xover.model.problems import Finding
from xover.model.processing import Output
from xover.model.rig import Loudspeaker
from xover.model.units import plain, short, show_db, show_hz

DRIVEN_BELOW_OCTAVES: Final = 0.5
"""How far below its range a box may be driven without a word: common practice, no source."""
BAND_LIMIT_HZ: Final = 10_000.0
"""A low-pass from here up limits the band; it hands over to nobody."""
BOOST_DB: Final = 6.0
BOOST_BELOW_HZ: Final = 100.0
"""A boost above this, this low down, is worth a word: common practice, no source."""
HIGH_BOOST_DB: Final = 3.0
HIGH_BOOST_ABOVE_HZ: Final = 4000.0
"""A boost above this, this high up, is worth a word: common practice, no source."""

VENTED_CAUTION: Final = (
    "Below its tuning nothing holds the cone of a vented box: excursion can destroy the driver at "
    "a fraction of its rated power."
)
CLOSED_CAUTION: Final = (
    "What the box cannot radiate still moves the cone and heats the coil: excursion can damage the "
    "driver."
)
BOOST_CAUTION: Final = (
    "A boost this low costs excursion and amplifier power first: start quietly, and set limiters "
    "before the boost is used."
)
HIGH_BOOST_CAUTION: Final = (
    "High-frequency drivers bear a fraction of a box's rating: a boost there can burn them at "
    "levels that the limiter of the whole box lets pass."
)


def no_high_pass(survey: Survey) -> Iterator[Finding]:
    """An output without a high-pass whose box is driven below its range."""
    for at, output in enumerate(survey.preset.outputs):
        if output.high_pass is not None:
            continue
        for box in survey.boxes(output.name):
            low_hz = box.passband_hz[0]
            driven_hz = survey.driven_down_to_hz(output.name, low_hz)
            if driven_hz is None or octaves(driven_hz, low_hz) < DRIVEN_BELOW_OCTAVES:
                continue
            down = " and below" if driven_hz <= LOWEST_HZ else ""
            message = (
                f"{quoted(output.name)} has no high-pass and drives its box {quoted(box.name)} "
                f"within 10 dB of full level down to {show_hz(driven_hz)}{down}, "
                f"{plain(octaves(driven_hz, low_hz), 1)} octaves under the {show_hz(low_hz)} "
                "where its range ends"
            )
            if box.active:
                message += "; make sure that the active box has a high-pass of its own"
                yield Finding("no-high-pass", "note", f"outputs[{at}].high_pass", message)
            else:
                message += f"; set a high-pass near {show_hz(low_hz)}"
                where = f"outputs[{at}].high_pass"
                yield Finding("no-high-pass", "warning", where, message, _caution(box))


def outside_range(survey: Survey) -> Iterator[Finding]:
    """A high-pass below the range of the output's box, or a low-pass above it."""
    for at, output in enumerate(survey.preset.outputs):
        for box in survey.boxes(output.name):
            low_hz, high_hz = box.passband_hz
            if output.high_pass is not None and output.high_pass.frequency_hz < low_hz:
                corner_hz = output.high_pass.frequency_hz
                far = low_hz > corner_hz * THIRD_OCTAVE
                yield Finding(
                    "high-pass-below-box",
                    "warning" if far and not box.active else "note",
                    f"outputs[{at}].high_pass.frequency_hz",
                    f"the high-pass of {quoted(output.name)} at {show_hz(corner_hz)} lies "
                    f"{plain(octaves(corner_hz, low_hz), 1)} octaves below the "
                    f"{show_hz(low_hz)} where the range of its box {quoted(box.name)} ends "
                    f"({show_db(box.passband_edge_db, 0)})",
                    _caution(box) if far and not box.active else "",
                )
            if output.low_pass is not None and output.low_pass.frequency_hz > high_hz:
                corner_hz = output.low_pass.frequency_hz
                far = corner_hz > high_hz * THIRD_OCTAVE and corner_hz < BAND_LIMIT_HZ
                yield Finding(
                    "low-pass-above-box",
                    "warning" if far else "note",
                    f"outputs[{at}].low_pass.frequency_hz",
                    f"the low-pass of {quoted(output.name)} at {show_hz(corner_hz)} lies "
                    f"{plain(octaves(high_hz, corner_hz), 1)} octaves above the "
                    f"{show_hz(high_hz)} where the range of its box {quoted(box.name)} ends "
                    f"({show_db(box.passband_edge_db, 0)})",
                )


def empty_band(survey: Survey) -> Iterator[Finding]:
    """An output whose high-pass corner is not below its low-pass corner."""
    for at, output in enumerate(survey.preset.outputs):
        if output.high_pass is None or output.low_pass is None:
            continue
        low_hz, high_hz = output.high_pass.frequency_hz, output.low_pass.frequency_hz
        if low_hz >= high_hz:
            yield Finding(
                "empty-band",
                "error",
                f"outputs[{at}].high_pass.frequency_hz",
                f"the high-pass of {quoted(output.name)} at {show_hz(low_hz)} is not below its "
                f"low-pass at {show_hz(high_hz)}, so nothing passes unhindered; exchange the two "
                "figures or correct one",
            )


def low_boost(survey: Survey) -> Iterator[Finding]:
    """More than 6 dB of boost below 100 Hz in the sum of an output's equaliser."""
    low = survey.axis.frequency_hz < BOOST_BELOW_HZ
    for at, output, boost_db, frequency_hz in _boosts(survey, low):
        if boost_db > BOOST_DB + 0.05:
            yield Finding(
                "low-boost",
                "warning",
                f"outputs[{at}].eq",
                f"the EQ of {quoted(output.name)} boosts by {show_db(boost_db)} at "
                f"{show_hz(frequency_hz)}, which takes "
                f"{short(10.0 ** (boost_db / 10.0), 1)} times the power there; more than "
                f"{show_db(BOOST_DB, 0)} below {show_hz(BOOST_BELOW_HZ)} is seldom worth its price",
                BOOST_CAUTION,
            )


def high_boost(survey: Survey) -> Iterator[Finding]:
    """More than 3 dB of boost above 4 kHz in the sum of an output's equaliser."""
    high = survey.axis.frequency_hz > HIGH_BOOST_ABOVE_HZ
    for at, output, boost_db, frequency_hz in _boosts(survey, high):
        low_pass = output.low_pass
        if low_pass is not None and low_pass.frequency_hz < HIGH_BOOST_ABOVE_HZ:
            continue
        if boost_db > HIGH_BOOST_DB + 0.05:
            yield Finding(
                "high-boost",
                "warning",
                f"outputs[{at}].eq",
                f"the EQ of {quoted(output.name)} boosts by {show_db(boost_db)} at "
                f"{show_hz(frequency_hz)}, which takes "
                f"{short(10.0 ** (boost_db / 10.0), 1)} times the power of the high-frequency "
                f"driver there; more than {show_db(HIGH_BOOST_DB, 0)} above "
                f"{show_hz(HIGH_BOOST_ABOVE_HZ)} asks a lot of it",
                HIGH_BOOST_CAUTION,
            )


def _boosts(survey: Survey, where: NDArray[np.bool_]) -> Iterator[tuple[int, Output, float, float]]:
    """The largest boost of each equaliser in a part of the axis: output, dB, and where in Hz."""
    for at, output in enumerate(survey.preset.outputs):
        if output.eq and where.any():
            total_db = in_db(np.abs(cascade_response(active_sections(output.eq), survey.axis)))
            largest = int(np.argmax(np.where(where, total_db, -np.inf)))
            frequency_hz = float(survey.axis.frequency_hz[largest])
            yield at, output, float(total_db[largest]), frequency_hz


def _caution(box: Loudspeaker) -> str:
    return VENTED_CAUTION if box.enclosure == "vented" else CLOSED_CAUTION
