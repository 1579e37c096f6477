"""Where the shipped example presets are, in a checkout and in an installed wheel alike."""

from __future__ import annotations

from pathlib import Path

DEFAULT_EXAMPLE = "harbour-hall.json"


def presets_folder() -> Path:
    """The folder of shipped presets: inside the wheel, or beside the package in a checkout."""
    package = Path(__file__).resolve().parent.parent
    inside = package / "presets"
    return inside if inside.is_dir() else package.parent / "presets"


def default_example() -> Path:
    """The preset that is opened when nothing is named."""
    return presets_folder() / DEFAULT_EXAMPLE


def shipped(path: str) -> Path | None:
    """The shipped file that `presets/…` stands for where no such file exists, or None.

    That is `presets/NAME.json` or, for a processor profile, `presets/processors/NAME.json`.
    """
    parts = Path(path).parts
    if parts[:1] != ("presets",) or len(parts) != (3 if parts[1:2] == ("processors",) else 2):
        return None
    candidate = presets_folder().joinpath(*parts[1:])
    return candidate if candidate.is_file() else None
