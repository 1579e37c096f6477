"""Writes the shipped examples anew: `python -m tests.examples.build_examples`.

Deterministic; everything in the examples is invented.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import xover
from tests.examples.cafe import lantern_cafe
from tests.examples.chapel import hillside_chapel
from tests.examples.hall import harbour_hall

EXAMPLES: dict[str, Callable[[], xover.Preset]] = {
    "harbour-hall.json": harbour_hall,
    "lantern-cafe.json": lantern_cafe,
    "hillside-chapel.json": hillside_chapel,
}

FOLDER = Path(__file__).resolve().parents[2] / "presets"


def main(folder: Path = FOLDER) -> None:
    """Build every example and write it into `folder`, over what is there."""
    folder.mkdir(exist_ok=True)
    for name, build in EXAMPLES.items():
        xover.save(build(), folder / name, overwrite=True)
        print(f"wrote {folder / name}", file=sys.stderr)


if __name__ == "__main__":
    main()
