"""What was captured from the processor: a file for each output, and how the files are to be read.

Answers plain data; reading and judging is done beside the screen by whoever asked.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.widgets import Input, Static

from xover.files.listing import kind_of, resolve
from xover.files.paths import shown_path
from xover.model.names import inert
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.session.verifying import (
    Asked,
    Capture,
    Loop,
    Reading,
    driver_of,
    drivers,
    outputs_of,
)
from xover.tui.dialogs.base import Dialog, button, button_row, labelled, line
from xover.tui.dialogs.open_file import OpenDialog
from xover.tui.dialogs.path_field import PathField
from xover.tui.dialogs.picking import NameList, Tick
from xover.tui.field import Field

CAUTION = (
    "Amplifiers disconnected: only line-level signals go to an interface, never a power output or "
    "a 70/100 V line."
)
CHANNEL = "a channel is a number from 1 on; leave it empty where a file has one only"


class ProfileDialog(OpenDialog):
    """Answers the whole path of a processor's profile."""

    heading = "Choose a processor's profile"

    def __init__(self, folder: str, *, examples: Sequence[str] = ()) -> None:
        super().__init__(folder, examples=examples)


class VerifyDialog(Dialog[Asked]):
    """Answers the captures of one session, one an output."""

    heading = "Verify what was entered"
    keys: ClassVar[str] = "↑ ↓ rows   Tab completes or moves on   Enter verifies   Esc leaves"

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("down", "row(1)", "next row", show=False),
        Binding("up", "row(-1)", "row before", show=False),
    ]

    DEFAULT_CSS = """
    VerifyDialog #captures { height: auto; max-height: 8; overflow-y: auto;
        scrollbar-gutter: stable; scrollbar-size: 0 1; }
    VerifyDialog .row > .channel { width: 6; margin: 0 0 0 1; }
    VerifyDialog .row > .label { text-wrap: nowrap; text-overflow: ellipsis; padding: 0 1 0 0; }
    VerifyDialog .row > .over { width: 1fr; padding: 0 1; }
    VerifyDialog .row > .above { width: 7; }
    VerifyDialog #driven { max-height: 3; }
    """

    def __init__(
        self,
        preset: Preset,
        folder: str,
        *,
        output: str | None = None,
        before: Asked | None = None,
    ) -> None:
        """The cursor begins at `output`; `before` is what was asked last, and is put in again."""
        super().__init__()
        self._preset = preset
        self._folder = folder
        self._outputs = outputs_of(preset)
        self._drivers = drivers(preset)
        self._first = self._outputs.index(output) if output in self._outputs else 0
        self._before = before or Asked(())

    def body(self) -> ComposeResult:
        """A file for each output, then what holds for all files."""
        before = self._before
        taken = {one.output: one for one in before.captures}
        yield line(CAUTION, muted=True)
        with labelled("captured at"):
            yield Static("file: text with phase, or audio", classes="over muted", markup=False)
            yield Static("channel", classes="above muted", markup=False)
        with Vertical(id="captures"):
            for at, name in enumerate(self._outputs):
                one = taken.get(name)
                with labelled(inert(name)):
                    yield self._path(f"capture-{at}", one.path if one else "")
                    yield self._channel(f"channel-{at}", one.channel if one else None)
        with labelled("loop alone"):
            yield self._path(
                "loop", before.loop.path if before.loop else "", "the interface alone, or empty"
            )
            yield self._channel("loop-channel", before.loop.channel if before.loop else None)
        with labelled("sweep played"):
            yield self._path("sweep", before.reading.sweep or "", "if the files are recordings")
        yield Tick(
            "the recorder started with the sweep file (time zero “file”)",
            before.reading.time_zero == "file",
            id="started",
        )
        with labelled("reference"):
            number = before.reading.reference
            yield Field(
                "" if number is None else str(number),
                placeholder="channel that was played, if the files hold it, or empty",
                id="reference",
            )
        if self._drivers:
            yield Static("driven by", classes="title", markup=False)
            chosen = [one.driven for one in before.captures]
            yield NameList(self._drivers, chosen=chosen, id="driven")
        with button_row():
            yield button("Verify", "go")
            yield button("Leave", "leave")

    def _path(self, id: str, value: str, placeholder: str = "") -> PathField:
        field = PathField(self._folder, placeholder=placeholder, id=id)
        field.value = value
        field.select_on_focus = bool(value)  # what is kept from last time is typed over
        return field

    def _channel(self, id: str, value: int | None) -> Field:
        field = Field("" if value is None else str(value), id=id, most=6)
        field.add_class("channel")
        return field

    def on_mount(self) -> None:
        """The file of the output at hand first."""
        super().on_mount()
        if self._outputs:
            self.query_one(f"#capture-{self._first}").focus()
        else:
            self.say("no output is fed by an input and open; there is nothing to capture")

    def action_row(self, by: int) -> None:
        """To the row below or above, in the same column where it has one."""
        at = self.focused.id if self.focused is not None else None
        rows: list[tuple[str, ...]] = [
            (f"capture-{k}", f"channel-{k}") for k in range(len(self._outputs))
        ]
        rows += [("loop", "loop-channel"), ("sweep",), ("started",), ("reference",)]
        here = next((k for k, row in enumerate(rows) if at in row), None)
        if here is None or not 0 <= here + by < len(rows):
            return
        there = rows[here + by]
        column = min(rows[here].index(str(at)), len(there) - 1)
        self.set_focus(self.query_one(f"#{there[column]}"))  # at once: letters may follow

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Enter answers."""
        self.action_go()

    def action_go(self) -> None:
        """Answer, or say what is missing."""
        try:
            self.dismiss(self._asked())
        except Refused as refused:
            self.say(refused)

    def _asked(self) -> Asked:
        """What was put in. Raises `Refused`."""
        named = self.query_one("#driven", NameList).chosen if self._drivers else ()
        captures = []
        for at, name in enumerate(self._outputs):
            path = self._file(f"capture-{at}")
            if path is not None:
                driven = self._driver(name, named)
                captures.append(Capture(name, path, driven, self._number(f"channel-{at}")))
        if not captures:
            raise Refused.at("", "name the file that was captured, beside its output")
        loop = self._file("loop")
        sweep = self._file("sweep")
        started = self.query_one("#started", Tick).value
        if started and sweep is None:
            raise Refused.at("", "name the sweep file that the recorder started with")
        return Asked(
            tuple(captures),
            None if loop is None else Loop(loop, self._number("loop-channel")),
            Reading(sweep, "file" if started else None, self._number("reference")),
        )

    def _driver(self, output: str, named: Sequence[str]) -> str:
        """The input that drove an output; one with one route needs none of those chosen."""
        asked = named if len(self._preset.output(output).inputs) > 1 else ()
        try:
            return driver_of(self._preset, output, asked, how="under “driven by”")
        except Refused:
            if self._drivers:
                self.query_one("#driven").focus()
            raise

    def _file(self, id: str) -> str | None:
        typed = self.query_one(f"#{id}", Field).value.strip()
        if not typed:
            return None
        path = resolve(self._folder, typed)
        if kind_of(path) != "file":
            self.query_one(f"#{id}").focus()
            raise Refused.at("", f"there is no file {shown_path(path)}; Tab completes a path")
        return path

    def _number(self, id: str) -> int | None:
        typed = self.query_one(f"#{id}", Field).value.strip()
        if not typed:
            return None
        if not (typed.isascii() and typed.isdigit() and int(typed) > 0):
            self.query_one(f"#{id}").focus()
            raise Refused.at("", CHANNEL)
        return int(typed)
