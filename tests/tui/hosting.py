"""A screen around one widget or dialog, for tests: it keeps what they post and answer."""

from __future__ import annotations

import asyncio
import math
import time
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

from textual.app import App, ComposeResult
from textual.events import Paste
from textual.message import Message
from textual.pilot import Pilot
from textual.screen import ModalScreen
from textual.widget import Widget
from textual.widgets import Input

import xover
from xover.model.preset import Preset
from xover.tui.dialogs.paths import PathChooser

UNANSWERED = object()


class Host(App[None]):
    """Holds one widget, or one dialog over an empty screen."""

    def __init__(self, make: Callable[[], Widget]) -> None:
        super().__init__()
        self._make = make
        self.posted: list[Message] = []
        self.answer: Any = UNANSWERED
        self.held: Any = None

    def compose(self) -> ComposeResult:
        self.held = self._make()
        if not isinstance(self.held, ModalScreen):
            yield self.held
        else:
            yield Input(id="behind")

    def on_mount(self) -> None:
        if isinstance(self.held, ModalScreen):
            self.push_screen(self.held, self._answered)

    def _answered(self, answer: Any) -> None:
        self.answer = answer

    def of(self, kind: type[Message]) -> list[Any]:
        """The messages of a kind, each once however far it bubbled."""
        found = {id(message): message for message in self.posted if isinstance(message, kind)}
        return list(found.values())

    def text(self) -> str:
        """What stands on the screen."""
        strips = self.screen._compositor.render_strips()
        return "\n".join("".join(piece.text for piece in strip) for strip in strips)


Steps = Callable[[Host, Pilot[None]], Awaitable[None]]


def run(make: Callable[[], Widget], steps: Steps, size: tuple[int, int] = (80, 24)) -> Host:
    """Put up what `make` gives and go through the steps."""
    app = Host(make)

    async def main() -> None:
        async with app.run_test(size=size, message_hook=app.posted.append) as pilot:
            await pilot.pause()
            await steps(app, pilot)

    asyncio.run(main())
    return app


async def until(pilot: Pilot[None], holds: Callable[[], bool]) -> None:
    """Wait for what is computed beside the screen, a minute at most on a busy machine."""
    end = time.monotonic() + 60.0
    while time.monotonic() < end:
        await pilot.pause()
        if holds():
            return
        await asyncio.sleep(0.02)
    raise AssertionError("it did not come to pass")


async def idle() -> None:
    """Nothing keeps laying itself out: left alone, the screen comes to rest."""
    for _ in range(20):
        began = time.process_time()
        await asyncio.sleep(0.1)
        if time.process_time() - began < 0.03:
            return
    raise AssertionError("the screen never comes to rest")


async def type_in(pilot: Pilot[None], text: str) -> None:
    """Type a text, letter by letter."""
    names = {" ": "space", "-": "minus", ".": "full_stop", "/": "slash", ",": "comma"}
    await pilot.press(*(names.get(letter, letter) for letter in text))


async def paste(app: Host, pilot: Pilot[None], text: str) -> None:
    """Paste a text where the focus is."""
    assert app.focused is not None
    app.focused.post_message(Paste(text))
    await pilot.pause()


def hall() -> Preset:
    return xover.load(xover.default_example())


async def listed(app: Host, pilot: Pilot[None], name: str) -> None:
    chooser = app.screen.query_one(PathChooser)
    await until(pilot, lambda: any(name in entry.name for entry in chooser.shown))


def trace_file(folder: Path) -> Path:
    """A first-order roll-off below 100 Hz with its phase: 20·log10 and atan of f/100."""
    rows = ["Frequency (Hz)\tMagnitude (dB)\tPhase (deg)"]
    for index in range(200):
        frequency_hz = 20.0 * 1000.0 ** (index / 199)
        ratio = frequency_hz / 100.0
        level_db = 20.0 * math.log10(ratio / math.hypot(1.0, ratio))
        phase_deg = 90.0 - math.degrees(math.atan(ratio))
        rows.append(f"{frequency_hz:.4f}\t{level_db:.4f}\t{phase_deg:.4f}")
    path = folder / "sub.txt"
    path.write_text("\n".join(rows) + "\n")
    return path
