"""Choosing among names, one or several, and single things to tick; marks read without colour.

Nothing is chosen but what was handed in as chosen. Names are shown literally.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import ClassVar

from textual import events
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.message import Message
from textual.widget import Widget
from textual.widgets import OptionList
from textual.widgets.option_list import Option

from xover.model.names import inert
from xover.tui.options import Options

_MARKS = {False: ("[ ] ", "[x] "), True: ("( ) ", "(•) ")}


class NameList(Options):
    """Names with a mark each; Space or Enter chooses, `single` allows one at a time."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("space", "select", "choose", show=False)]

    DEFAULT_CSS = """
    NameList { text-wrap: nowrap; text-overflow: ellipsis; }
    """

    class Changed(Message):
        """Another choice was made in `names`."""

        def __init__(self, names: NameList) -> None:
            super().__init__()
            self.names = names

        @property
        def control(self) -> NameList:
            """The list."""
            return self.names

    def __init__(
        self,
        names: Sequence[str],
        *,
        chosen: Iterable[str] = (),
        single: bool = False,
        words: Mapping[str, str] | None = None,
        id: str | None = None,
    ) -> None:
        """`words` are shown in place of names where given."""
        self._names = tuple(names)
        self._single = single
        self.words = dict(words or {})
        wanted = [name for name in chosen if name in self._names]
        self._chosen = set(wanted[:1] if single else wanted)
        super().__init__(*(Option(self._prompt(name)) for name in self._names), id=id, markup=False)

    @property
    def names(self) -> tuple[str, ...]:
        """All names."""
        return self._names

    @property
    def chosen(self) -> tuple[str, ...]:
        """The chosen names, in the order of the list."""
        return tuple(name for name in self._names if name in self._chosen)

    @property
    def one(self) -> str | None:
        """The first name chosen, None where there is none."""
        return self.chosen[0] if self._chosen else None

    def choose(self, names: Iterable[str]) -> None:
        """Choose exactly these."""
        wanted = [name for name in names if name in self._names]
        self._chosen = set(wanted[:1] if self._single else wanted)
        self._repaint()
        self.post_message(self.Changed(self))

    def offer(self, names: Sequence[str], *, chosen: Iterable[str] = ()) -> None:
        """Offer other names."""
        self._names = tuple(names)
        self._chosen = {name for name in chosen if name in self._names}
        self.clear_options()
        self.add_options([Option(self._prompt(name)) for name in self._names])
        self.on_mount()

    def on_mount(self) -> None:
        """The cursor stands on what is chosen, else on the first name."""
        if self._names:
            chosen = self.one
            self.highlighted = 0 if chosen is None else self._names.index(chosen)

    def _on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        event.stop()
        event.prevent_default()
        name = self._names[event.option_index]
        if self._single:
            self._chosen = {name}
        else:
            self._chosen ^= {name}
        self._repaint()
        self.post_message(self.Changed(self))

    def _repaint(self) -> None:
        for index, name in enumerate(self._names):
            self.replace_option_prompt_at_index(index, self._prompt(name))

    def _prompt(self, name: str) -> Content:
        mark = _MARKS[self._single][name in self._chosen]
        return Content(mark + inert(self.words.get(name, name)))


class Tick(Widget, can_focus=True):
    """One thing to tick or leave."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("space,enter", "tick", "tick", show=False),
    ]

    DEFAULT_CSS = """
    Tick { height: 1; width: 100%; text-wrap: nowrap; text-overflow: ellipsis; }
    Tick:focus { text-style: bold underline; }
    """

    class Changed(Message):
        """It was ticked or unticked."""

        def __init__(self, tick: Tick) -> None:
            super().__init__()
            self.tick = tick

        @property
        def control(self) -> Tick:
            """The tick."""
            return self.tick

    def __init__(self, words: str, value: bool = False, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._words = words
        self._value = value

    @property
    def value(self) -> bool:
        """Whether it is ticked."""
        return self._value

    def render(self) -> Content:
        """The mark and the words."""
        return Content(_MARKS[False][self._value] + inert(self._words))

    def action_tick(self) -> None:
        """Tick or untick."""
        self._value = not self._value
        self.refresh()
        self.post_message(self.Changed(self))

    def on_click(self, event: events.Click) -> None:
        """A click is a tick."""
        event.stop()
        self.action_tick()
