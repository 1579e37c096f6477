"""Rewrites the golden sheets: `python -m tests.sheets.write_golden`, then read the diff.

A changed byte is a changed contract with everyone who keeps these files.
"""

from __future__ import annotations

from pathlib import Path

from tests.sheets.scenario import curves, rig
from xover.sheets.formats import sheet
from xover.sheets.rows import sheet_of

GOLDEN = Path(__file__).parent / "golden"
TEXT_FORMATS = ("html", "md", "csv", "txt")


def written(format: str) -> bytes:
    """The invented rig's sheet with a fixed date and revision."""
    rows = sheet_of(rig(), date="17 May 2025", revision="a1b2c3d4e5f6")
    return sheet(rows, format, curves=curves())


if __name__ == "__main__":
    for name in TEXT_FORMATS:
        (GOLDEN / f"sheet.{name}").write_bytes(written(name))
