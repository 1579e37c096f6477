"""The electrical responses of a preset's outputs as curves, for a plot or a printed sheet.

What the dsp room computes, given a label, a colour and a dash; nothing is computed here.
"""

from __future__ import annotations

import numpy as np

from xover.dsp.axis import Axis
from xover.dsp.response import electrical_responses
from xover.model.drive import Drive, drive_of
from xover.model.preset import Preset
from xover.sheets.drawing import Curve
from xover.sheets.palette import dash_name


def electrical_curves(
    preset: Preset, drive: Drive | None = None, *, points_per_octave: int = 48
) -> tuple[Curve, ...]:
    """The magnitude in dB of every output that gives anything, 20 Hz to 20 kHz, in file order.

    Limiters are not in it; muted and unrouted outputs have no curve. Without a `drive` the
    preset's own stimulus is played. Raises `Refused` as the dsp room does.
    """
    axis = Axis.log(points_per_octave, sample_rate_hz=preset.sample_rate_hz)
    responses = electrical_responses(preset, axis, drive or drive_of(preset))
    with np.errstate(divide="ignore"):
        magnitude_db = 20.0 * np.log10(np.abs(responses))
    return tuple(
        Curve(output.name, axis.frequency_hz, row, dash_name(index), index)
        for index, (output, row) in enumerate(zip(preset.outputs, magnitude_db, strict=True))
        if np.isfinite(row).any()
    )
