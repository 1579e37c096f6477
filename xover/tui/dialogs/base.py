"""What every dialog has: a heading, a body, a line for what is wrong, and its keys at the foot.

A dialog gets plain data and returns a typed answer, None where it was left; it never touches the
session. Every text is shown literally.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import ClassVar, Generic, TypeVar

from textual.app import ComposeResult
from textual.await_complete import AwaitComplete
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.content import Content
from textual.screen import ModalScreen
from textual.widget import Widget
from textual.widgets import Button, OptionList, Static
from textual.widgets.option_list import Option

from xover.model.names import inert, inert_lines
from xover.model.problems import Refused
from xover.tui.computing import Computed, Newest
from xover.tui.field import Field
from xover.tui.options import Options

T = TypeVar("T")


class Dialog(ModalScreen[T | None], Generic[T]):
    """A question over the workbench; Escape leaves it without an answer."""

    heading: str = ""
    keys: ClassVar[str] = "Esc leaves"

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "leave", show=False),
        Binding("ctrl+g", "go", "go", show=False),
    ]

    DEFAULT_CSS = """
    Dialog { align: center middle; }
    Dialog > #box { width: 78; max-width: 100%; min-width: 24; height: auto; max-height: 100%;
        padding: 0 1; background: $surface; border: round $primary; overflow-y: auto; }
    Dialog VerticalScroll, Dialog OptionList, Dialog > #box { scrollbar-gutter: stable;
        overflow-x: hidden; scrollbar-size: 0 1; }
    Dialog #heading { text-style: bold; height: auto; width: 100%; }
    Dialog #problem { color: $text-error; height: auto; width: 100%; }
    Dialog #keys { color: $text-muted; height: auto; width: 100%; }
    Dialog .line { height: auto; width: 100%; }
    Dialog .muted { color: $text-muted; }
    Dialog .row { height: 1; width: 100%; }
    Dialog .row > .label { width: 16; }
    Dialog .row > Field { width: 1fr; }
    Dialog .row > Button { margin: 0 2 0 0; }
    Dialog Button { min-width: 8; width: auto; background: $boost; }
    Dialog Button:focus { text-style: bold underline; }
    Dialog OptionList { height: auto; min-width: 6; max-height: 14; border: none; padding: 0;
        background: transparent; }
    Dialog OptionList:focus { border: none; background: transparent; }
    Dialog OptionList > .option-list--option-highlighted,
    Dialog OptionList:focus > .option-list--option-highlighted { text-style: bold underline; }
    Dialog .columns { height: auto; width: 100%; }
    Dialog .columns > Vertical { width: 1fr; min-width: 12; height: auto; margin: 0 1 0 0; }
    Dialog .title { color: $text-muted; height: 1; width: 100%; }
    """

    def __init__(self) -> None:
        super().__init__()
        self._newest: Newest | None = None

    def compose(self) -> ComposeResult:
        """Heading, body, problem, keys."""
        with Vertical(id="box"):
            yield Static(Content(inert(self.heading)), id="heading")
            yield from self.body()
            yield Static("", id="problem", markup=False)
            yield Static(self.keys, id="keys", markup=False)

    def body(self) -> ComposeResult:
        """The dialog's own widgets."""
        yield Static("")

    def on_mount(self) -> None:
        """Nothing is wrong at first."""
        self.query_one("#problem").display = False

    def say(self, problem: str | Refused) -> None:
        """Show what is wrong, "" where nothing is any more."""
        text = inert(str(problem))
        if isinstance(problem, Refused):
            text = "\n".join(inert(str(fault)) for fault in problem.faults[:5])
        line = self.query_one("#problem", Static)
        line.update(Content(text))
        line.display = bool(text)
        if text:
            line.scroll_visible(animate=False)

    def dismiss(self, result: T | None = None) -> AwaitComplete:
        """Answer, once: a key may be pressed again before this has gone."""
        return super().dismiss(result) if self.app.screen is self else AwaitComplete()

    def action_leave(self) -> None:
        """Leave without an answer."""
        self.dismiss(None)

    def action_go(self) -> None:
        """Do what the dialog's main button does."""

    @property
    def newest(self) -> Newest:
        """What is computed beside this dialog."""
        if self._newest is None:
            self._newest = Newest(self)
        return self._newest

    def result_ready(self, result: object) -> None:
        """Take what was computed."""

    def _on_computed(self, message: Computed) -> None:
        if not self.newest.ended(message) or not self.is_attached:
            return
        self.computing_ended()
        if message.problem is not None:
            self.say(message.problem)
        else:
            self.result_ready(message.result)

    def computing_ended(self) -> None:
        """Called before a result or a problem is shown."""

    def _on_field_turned_down(self, message: Field.TurnedDown) -> None:
        message.stop()
        self.say(message.sentence)


def line(text: str, *, id: str | None = None, muted: bool = False) -> Static:
    """A paragraph, shown literally."""
    classes = "line muted" if muted else "line"
    return Static(Content(inert_lines(text)), id=id, classes=classes)


@contextmanager
def labelled(text: str) -> Iterator[Widget]:
    """A row of the form: its label, then what is put in."""
    with Horizontal(classes="row") as row:
        label = Static(text, classes="label", markup=False)
        row.compose_add_child(label)
        yield row


@contextmanager
def button_row() -> Iterator[Widget]:
    """A row of buttons."""
    with Horizontal(classes="row buttons") as row:
        yield row


class ChoiceDialog(Dialog[str]):
    """A question with a few answers; the first offered is the one that does no harm."""

    keys: ClassVar[str] = "↑ ↓ choose   Enter takes it   Esc leaves"

    def __init__(
        self, heading: str, paragraphs: tuple[str, ...], choices: tuple[tuple[str, str], ...]
    ) -> None:
        """`choices` are (answer, words for people) in the order offered."""
        super().__init__()
        self.heading = heading
        self.paragraphs = paragraphs
        self.choices = choices

    def body(self) -> ComposeResult:
        """The paragraphs, then the answers."""
        with VerticalScroll(id="said", can_focus=False):
            for text in self.paragraphs:
                yield line(text)
        yield Options(
            *(Option(Content(inert(words)), id=answer) for answer, words in self.choices),
            id="choices",
            markup=False,
        )

    DEFAULT_CSS = """
    ChoiceDialog #said { height: auto; max-height: 12; }
    ChoiceDialog #choices { margin: 1 0 0 0; }
    """

    def on_mount(self) -> None:
        """The first answer is under the cursor."""
        super().on_mount()
        choices = self.query_one("#choices", OptionList)
        choices.highlighted = 0
        choices.focus()

    def _on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        event.stop()
        self.dismiss(event.option_id)

    def action_go(self) -> None:
        """Take the answer under the cursor."""
        self.query_one("#choices", OptionList).action_select()


def button(words: str, id: str) -> Button:
    """A flat button."""
    return Button(Content(f" {words} "), id=id, compact=True)


@contextmanager
def columns() -> Iterator[Widget]:
    """A row of columns side by side."""
    with Horizontal(classes="columns") as row:
        yield row


@contextmanager
def column(title: str) -> Iterator[Widget]:
    """One column under its title."""
    with Vertical() as held:
        held.compose_add_child(Static(title, classes="title", markup=False))
        yield held
