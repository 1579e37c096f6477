"""What a level in dB SPL can rest on where captures say nothing of it: the data sheets.

A capture in relative dB holds the shape of a response, not its level. It never lends its shape to
a level from elsewhere: either the capture is in SPL, or the box is computed as a whole.
"""

from __future__ import annotations

from collections.abc import Sequence

from msgspec.structs import replace

from xover.acoustics.loudspeaker import BoxResponse
from xover.acoustics.measured import is_summable, lacks_spl
from xover.acoustics.modelled import chains_of
from xover.dsp.axis import Axis
from xover.model.names import listed, quoted
from xover.model.preset import Preset


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
