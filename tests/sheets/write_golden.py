"""Rewrites the golden sheets: `python -m tests.sheets.write_golden`, then read the diff.

A changed byte is a changed contract with everyone who keeps these files.
"""

from __future__ import annotations

from pathlib import Path

from msgspec.structs import replace

from tests.sheets.scenario import curves, rig
from xover.design.adapting.adaptation import adapt
from xover.files.preset_json import load
from xover.files.profile_json import load_profile
from xover.model.preset import Preset
from xover.sheets.device import device_sheet
from xover.sheets.formats import sheet
from xover.sheets.rows import Sheet, sheet_of
from xover.sheets.since import changes_sheet

PRESETS = Path(__file__).parents[2] / "presets"
HALL = PRESETS / "harbour-hall.json"
PROCESSOR = PRESETS / "processors" / "old-ferry-2x6.json"
GOLDEN = Path(__file__).parent / "golden"
TEXT_FORMATS = ("html", "md", "csv", "txt")


def written(format: str) -> bytes:
    """The invented rig's sheet with a fixed date and revision."""
    rows = sheet_of(rig(), date="17 May 2025", revision="a1b2c3d4e5f6")
    return sheet(rows, format, curves=curves())


def _device(preset: Preset) -> Sheet:
    answer = adapt(preset, load_profile(PROCESSOR))
    return device_sheet(preset, answer, date="17 May 2025", revision="a1b2c3d4e5f6")


def written_for_device(format: str) -> bytes:
    """The hall's sheet for the old processor."""
    return sheet(_device(load(HALL)), format)


def written_since() -> bytes:
    """What a night's work changed in the hall, for the old processor."""
    before = load(HALL)
    sub, top = before.outputs[:2]
    assert sub.limiter is not None
    assert sub.limiter.peak is not None
    assert top.high_pass is not None
    peak = replace(sub.limiter.peak, threshold_dbu=9.0)
    after = replace(
        before,
        outputs=(
            replace(sub, gain_db=-1.0, delay_ms=3.0, limiter=replace(sub.limiter, peak=peak)),
            replace(top, eq=(replace(top.eq[0], gain_db=2.0), *top.eq[1:]), low_pass=None,
                    high_pass=replace(top.high_pass, frequency_hz=110.0)),
            *before.outputs[2:],
        ),
    )  # fmt: skip
    return sheet(changes_sheet(before, _device(before), after, _device(after)), "txt")


if __name__ == "__main__":
    for name in TEXT_FORMATS:
        (GOLDEN / f"sheet.{name}").write_bytes(written(name))
    for name in ("txt", "csv"):
        (GOLDEN / f"device.{name}").write_bytes(written_for_device(name))
    (GOLDEN / "since.txt").write_bytes(written_since())
