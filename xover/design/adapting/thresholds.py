"""A computed threshold as one kind of processor takes it: its unit, its reading, its place.

Uses the one translation of `adapting.figures`; the output's gain is the one the device holds.
"""

from __future__ import annotations

from typing import Literal

from msgspec import Struct
from msgspec.structs import replace

from xover.design.adapting.figures import (
    THRESHOLD_UNITS,
    figure,
    held_threshold,
    threshold_typed,
)
from xover.model import grids
from xover.model.profile import Profile


class DeviceThreshold(Struct, frozen=True):
    """`typed` in `unit` at or below what protects, `text` with its unit; `dbfs` where it is known.

    `problem` says what stands in the way, "" where nothing does.
    """

    typed: float | None
    unit: str
    text: str
    dbfs: float | None
    problem: str = ""


def device_threshold(
    threshold_dbu: float, kind: Literal["rms", "peak"], *, output_gain_db: float, profile: Profile
) -> DeviceThreshold:
    """A threshold at the processor's output as it is typed into a device.

    `dbfs` is the figure as typed where the device reads dBFS, else the same level against its
    full scale, where the profile gives one.
    """
    device = profile.limiter
    setting = None if device is None else getattr(device, kind)
    if device is None or setting is None:
        return DeviceThreshold(None, "", "", None, f"the processor has no {kind} limiter")
    gain_db = grids.nearest(profile.gain_db, output_gain_db)

    def exact(threshold: object) -> float | None:
        return threshold_typed(
            threshold_dbu,
            threshold,  # type: ignore[arg-type]
            output_gain_db=gain_db,
            position=device.position,
            full_scale_dbu=profile.full_scale_dbu,
        )

    wanted = exact(setting.threshold)
    unit = THRESHOLD_UNITS[setting.threshold.unit]
    if setting.threshold.reads == "peak":
        unit += " peak"
    if wanted is None:
        return DeviceThreshold(
            None, unit, "", None, "the profile gives no level at 0 dBFS (full_scale_dbu)"
        )
    typed = held_threshold(wanted, setting.threshold)
    dbfs = typed if setting.threshold.unit == "dbfs" else None
    if dbfs is None:
        dbfs = exact(replace(setting.threshold, unit="dbfs"))
    sign = "+" if unit.startswith("dB") and typed > 0.0 else ""
    text = f"{sign}{figure(typed, setting.threshold)} {unit}"
    problem = ""
    if typed > wanted + 1e-6:
        problem = f"its lowest threshold, {text}, lies above what protects"
    return DeviceThreshold(typed, unit, text, dbfs, problem)
