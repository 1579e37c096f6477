"""Inputs that carry signal, each with a level in dB: ticked and typed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from textual.app import ComposeResult
from textual.containers import Horizontal, VerticalScroll
from textual.widgets import Input

from xover.model import entry
from xover.model.names import quoted
from xover.model.problems import Refused
from xover.tui.dialogs.picking import Tick
from xover.tui.field import Field


class LevelRows(VerticalScroll):
    """A row an input; `levels` reads what was ticked and typed."""

    DEFAULT_CSS = """
    LevelRows { height: auto; max-height: 8; width: 100%; scrollbar-size-vertical: 1; }
    LevelRows > Horizontal { height: 1; width: 100%; }
    LevelRows > Horizontal > Tick { width: 1fr; }
    LevelRows > Horizontal > Field { width: 9; }
    """

    def __init__(
        self, inputs: Sequence[str], levels_db: Mapping[str, float], *, id: str | None = None
    ) -> None:
        """`levels_db` are ticked, with their levels; the others stand at 0 dB."""
        super().__init__(id=id, can_focus=False)
        self._inputs = tuple(inputs)
        self._levels_db = dict(levels_db)

    def compose(self) -> ComposeResult:
        """A tick and a level for each input."""
        for index, name in enumerate(self._inputs):
            with Horizontal():
                yield Tick(name, name in self._levels_db, id=f"drive-{index}")
                text = entry.show("gain", self._levels_db.get(name, 0.0))
                yield Field(text, id=f"level-{index}", most=40)

    def offer(self, inputs: Sequence[str]) -> None:
        """Tick and type anew for other inputs."""
        self._inputs, self._levels_db = tuple(inputs), {}
        self.refresh(recompose=True)

    def levels(self) -> dict[str, float]:
        """The ticked inputs with their levels in dB. Raises `Refused` for what is no level."""
        levels_db: dict[str, float] = {}
        for index, name in enumerate(self._inputs):
            if not self.query_one(f"#drive-{index}", Tick).value:
                continue
            text = self.query_one(f"#level-{index}", Field).value
            try:
                value = entry.parse("gain", text, context=context())
            except Refused as refused:
                raise Refused.at("", f"{quoted(name)}: {refused}") from None
            assert isinstance(value, float)
            levels_db[name] = value
        return levels_db

    def _on_input_submitted(self, event: Input.Submitted) -> None:
        event.stop()
        self.screen.focus_next()


def context() -> entry.Context:
    """What reading a level needs to know: a level depends on neither rate nor air."""
    return entry.Context(sample_rate_hz=48_000.0, speed_of_sound_m_s=343.2)
