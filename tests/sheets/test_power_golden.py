"""What people read of limits, levels and wiring, byte for byte, from the shipped examples.

After a wanted change: `python -m tests.sheets.test_power_golden`, and read the diff.
"""

from __future__ import annotations

from pathlib import Path

import pytest

import xover
from xover.design.level import level
from xover.design.limits import limits
from xover.sheets.level_text import level_text
from xover.sheets.limits_text import limits_text
from xover.sheets.wiring import wiring_bytes, wiring_of

GOLDEN = Path(__file__).parent / "golden"
NAMES = ("limits.txt", "level.txt", "wiring.txt", "wiring.md", "wiring.csv", "wiring.html")


def written(name: str) -> bytes:
    """One golden file as it is written now."""
    example = "hillside-chapel" if name == "limits.txt" else "lantern-cafe"
    preset = xover.load(xover.default_example().with_stem(example))
    if name == "limits.txt":
        return (limits_text(limits(preset)) + "\n").encode()
    if name == "level.txt":
        answers = [
            level(preset, place.name, input_level_dbu=-12.0, spectrum="programme")
            for place in preset.listeners
        ]
        return (level_text(answers) + "\n").encode()
    table = wiring_of(preset, limits(preset), date="17 May 2025")
    return wiring_bytes(table, name.rpartition(".")[2])


@pytest.mark.parametrize("name", NAMES)
def test_what_people_read(name: str) -> None:
    assert written(name).decode() == (GOLDEN / name).read_text("utf-8")


if __name__ == "__main__":
    for each in NAMES:
        (GOLDEN / each).write_bytes(written(each))
