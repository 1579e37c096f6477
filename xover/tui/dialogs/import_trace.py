"""Importing a capture: the file; how it is read, with its curve; then what must be asked of it.

Reading runs beside the screen. Nothing is chosen beforehand where the answer changes the result.
"""

from __future__ import annotations

from functools import partial
from time import monotonic
from typing import ClassVar

from textual.app import ComposeResult
from textual.containers import Vertical, VerticalScroll
from textual.content import Content
from textual.timer import Timer
from textual.widgets import Button, Input, Static

from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.tui.dialogs.base import Dialog, button, button_row
from xover.tui.dialogs.import_attach import AttachForm, BoxForm
from xover.tui.dialogs.import_questions import said_here
from xover.tui.dialogs.import_reading import ReadingForm
from xover.tui.dialogs.import_view import (
    ImportChoice,
    Looked,
    OpenedSettings,
    ReadCapture,
    look_at,
    picture,
    put_in,
    put_in_box,
    understood_lines,
)
from xover.tui.dialogs.paths import PathChooser, no_file
from xover.tui.dialogs.picking import NameList
from xover.tui.reflow import Reflowed

PAGES = ("file", "reading", "attach", "own")
AS = {"attach": "captured of an output", "own": "a loudspeaker's own response"}
"""What a capture can be taken for, by the page that asks about it."""


class Reading:
    """How far reading is, told from beside the screen; once it is left, reading ends."""

    def __init__(self) -> None:
        self.is_left = False
        self._began_s = monotonic()
        self._part: float | None = None

    def __call__(self, part: float) -> None:
        """The part that is done, 0 to 1."""
        self._part = part
        if self.is_left:
            raise Refused.at("", "reading was stopped")

    def words(self) -> str:
        """What is said once it takes over half a second."""
        spent_s = monotonic() - self._began_s
        if spent_s < 0.5:
            return ""
        part = "" if self._part is None else f" {100.0 * self._part:.0f} %,"
        return f"reading,{part} {spent_s:.1f} s   Esc stops"


class ImportDialog(Dialog[ImportChoice]):
    """Answers the preset with the capture in it, to be taken as one step."""

    heading = "Import a measured response"
    keys: ClassVar[str] = "Tab moves on   Space chooses   Ctrl+G goes on, imports   Esc goes back"

    DEFAULT_CSS = """
    ImportDialog #file, ImportDialog #reading, ImportDialog #attach, ImportDialog #own {
        height: auto; }
    ImportDialog PathChooser > OptionList { max-height: 12; }
    ImportDialog #understood-box { height: auto; max-height: 3; scrollbar-size-vertical: 1; }
    ImportDialog NameList { max-height: 5; }
    ImportDialog #as { max-height: 2; }
    ImportDialog LevelRows { max-height: 3; }
    """

    def __init__(self, preset: Preset, folder: str) -> None:
        """`folder` is looked into first."""
        super().__init__()
        self._preset = preset
        self._folder = folder
        self._looked: Looked | None = None
        self._read_with: dict[str, str] = {}
        """The answers, as typed, that the file was read with last."""
        self._page = "file"
        self._reading: Reading | None = None
        self._ticker: Timer | None = None

    def body(self) -> ComposeResult:
        """One page after the other."""
        with Vertical(id="file"):
            yield PathChooser(self._folder, placeholder="text columns, or audio")
        with Vertical(id="reading"):
            yield Reflowed(id="picture")
            with VerticalScroll(id="understood-box"):
                yield Reflowed(id="understood")
            yield ReadingForm(self._folder, id="questions")
            yield NameList(tuple(AS), chosen=("attach",), single=True, words=AS, id="as")
            with button_row():
                yield button("Go on", "on")
                yield button("Back", "back-file")
        with Vertical(id="attach"):
            yield AttachForm(self._preset, self._folder)
            with button_row():
                yield button("Import", "go")
                yield button("Back", "back-reading")
        with Vertical(id="own"):
            yield BoxForm(self._preset)
            with button_row():
                yield button("Import", "go-own")
                yield button("Back", "back-own")
        yield Static("", id="progress", markup=False)

    def on_mount(self) -> None:
        """The file first."""
        super().on_mount()
        self.query_one("#progress").display = False
        self._turn_to("file")

    @property
    def page(self) -> str:
        """Which page is up."""
        return self._page

    @property
    def capture(self) -> ReadCapture | None:
        """What was read, None while the file is still sought or cannot be read yet."""
        return self._looked.capture if self._looked is not None else None

    def say(self, problem: str | Refused) -> None:
        """Show what is wrong in the words of this dialog."""
        faults = problem.faults[:5] if isinstance(problem, Refused) else ()
        text = "\n".join(str(fault) for fault in faults) if faults else str(problem)
        super().say(said_here(text))

    def action_go(self) -> None:
        """Read the file, or read it anew where answers have changed; go on; put it in."""
        if self.newest.is_busy:
            return
        capture = self.capture
        if self._page == "file":
            self.query_one(PathChooser).enter()
        elif self._page == "reading":
            if self._is_stale or capture is None:
                self._read()
            else:
                self.say("")
                self._turn_to(self.query_one("#as", NameList).one or "attach")
        elif capture is not None:
            self._put_in(capture)

    def _put_in(self, capture: ReadCapture) -> None:
        try:
            if self._page == "own":
                own = self.query_one(BoxForm).answers()
                self.newest.ask(partial(put_in_box, self._preset, capture, own))
                return
            form = self.query_one(AttachForm)
            if form.settings_wanted:
                self.newest.ask(form.opening())
                return
            self.newest.ask(partial(put_in, self._preset, capture, form.answers()))
        except Refused as refused:
            self.say(refused)

    def action_leave(self) -> None:
        """Stop reading; else go back a page; else leave."""
        if self.newest.is_busy:
            self.newest.forget()
            self.computing_ended()
            self.say("stopped; nothing was imported")
        elif self._page == "file":
            self.dismiss(None)
        else:
            self._back()

    def result_ready(self, result: object) -> None:
        """Show what was read; take what was put in."""
        if isinstance(result, ImportChoice):
            self.dismiss(result)
        elif isinstance(result, OpenedSettings):
            self.say(self.query_one(AttachForm).opened(result))
        elif isinstance(result, Looked):
            self._show(result)

    def _show(self, looked: Looked) -> None:
        self._looked = looked
        form = self.query_one(ReadingForm)
        form.ask_of(looked.is_audio)
        shown = self.query_one("#picture", Reflowed), self.query_one("#understood", Reflowed)
        for each in (*shown, self.query_one("#as")):
            each.display = looked.capture is not None
        if looked.capture is not None:
            height = self._share_rows()
            dark = self.app.current_theme.dark
            shown[0].show(partial(picture, looked.capture, height, dark))
            shown[1].show(partial(understood_lines, looked.capture))
            spl = looked.capture.response.level == "spl"
            self.query_one(AttachForm).show_level(spl)
            self.query_one(BoxForm).show_level(spl)
        fresh = self._page == "file"
        self._turn_to("reading", focus=fresh)
        self.say(looked.problem)
        if looked.problem:
            form.focus_first()

    def _share_rows(self) -> int:
        """Rows of the picture; what was understood and the questions get theirs."""
        room = max(11, self.app.size.height - 10)
        understood, drawn = max(3, room // 7), max(6, 2 * room // 5)
        self.query_one("#understood-box").styles.max_height = understood
        self.query_one(ReadingForm).styles.max_height = max(2, room - understood - drawn)
        return drawn

    @property
    def _is_stale(self) -> bool:
        return self.query_one(ReadingForm).typed() != self._read_with

    def _read(self, path: str | None = None) -> None:
        if path is None and self._looked is None:
            return
        if path is None and self._looked is not None:
            path = self._looked.path
        self._read_with = self.query_one(ReadingForm).typed()
        self.say("")
        self._reading = Reading()
        self._ticker = self.set_interval(0.1, self._tick)
        self.newest.ask(partial(look_at, path or "", self._read_with, self._folder, self._reading))

    def computing_ended(self) -> None:
        """Nothing is read any more."""
        if self._reading is not None:
            self._reading.is_left = True
        if self._ticker is not None:
            self._ticker.stop()
            self._ticker = None
        self.query_one("#progress").display = False

    def _tick(self) -> None:
        words = self._reading.words() if self._reading is not None else ""
        progress = self.query_one("#progress", Static)
        progress.display = bool(words)
        progress.update(Content(words))

    def _turn_to(self, page: str, *, focus: bool = True) -> None:
        self._page = page
        for each in PAGES:
            self.query_one(f"#{each}").display = each == page
        first = {"file": "#path", "reading": "#on", "attach": "#output", "own": "#loudspeaker"}
        if focus:
            self.query_one(first[page]).focus()

    def _back(self) -> None:
        self.say("")
        if self._page == "reading":
            self._looked = None
            self._turn_to("file")
        else:
            self._turn_to("reading")

    def _on_path_chooser_chosen(self, message: PathChooser.Chosen) -> None:
        self.say(no_file(message))
        if message.kind == "file":
            self.query_one(ReadingForm).clear()
            self._read(message.path)

    def _on_path_chooser_typing(self, message: PathChooser.Typing) -> None:
        self.say("")

    def _on_path_chooser_unreadable(self, message: PathChooser.Unreadable) -> None:
        self.say(message.sentence)

    def _on_name_list_changed(self, message: NameList.Changed) -> None:
        message.stop()

    def _on_input_submitted(self, event: Input.Submitted) -> None:
        event.stop()
        form = self.query_one(AttachForm)
        if self._page == "reading" and self._is_stale and not self.newest.is_busy:
            self._read()
        elif event.input.id == "settings-file" and form.settings_wanted:
            self._open_settings(form)
        self.focus_next()

    def _open_settings(self, form: AttachForm) -> None:
        try:
            self.newest.ask(form.opening())
        except Refused as refused:
            self.say(refused)

    def _on_button_pressed(self, event: Button.Pressed) -> None:
        event.stop()
        if (event.button.id or "").startswith("back"):
            self._back()
        else:
            self.action_go()
