"""What adaptation answers: figures as typed, what changed, what cannot be, at what cost."""

from __future__ import annotations

import re

from msgspec import Struct

from xover.model.preset import Preset
from xover.model.profile import Profile

_BAND = re.compile(r"\]\.eq\[([0-9]+)\]")
Value = float | str | None


class Setting(Struct, frozen=True):
    """One field as it is typed into the device.

    `meant` is the preset's figure, `typed` the device's in `unit`, `text` how its screen shows it.
    `where` is the path in the preset.
    """

    where: str
    meant: Value
    typed: Value
    unit: str
    text: str

    @property
    def is_changed(self) -> bool:
        """Whether the figure on the device is another than the preset's."""
        if isinstance(self.meant, str) or isinstance(self.typed, str):
            return self.meant != self.typed
        if self.meant is None or self.typed is None:
            return self.meant is not self.typed
        return abs(self.meant - self.typed) > 1e-9 * max(1.0, abs(self.meant))


class Cannot(Struct, frozen=True):
    """What the device cannot hold: where, why, and the largest error of level it causes in dB.

    `largest_db` is None where the cost is no error of level: a delay, a name, a missing limiter.
    """

    where: str
    why: str
    largest_db: float | None = None


class Adapted(Struct, frozen=True):
    """One input or output on the device.

    Errors are those of the response's shape and gain inside the output's −10 dB band, delay left
    out; `naive_rms` and `rms` are of |ln(H′/H)|, every value rounded alone and all together.
    """

    name: str
    largest_db: float
    largest_deg: float
    rms_db: float
    rms: float
    naive_rms: float
    delay_error_ms: float
    settings: tuple[Setting, ...]
    cannot: tuple[Cannot, ...]

    @property
    def bands(self) -> tuple[int, ...]:
        """The numbers, from 0, of the preset's EQ sections that are entered, in order."""
        found = (_BAND.search(setting.where) for setting in self.settings)
        return tuple(sorted({int(match[1]) for match in found if match is not None}))

    @property
    def changes(self) -> tuple[Setting, ...]:
        """The settings whose figure is another than the preset's."""
        return tuple(setting for setting in self.settings if setting.is_changed)


class Adaptation(Struct, frozen=True):
    """A preset on one kind of processor: `preset` is what it then holds, in the preset's terms.

    `arranged` is the preset that was adapted with bands where the processor has room for them:
    those that moved are bypassed where they were and stand where they are typed.
    """

    preset: Preset
    profile: Profile
    device_rate_hz: float
    outputs: tuple[Adapted, ...]
    inputs: tuple[Adapted, ...]
    notes: tuple[str, ...]
    arranged: Preset

    @property
    def places(self) -> dict[str, str]:
        """For bands of `preset` their places in the preset that was adapted, where others.

        Bands that are not entered leave no gap in what the processor holds.
        """
        found = {}
        for kind, adapted in (("inputs", self.inputs), ("outputs", self.outputs)):
            for number, one in enumerate(adapted):
                for at, origin in enumerate(one.bands):
                    if at != origin:
                        found[f"{kind}[{number}].eq[{at}]"] = f"{kind}[{number}].eq[{origin}]"
        return found

    @property
    def is_whole(self) -> bool:
        """Whether everything can be held, if rounded."""
        return not any(one.cannot for one in (*self.outputs, *self.inputs))
