"""Importing a capture: the file, what it shows and what was understood, then what must be asked.

Reading runs beside the screen. Nothing is chosen beforehand where the answer changes the result.
"""

from __future__ import annotations

from functools import partial
from typing import ClassVar

from textual.app import ComposeResult
from textual.containers import Vertical, VerticalScroll
from textual.widgets import Button, Input, Static

from xover.files.paths import shown_path
from xover.model.names import inert, listed
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.tui.dialogs.base import Dialog, button, button_row, column, columns, labelled, line
from xover.tui.dialogs.import_view import (
    CAPTURED,
    ImportAnswers,
    ImportChoice,
    ReadCapture,
    known_sessions,
    put_in,
    read,
    routed_inputs,
    understood_lines,
)
from xover.tui.dialogs.levels import LevelRows
from xover.tui.dialogs.paths import PathChooser
from xover.tui.dialogs.picking import NameList
from xover.tui.dialogs.preview import plot_lines
from xover.tui.field import Field
from xover.tui.reflow import Reflowed


class ImportDialog(Dialog[ImportChoice]):
    """Answers the preset with the capture in it, to be taken as one step."""

    heading = "Import a measured response"
    keys: ClassVar[str] = "Tab moves on   Space chooses   Ctrl+G reads, then imports   Esc leaves"

    DEFAULT_CSS = """
    ImportDialog #file, ImportDialog #questions { height: auto; }
    ImportDialog PathChooser > OptionList { max-height: 10; }
    ImportDialog #understood-box { height: auto; max-height: 3; scrollbar-size-vertical: 1; }
    ImportDialog #questions NameList { max-height: 5; }
    ImportDialog LevelRows { max-height: 3; }
    """

    def __init__(self, preset: Preset, folder: str) -> None:
        """`folder` is looked into first."""
        super().__init__()
        self._preset = preset
        self._folder = folder
        self._path = ""
        self._capture: ReadCapture | None = None

    def body(self) -> ComposeResult:
        """The file, and the questions about it."""
        preset = self._preset
        with Vertical(id="file"):
            yield PathChooser(self._folder, placeholder="text columns, or an impulse response")
            with labelled("where it is open"):
                yield Field(id="options", placeholder="such as: channel 1", most=200)
        with Vertical(id="questions"):
            yield Reflowed(id="picture")
            with VerticalScroll(id="understood-box"):
                yield Reflowed(id="understood")
            with columns():
                with column("captured output"):
                    yield NameList([o.name for o in preset.outputs], single=True, id="output")
                with column("microphone at"):
                    names = [item.name for item in preset.listeners]
                    yield NameList(names, single=True, id="listener")
                with column("in force then"):
                    yield NameList(tuple(CAPTURED), single=True, words=CAPTURED, id="captured")
            with labelled("session"):
                yield Field(id="session", placeholder="a name, or - for none", most=200)
            known = known_sessions(preset)
            if known:
                yield line(f"sessions so far: {listed(known, 4)}", muted=True)
            with Vertical(id="driven-box", classes="line"):
                yield Static("test signal in, dB", classes="title")
                yield LevelRows((), {}, id="driven")
            with button_row():
                yield button("Import", "go")
                yield button("Back", "back")

    def on_mount(self) -> None:
        """The file first."""
        super().on_mount()
        self._turn_to("file")
        self.query_one("#driven-box").display = False

    @property
    def capture(self) -> ReadCapture | None:
        """What was read, None while the file is still sought."""
        return self._capture

    def action_go(self) -> None:
        """Read the file; once it is read, put it in."""
        if self.newest.is_busy:
            return
        if self._capture is None:
            self.query_one(PathChooser).enter()
            return
        try:
            choice = put_in(self._preset, self._capture, self.answers())
        except Refused as refused:
            self.say(refused)
            return
        self.dismiss(choice)

    def action_leave(self) -> None:
        """Stop reading; else go back to the file; else leave."""
        if self.newest.is_busy:
            self.newest.forget()
            self.say("stopped reading")
        elif self._capture is not None:
            self._back()
        else:
            self.dismiss(None)

    def answers(self) -> ImportAnswers:
        """What was answered so far. Raises `Refused` for what is no level."""
        return ImportAnswers(
            self.query_one("#output", NameList).one,
            self.query_one("#listener", NameList).one,
            self.query_one("#captured", NameList).one,
            self.query_one("#session", Field).value,
            self.query_one(LevelRows).levels(),
        )

    def result_ready(self, result: object) -> None:
        """Show what was read and ask about it."""
        if not isinstance(result, ReadCapture):
            return
        from xover.sheets.drawing import Curve

        self._capture = result
        response = result.response
        curve = Curve("as captured", response.frequency_hz, response.magnitude_db)
        height = min(max(self.app.size.height - 18, 6), 14)
        make = partial(
            plot_lines,
            (curve,),
            height,
            title=inert(result.provenance.file),
            dark=self.app.current_theme.dark,
        )
        self.query_one("#picture", Reflowed).show(make)
        self.query_one("#understood", Reflowed).show(partial(understood_lines, result))
        self.say("")
        self._turn_to("questions")

    def _read(self, path: str) -> None:
        self._path = path
        self.say("")
        options = self.query_one("#options", Field).value
        self.newest.ask(partial(read, path, options))

    def _turn_to(self, page: str) -> None:
        self.query_one("#file").display = page == "file"
        self.query_one("#questions").display = page == "questions"
        self.query_one("#path" if page == "file" else "#output").focus()

    def _back(self) -> None:
        self._capture = None
        self.say("")
        self._turn_to("file")

    def _on_path_chooser_chosen(self, message: PathChooser.Chosen) -> None:
        if message.kind == "file":
            self._read(message.path)
        elif message.kind is None:
            self.say(f"there is no {shown_path(message.path)}; choose a name from the list")
        else:
            self.say(f"{shown_path(message.path)} is neither a file nor a folder; choose a file")

    def _on_path_chooser_typing(self, message: PathChooser.Typing) -> None:
        self.say("")

    def _on_path_chooser_unreadable(self, message: PathChooser.Unreadable) -> None:
        self.say(message.sentence)

    def _on_name_list_changed(self, message: NameList.Changed) -> None:
        message.stop()
        settings = self.query_one("#captured", NameList).one == "settings"
        self.query_one("#driven-box").display = settings
        if message.names.id == "output":
            self.query_one(LevelRows).offer(routed_inputs(self._preset, message.names.one))

    def _on_input_submitted(self, event: Input.Submitted) -> None:
        event.stop()
        if event.input.id == "options" and self._path:
            self._read(self._path)
        else:
            self.focus_next()

    def _on_button_pressed(self, event: Button.Pressed) -> None:
        event.stop()
        if event.button.id == "back":
            self._back()
        else:
            self.action_go()
