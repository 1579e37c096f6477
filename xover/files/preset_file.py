"""The file behind a preset under edit: what it was when it was read or written, and what it is now.

It is never written over where somebody else has changed it, unless that is asked for expressly.
"""

from __future__ import annotations

import hashlib
import os
from typing import Literal

from xover.files import json_text, preset_json
from xover.files.paths import STANDARD_STREAM, read_bytes, shown_path
from xover.files.safe_write import write_bytes
from xover.files.shipped import default_example, shipped
from xover.model.preset import Preset
from xover.model.problems import Refused

OnDisk = Literal["same", "changed", "gone"]
"""What has become of a file since it was read or written here."""


class ChangedOnDisk(Refused):
    """Somebody else has changed the file: reload it, save as a copy, or overwrite expressly."""


class NeedsName(Refused):
    """The work has no name yet: save it under one."""


class PresetFile:
    """A preset's file; `path` is None for work that has no name yet and began from `origin`.

    `origin` is a real path: symbolic links are followed once, at the beginning.
    """

    def __init__(self, path: str | None, origin: str, sha256: str) -> None:
        self.path = path
        self.origin = origin
        self.sha256 = sha256
        """Of the bytes last read or written here."""
        self._status = _status(origin)

    @classmethod
    def of(cls, path: str | None) -> PresetFile:
        """The file of this name, not yet read; None is the shipped example, without a name.

        `presets/NAME.json` stands for the shipped file where there is no such file. Raises
        `Refused` for standard input.
        """
        if path == STANDARD_STREAM:
            raise Refused.at("", "a preset from standard input cannot be edited; name a file")
        example = default_example() if path is None else None
        if path is not None and not os.path.exists(path):
            example = shipped(path)
        if example is not None:
            return cls(None, os.path.realpath(example), "")
        return cls(path, _real(str(path)), "")

    @classmethod
    def named(cls, path: str) -> PresetFile:
        """A file to be written; raises `Refused` for standard output."""
        if path == STANDARD_STREAM:
            raise Refused.at("", "a workbench cannot save to standard output; name a file")
        return cls(path, _real(path), "")

    @property
    def exists(self) -> bool:
        """Whether something has this name now, be it a link that leads nowhere."""
        return os.path.lexists(self.path or self.origin)

    @property
    def is_protected(self) -> bool:
        """Whether it is a file by name that this user may not write."""
        return self.path is not None and self.exists and not os.access(self.path, os.W_OK)

    def sha256_now(self) -> str:
        """The hash of what the file holds now; "" where it cannot be read."""
        try:
            with open(self.origin, "rb") as file:
                return hashlib.file_digest(file, "sha256").hexdigest()
        except (OSError, ValueError):
            return ""

    @property
    def shown(self) -> str:
        """The path for a message."""
        return shown_path(self.path or self.origin)

    def read(self) -> Preset:
        """The preset in the file as it is now. Raises `Refused` as `preset_json.load`."""
        status = _status(self.origin)
        data = read_bytes(self.path or self.origin, limit_bytes=json_text.LIMIT_BYTES)
        preset = preset_json.loads(data)
        self.sha256, self._status = hashlib.sha256(data).hexdigest(), status
        return preset

    def state(self, *, thorough: bool = False) -> OnDisk:
        """What has become of the file; read only where its status has changed, or if `thorough`.

        Raises `Refused` where it cannot be read.
        """
        if self.path is None:
            return "same"
        status = _status(self.origin)
        if status is None:
            return "gone"
        if status == self._status and not thorough:
            return "same"
        data = read_bytes(self.path, limit_bytes=json_text.LIMIT_BYTES)
        if hashlib.sha256(data).hexdigest() != self.sha256:
            return "changed"
        self._status = status
        return "same"

    def write(self, data: bytes, *, overwrite_changed: bool) -> None:
        """Write the file, all or nothing. Raises `NeedsName`, `ChangedOnDisk` or `Refused`."""
        if self.path is None:
            raise NeedsName.at("", "this preset has no name yet; save it under one")
        if not overwrite_changed and self.state(thorough=True) == "changed":
            raise ChangedOnDisk.at(
                "",
                f"{self.shown} has been changed by someone else since it was opened here; reload "
                "it, save this under another name, or overwrite it expressly",
            )
        write_bytes(self.path, data, overwrite=True)
        self.sha256, self._status = hashlib.sha256(data).hexdigest(), _status(self.origin)

    def create(self, data: bytes, *, overwrite: bool) -> None:
        """Write the file for the first time. Raises `Refused` where it exists, unless told to."""
        write_bytes(str(self.path), data, overwrite=overwrite)
        self.sha256, self._status = hashlib.sha256(data).hexdigest(), _status(self.origin)


def _real(path: str) -> str:
    try:
        return os.path.realpath(path)
    except ValueError:  # a name that no file can have; reading says so
        return path


def _status(path: str) -> tuple[int, int, int, int] | None:
    try:
        found = os.stat(path)
    except (OSError, ValueError):
        return None
    return found.st_mtime_ns, found.st_ctime_ns, found.st_size, found.st_ino
