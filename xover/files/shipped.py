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
    """The shipped file that `presets/NAME.json` stands for where no such file exists, or None."""
    wanted = Path(path)
    if wanted.parent.name != "presets" or wanted.parent.parent != Path("."):
        return None
    candidate = presets_folder() / wanted.name
    return candidate if candidate.is_file() else None
