"""What is looked at: where one listens, what is played, which curves, what stands under them.

A choice of the person at the keys, not of the preset; pure, so that it is tested without a screen.
"""

from __future__ import annotations

from typing import Literal

from msgspec import Struct
from msgspec.structs import replace

from xover.model.drive import Drive
from xover.model.names import inert
from xover.model.preset import Preset
from xover.model.units import show_dbu, show_ms, signed
from xover.session.views import Request

What = Literal["sum", "outputs"]
Lower = Literal["phase", "group delay", "coherence"]

LOWER: tuple[Lower, ...] = ("phase", "group delay", "coherence")


class Listening(Struct, frozen=True):
    """Where one listens and what is shown; `listener` None: the electrical responses."""

    listener: str | None
    what: What
    drive: Drive | None = None
    """None: the preset's stimulus, else all inputs alike."""
    input_level_dbu: float = 0.0
    lower: Lower = "phase"
    shown: tuple[str, ...] = ()
    """Outputs whose curves are shown; all where empty."""
    captures: bool = False
    """Whether captures are shown beside what is predicted."""

    @classmethod
    def first(cls, preset: Preset) -> Listening:
        """Where a preset opens: in the middle of its listeners, or at its outputs."""
        if not preset.listeners:
            return cls(None, "outputs")
        return cls(preset.listeners[(len(preset.listeners) - 1) // 2].name, "sum")

    def within(self, preset: Preset) -> Listening:
        """The same as far as the preset still has what it names."""
        names = [item.name for item in preset.listeners]
        inputs = {item.name for item in preset.inputs}
        drive = self.drive
        if drive is not None and not set(drive.levels_db) <= inputs:
            drive = None
        outputs = {item.name for item in preset.outputs}
        shown = tuple(name for name in self.shown if name in outputs)
        if self.listener in names or (self.listener is None and self.what == "outputs"):
            return replace(self, drive=drive, shown=shown)
        first = Listening.first(preset)
        return replace(self, listener=first.listener, what=first.what, drive=drive, shown=shown)

    def request(self, preset: Preset) -> Request:
        """The curves to compute."""
        outputs = tuple(
            item.name for item in preset.outputs if not self.shown or item.name in self.shown
        )
        group_delay = self.lower == "group delay"
        if self.what == "outputs" or self.listener is None:
            return Request(outputs=outputs, drive=self.drive, group_delay=group_delay)
        captures: tuple[str, ...] = ()
        if self.captures:
            captures = tuple(
                item.output for item in preset.measurements if item.listener == self.listener
            )
        return Request(
            listener=self.listener,
            paths=outputs,
            sum=True,
            captures=captures,
            drive=self.drive,
            input_level_dbu=self.input_level_dbu,
            group_delay=group_delay,
        )

    def title(self, *, spl: bool, flight_ms: float) -> str:
        """What the curves are, in one line."""
        if self.what == "outputs" or self.listener is None:
            text = "electrical responses, dB"
        else:
            level = f"dB SPL for {show_dbu(self.input_level_dbu)}" if spl else "relative dB"
            text = f"at {inert(self.listener)}, {level}"
        if self.lower == "phase" and abs(flight_ms) >= 0.005:
            text += f"; phase less {show_ms(flight_ms)}"
        return text

    def played(self, drive: Drive) -> str:
        """What is played, in few words."""
        parts = [f"{inert(name)} {signed(level, 1)}" for name, level in drive.levels_db.items()]
        return ", ".join(parts) + ("" if drive.correlated or len(parts) < 2 else ", independent")
