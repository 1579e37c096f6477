"""The rows that prove a limiter: what to feed, at what the output must stop, what was measured.

A sine in the middle of what the output passes, 6 dB over the threshold, amplifiers disconnected.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from msgspec.structs import replace

from xover.dsp.axis import Axis
from xover.dsp.response import input_stage, output_stage
from xover.model.names import inert
from xover.model.preset import Preset
from xover.model.processing import Limit, Output
from xover.model.units import db_from_ratio, ratio_from_db, show_dbu, show_hz
from xover.sheets.cells import width_of

OVER_DB = 6.0
NAME_COLUMNS = 22
"""A longer name of an input would not fit the row."""
FEED_MAX_DBU = 24.0
"""More than this no line output gives; a threshold out of reach is said. Common practice, no
source."""
SINES_HZ = (
    20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250,
    1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000, 12500, 16000,
)  # fmt: skip
"""Nominal third-octave mid-bands (IEC 61260-1), which every generator has."""


class Trial(NamedTuple):
    """What to feed, at what the output must stop, what to mind; `feed` "" where it cannot be."""

    feed: str
    stop: str
    remark: str


def limiter_trial(preset: Preset, output: Output, limit: Limit) -> Trial:
    """How to prove one of an output's limiters with a sine."""
    stop = f"stops at {show_dbu(limit.threshold_dbu)}"
    feed = _feed(preset, output, limit)
    if feed is None:
        return Trial("", stop, "no input is routed here, so it cannot be tried")
    name, frequency_hz, feed_dbu = feed
    shown = inert(name)
    into = shown if width_of(shown) <= NAME_COLUMNS else "its loudest route"
    words = f"feed {show_dbu(feed_dbu)} at {show_hz(frequency_hz)} into {into}"
    if feed_dbu > FEED_MAX_DBU:
        remark = "beyond a line output: lower the threshold, try, restore"
        return Trial(words, stop, remark)
    limiter = output.limiter
    others = [limiter.rms, limiter.peak] if limiter is not None else []
    held_dbu = [one.threshold_dbu for one in others if one is not None and one is not limit]
    if any(dbu < limit.threshold_dbu for dbu in held_dbu):
        return Trial(words, stop, "with the lower limit off, then on again")
    if limit.threshold_dbu in held_dbu:  # either would stop it there
        return Trial(words, stop, "with the other limit off, then on again")
    return Trial(words, stop, "")


def _feed(preset: Preset, output: Output, limit: Limit) -> tuple[str, float, float] | None:
    """The input, frequency and level that bring the output 6 dB over a threshold."""
    if not output.inputs:
        return None
    name = max(output.inputs, key=lambda one: output.inputs[one])
    rate_hz = preset.sample_rate_hz
    sines = np.array([hz for hz in SINES_HZ if hz < 0.45 * rate_hz])
    axis = Axis(sines, rate_hz)
    open_ = replace(output, muted=False)
    response = np.abs(output_stage(open_, axis) * input_stage(preset.input(name), axis))
    route = ratio_from_db(output.inputs[name])
    passing = np.flatnonzero(response >= response.max() * ratio_from_db(-3.0))
    at = int(passing[passing.size // 2])
    gain_db = db_from_ratio(float(response[at]) * route)
    return name, float(sines[at]), limit.threshold_dbu + OVER_DB - gain_db
