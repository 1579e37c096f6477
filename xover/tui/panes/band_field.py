"""The band of a level map as it is typed and stepped: `63`, `1k`, `125 oct`."""

from __future__ import annotations

import math
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.message import Message

from xover.acoustics.bands import OCTAVE_RATIO, Band
from xover.model.names import quoted
from xover.model.problems import Refused
from xover.tui.field import Field


class BandField(Field):
    """The band of the level map; brackets step it."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left_square_bracket", "step(-1)", "lower", show=False, priority=True),
        Binding("right_square_bracket", "step(1)", "higher", show=False, priority=True),
    ]

    class Stepped(Message):
        """So many bands higher or lower."""

        def __init__(self, steps: int) -> None:
            super().__init__()
            self.steps = steps

    def check_consume_key(self, key: str, character: str | None) -> bool:
        """Brackets are steps here, not text."""
        return character not in ("[", "]") and super().check_consume_key(key, character)

    def action_step(self, steps: int) -> None:
        """Ask for another band."""
        self.post_message(self.Stepped(steps))


def read_band(text: str) -> Band:
    """A band typed as `63`, `1k`, `125 oct` or `80 1/3`. Raises `Refused`."""
    typed = text.strip().casefold().replace(",", ".").replace("hz", "")
    fraction = 3
    for ending, value in (("octave", 1), ("oct", 1), ("1/1", 1), ("1/3", 3), ("third", 3)):
        if typed.endswith(ending):
            typed, fraction = typed.removesuffix(ending), value
            break
    typed = typed.strip()
    factor = 1.0
    if typed.endswith("k"):
        typed, factor = typed.removesuffix("k").strip(), 1000.0
    try:
        value_hz = float(typed) * factor
    except ValueError:
        value_hz = math.nan
    if not 10.0 <= value_hz <= 100_000.0:
        raise Refused.at(
            "", f"{quoted(text)} is no band; type its middle, such as 63, 1k or 125 oct"
        )
    return Band.near(value_hz, fraction)


def step_band(band: Band, steps: int) -> Band:
    """The band so many steps up or down, between 20 Hz and 16 kHz."""
    wanted_hz = band.centre_hz * OCTAVE_RATIO ** (steps / band.fraction)
    return Band.near(min(max(wanted_hz, 19.9), 16_000.0), band.fraction)


def band_text(band: Band) -> str:
    """The band as it is typed."""
    middle = band.words.split(" third")[0].split(" octave")[0]
    return middle if band.fraction == 3 else f"{middle} oct"
