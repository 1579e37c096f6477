"""What a level in dB SPL can rest on where captures say nothing of it: the data sheets.

A capture in relative dB holds the shape of a response, not its level. It never lends its shape to
a level from elsewhere: either the capture is in SPL, or the box is computed as a whole.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from msgspec.structs import replace

from xover.acoustics.field import PathResponse
from xover.acoustics.loudspeaker import REFERENCE_DRIVE_V, SINE_CREST_DB, BoxResponse
from xover.acoustics.measured import is_summable, lacks_spl
from xover.acoustics.modelled import chains_of
from xover.design.bounds import rated_w
from xover.dsp.axis import Axis
from xover.model.names import listed, quoted
from xover.model.preset import Preset
from xover.model.rig import Loudspeaker
from xover.model.units import db_from_ratio


def on_data_sheets(
    preset: Preset, outputs: Sequence[str], listener: str, axis: Axis
) -> tuple[Preset, tuple[str, ...]]:
    """The preset without the captures at `listener` that are not in SPL, and what is said of it.

    Only captures of `outputs` (exact names) whose sources are known in SPL without them are left
    out; the others stay, and a level is then refused as before.
    """
    boxes: dict[str, BoxResponse] = {}
    left_out: list[str] = []
    for name in outputs:
        measurement = preset.measurement(name, listener)
        if measurement is None or not is_summable(measurement) or not lacks_spl(measurement):
            continue
        chains = chains_of(preset, name, axis, boxes)
        if chains and all(chain.is_absolute for chain in chains):
            left_out.append(name)
    if not left_out:
        return preset, ()
    kept = tuple(
        item
        for item in preset.measurements
        if item.listener != listener or item.output not in left_out
    )
    return replace(preset, measurements=kept), (
        f"what was captured at {quoted(listener)} is not in SPL, so the level of "
        f"{listed(left_out)} is computed from the data sheets; captures attached with "
        "--spl-calibration and --captured-input-dbu would tell it",
    )


def with_estimates(preset: Preset) -> tuple[Preset, frozenset[str]]:
    """Boxes without a sensitivity get one from their maximum SPL; which of them, by name.

    The largest peak, `max_spl_db` at 1 m, is reached with the peak power: a sine with that peak is
    3.01 dB lower, and noise lower by its own crest factor.
    """
    estimated: list[str] = []
    boxes: list[Loudspeaker] = []
    for box in preset.loudspeakers:
        has_spl_trace = box.response is not None and box.response.trace.level == "spl"
        wanted = box.max_spl_db is not None and not has_spl_trace
        if wanted and box.active:
            estimated.append(box.name)
        elif wanted and box.sensitivity_db is None and box.response is None and not box.active:
            assert box.max_spl_db is not None
            assert box.impedance_ohm is not None
            sine_v = math.sqrt(rated_w(box, "peak") / 2.0 * box.impedance_ohm)
            sensitivity_db = box.max_spl_db - SINE_CREST_DB
            sensitivity_db -= db_from_ratio(max(sine_v, 1e-12) / REFERENCE_DRIVE_V)
            box = replace(box, sensitivity_db=min(200.0, max(0.0, sensitivity_db)))
            estimated.append(box.name)
        boxes.append(box)
    return replace(preset, loudspeakers=tuple(boxes)), frozenset(estimated)


def rests_on_estimates(
    preset: Preset, path: PathResponse, listener: str, estimated: frozenset[str]
) -> bool:
    """Whether the level of a path at `listener` follows from the boxes of `with_estimates`."""
    measurement = preset.measurement(path.output, listener)
    if measurement is not None and is_summable(measurement):
        return False
    return any(source.loudspeaker in estimated for source in preset.sources_of(path.output))
