"""Processor: what a kind of processor makes of the preset, what it cannot hold, and what it costs.

Shows and asks: the preset is changed by the app alone. After edits everything is computed anew
beside the screen, a moment after the last one.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from typing import TYPE_CHECKING, ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal
from textual.content import Content
from textual.message import Message
from textual.timer import Timer
from textual.widgets import Button, OptionList, Static
from textual.widgets.option_list import Option

from xover.model.drive import Drive
from xover.model.names import inert
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.session import processors, verifying
from xover.session.processors import Fitted
from xover.session.verifying import Asked
from xover.tui.computing import Computed, Newest
from xover.tui.options import Options
from xover.tui.panes.base import Pane
from xover.tui.panes.processor_view import (
    Entry,
    Judged,
    counted,
    drawn,
    entries_of,
    judged,
    output_at,
)

if TYPE_CHECKING:
    from xover.files.audio import Progress
    from xover.model.profile import Profile

PAUSE_S = 0.3
"""How long no edit comes before the preset is adapted anew."""
ROOMY = 18
"""From so many rows on the difference is drawn under the entries."""
NARROWEST = 40
COURSE_ROWS = 8
NONE_CHOSEN = "Choose a processor's profile: one of those shipped, or your own, from its manual."


class Named:
    """What came of looking for the profile that a preset names."""

    def __init__(self, profile: Profile | None) -> None:
        self.profile = profile


class ProcessorPane(Pane):
    """The preset on a processor; posts `Becomes` when cells would become others."""

    title: ClassVar[str] = "Processor"

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "back", "back", show=False)]

    DEFAULT_CSS = """
    ProcessorPane > #said { height: auto; padding: 0 1; color: $text-muted; }
    ProcessorPane > #course { height: auto; padding: 0 1; display: none; text-wrap: nowrap; }
    ProcessorPane > .row { height: 1; width: 100%; }
    ProcessorPane > .row > Button { min-width: 6; width: auto; margin: 0 0 0 1;
        background: $boost; }
    ProcessorPane > .row > Button:focus { text-style: bold underline; }
    ProcessorPane > OptionList { height: 1fr; min-width: 6; border: none; padding: 0 1;
        background: transparent; scrollbar-size-vertical: 1; }
    ProcessorPane > OptionList:focus { border: none; background: transparent; }
    """

    class Becomes(Message):
        """What cells become, of which preset; None while no processor is chosen."""

        def __init__(self, fitted: Fitted | None) -> None:
            super().__init__()
            self.fitted = fitted

    class Choose(Message):
        """Another profile shall be chosen."""

    class Apply(Message):
        """The sheet shall become what the processor holds."""

        def __init__(self, fitted: Fitted) -> None:
            super().__init__()
            self.fitted = fitted

    class Doing(Message, bubble=False):
        """What a verification is at."""

        def __init__(self, words: str) -> None:
            super().__init__()
            self.words = words

    class Verify(Message):
        """A capture of the processor shall be chosen."""

    def __init__(self, profile: Profile | None = None, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._profile = profile
        self._fitted: Fitted | None = None
        self._judged: Judged | None = None
        self._entries: tuple[Entry, ...] = ()
        self._pause: Timer | None = None
        self._judging = Newest(self)
        self._verifying: Asked | None = None
        self._looked = False

    def body(self) -> ComposeResult:
        """Which processor, what can be asked, and the entries."""
        yield Static("", id="said", markup=False)
        yield Options(id="entries", markup=False)
        with Horizontal(classes="row"):
            yield Button(" Choose ", id="choose", compact=True)
            yield Button(" Enter into the sheet ", id="apply", compact=True, disabled=True)
            yield Button(" Verify ", id="verify", compact=True)
            yield Button(" Back ", id="back", compact=True)
        yield Static("", id="course", markup=False)

    @property
    def profile(self) -> Profile | None:
        """The processor chosen."""
        return self._profile

    @property
    def fitted(self) -> Fitted | None:
        """What is shown of the processor."""
        return self._fitted

    @property
    def judgement(self) -> Judged | None:
        """The verification that is shown."""
        return self._judged

    @property
    def entries(self) -> Sequence[Entry]:
        """The entries shown."""
        return self._entries

    @property
    def is_pending(self) -> bool:
        """Whether something is computed, or will be once edits pause."""
        return super().is_pending or self._judging.is_busy or self._pause is not None

    def on_mount(self) -> None:
        """No way back at first."""
        self.query_one("#back").display = False
        super().on_mount()

    def on_resize(self) -> None:
        """The difference is drawn where there is room for it."""
        self._draw_course()

    def take_keys(self) -> None:
        """The keys go to the entries; without any to what chooses."""
        if not self._is_whole:
            return
        first = "#entries" if self._profile is not None or self._named() else "#choose"
        self.query_one(first).focus()

    def choose(self, profile: Profile) -> None:
        """Show another processor."""
        self._profile, self._looked = profile, True
        self.action_back()
        self._adapt()

    def verify(self, asked: Asked) -> None:
        """Judge captures beside the screen, and show what came of it; Escape ends it."""
        preset, profile = self._preset, self._profile
        if preset is None or not self._is_whole:
            return
        self._verifying = asked
        outputs = [one.output for one in asked.captures]
        self._said(f"verifying {', '.join(outputs)} … (Esc ends it)")

        def go_on(words: str = "") -> None:
            if self._verifying is not asked:
                raise Refused.at("", "given up")
            if words:
                self.post_message(self.Doing(words))

        @contextmanager
        def told(what: str) -> Iterator[Progress]:
            go_on(what)
            yield lambda share: go_on()

        def begun(output: str) -> None:
            go_on(f"comparing {output}, {outputs.index(output) + 1} of {len(outputs)}")

        def job() -> Judged:
            results = verifying.verify(
                preset,
                profile,
                asked.captures,
                loop=asked.loop,
                reading=asked.reading,
                told=told,
                begun=begun,
            )
            return judged(preset, results)

        self._judging.ask(job)
        self._mark()

    def refresh_content(self, preset: Preset, drive: Drive) -> None:
        """Adapt anew, at once what is shown first, else once edits pause."""
        if self._pause is not None:
            self._pause.stop()
        if self._fitted is None:
            self._adapt()
        else:
            self._pause = self.set_timer(PAUSE_S, self._adapt)
            self._mark()

    @property
    def _is_whole(self) -> bool:
        """Whether its widgets are there: not yet, or no more, while panes change."""
        return bool(self.query("#said") and self.query("#entries") and self.query("#back"))

    def _named(self) -> str | None:
        return None if self._preset is None else self._preset.processor

    def _adapt(self) -> None:
        self._pause = None
        if not self._is_whole:
            return
        preset, profile, name = self._preset, self._profile, self._named()
        if preset is None:
            return
        if profile is not None:
            self.compute(partial(processors.fit, preset, profile))
        elif name is not None and not self._looked:
            self.compute(lambda: Named(processors.profile_named(name)))
        else:
            self._say_none()

    def _say_none(self) -> None:
        name = self._named()
        missing = f"“{name}”, named in the preset, is none of those shipped. " if name else ""
        self._said(missing + NONE_CHOSEN)
        if self.query_one("#entries").has_focus:
            self.query_one("#choose").focus()
        self._mark()

    def result_ready(self, result: object, sentence: str) -> None:
        """Show what the processor makes of it."""
        if not self._is_whole:
            return
        if isinstance(result, Named):
            self._looked, self._profile = True, result.profile
            if result.profile is None:
                self._say_none()
            else:
                self._adapt()
        elif isinstance(result, Fitted):
            if self._fitted is None and self.query_one("#choose").has_focus:
                self.query_one("#entries").focus()
            self._fitted = result
            self.query_one("#apply", Button).disabled = not result.becomes
            self.post_message(self.Becomes(result))
            self._show()
        elif sentence:
            self._said(sentence)

    def _on_computed(self, message: Computed) -> None:
        if self._judging.ended(message) and self.is_attached and self._is_whole:
            if isinstance(message.result, Judged):
                self._judged = message.result
                self._show()
                self.query_one("#entries").focus()
            elif message.problem is not None:
                self._said(inert(str(message.problem)))
            self._mark()
        else:
            super()._on_computed(message)

    def _on_processor_pane_doing(self, message: Doing) -> None:
        if self._judging.is_busy and self._is_whole:
            self._said(f"{message.words} … (Esc ends it)")

    def _said(self, text: str) -> None:
        self.query_one("#said", Static).update(Content(inert(text)))

    def _show(self) -> None:
        """The verification, where there is one, else what the processor makes of the preset."""
        is_judged, fitted = self._judged is not None, self._fitted
        self.query_one("#back").display = is_judged
        self.query_one("#apply").display = not is_judged
        if self._judged is not None:
            held = "the sheet" if self._profile is None else self._profile.name
            self._said(f"{self._judged.verdict} {held}. Enter goes to the cell, Esc back")
            self._list(self._judged.entries)
        elif fitted is not None:
            name = fitted.answer.profile.name
            self._said(f"{name}: {counted(fitted)}. Enter goes to the cell")
            self._list(entries_of(fitted))
        else:
            self._list(())

    def _list(self, entries: tuple[Entry, ...]) -> None:
        options = self.query_one("#entries", OptionList)
        at = options.highlighted
        held = self._entries[at].where if at is not None and at < len(self._entries) else ""
        self._entries = entries
        options.clear_options()
        options.add_options([Option(one.content, disabled=not one.where) for one in entries])
        places = [k for k, one in enumerate(entries) if one.where]
        same = [k for k in places if held and entries[k].where == held]
        if places:
            options.highlighted = same[0] if same else places[0]

    def _on_option_list_option_highlighted(self, event: OptionList.OptionHighlighted) -> None:
        event.stop()
        self._draw_course()

    def _draw_course(self) -> None:
        """Under the entries: how far the level of the output at hand is from what is meant."""
        for place in self.query("#course"):
            place.display = self.size.height >= ROOMY and self.size.width >= NARROWEST
            text = self._course_text() if place.display else ""
            if isinstance(place, Static):
                place.display = bool(text)
                place.update(Content(text))

    def _course_text(self) -> str:
        at = self.query_one("#entries", OptionList).highlighted
        preset = self._preset
        if preset is None or at is None or at >= len(self._entries):
            return ""
        output = output_at(preset, self._entries[at].where)
        if output is None:
            return ""
        width = self.size.width - 2
        if self._judged is not None:
            one = next((one for one in self._judged.results if one.output == output), None)
            if one is None:
                return ""
            course = processors.course_of(one)
            return drawn(f"{inert(output)}, captured less meant", course, width, COURSE_ROWS)
        if self._fitted is None or output not in self._fitted.courses:
            return ""
        course = self._fitted.courses[output]
        return drawn(f"{inert(output)}, processor less sheet", course, width, COURSE_ROWS)

    def action_back(self) -> None:
        """From a verification to the processor; what is still being judged counts for nothing."""
        if not self._is_whole:
            return
        if self._judged is None and not self._judging.is_busy:
            self.action_give_back()
            return
        self._judging.forget()
        self._verifying = None  # its thread ends at the next file or output
        self._judged = None
        self._show()
        if self._fitted is None:
            self._say_none()
        self._mark()

    def _on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        event.stop()
        if event.option_index < len(self._entries):
            self.post_message(self.JumpTo(self._entries[event.option_index].where))

    def _on_button_pressed(self, event: Button.Pressed) -> None:
        event.stop()
        if event.button.id == "choose":
            self.post_message(self.Choose())
        elif event.button.id == "verify":
            self.post_message(self.Verify())
        elif event.button.id == "back":
            self.action_back()
        elif self._fitted is not None:
            self.post_message(self.Apply(self._fitted))
