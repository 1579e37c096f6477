"""Archive: venues, presets and revisions as one list, searched as one types, compared, restored.

Shows and asks: what is restored or kept is done by the app. Every look into the archive happens
beside the screen.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.content import Content
from textual.message import Message
from textual.timer import Timer
from textual.widgets import Button, OptionList, Static
from textual.widgets.option_list import Option

from xover.model.drive import Drive
from xover.model.names import inert
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.session import archiving
from xover.session.archiving import Key, Revision, Stock
from xover.tui.computing import Computed, Newest
from xover.tui.options import Options
from xover.tui.panes import archive_view as view
from xover.tui.panes.archive_view import Compared, Node
from xover.tui.panes.base import Pane
from xover.tui.panes.walk import Walk

if TYPE_CHECKING:
    from xover.files.archive.index import Row

PAUSE_S = 0.1
"""How long no letter comes before the search begins."""
WORDS_LENGTH = 200


class Searched:
    """The whole stock and what of it was searched for, with the words."""

    def __init__(self, whole: Stock, found: Stock, words: str) -> None:
        self.whole, self.found, self.words = whole, found, words


class ArchivePane(Pane):
    """The archive; posts `Compare` when a revision is to light up in the sheet, or none any more.

    `Restore` and `Copy` ask for the revision compared, `Keep` for a further one.
    """

    title: ClassVar[str] = "Archive"

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "back", "back", show=False),
    ]

    DEFAULT_CSS = """
    ArchivePane > Vertical { height: 1fr; width: 1fr; }
    ArchivePane #said, ArchivePane #line, ArchivePane #against { height: auto; padding: 0 1;
        width: 100%; }
    ArchivePane #said { color: $text-muted; }
    ArchivePane #line { color: $text-muted; max-height: 3; }
    ArchivePane #against { max-height: 3; }
    ArchivePane #words { width: 1fr; height: 1; padding: 0 1; text-wrap: nowrap; }
    ArchivePane .row { height: 1; width: 100%; }
    ArchivePane .row > Button { min-width: 6; width: auto; margin: 0 0 0 1; background: $boost; }
    ArchivePane .row > Button:focus { text-style: bold underline; }
    ArchivePane Walk { padding: 0 0 0 1; }
    ArchivePane OptionList { height: 1fr; min-width: 6; border: none; padding: 0 1;
        background: transparent; scrollbar-size-vertical: 1; }
    ArchivePane OptionList:focus { border: none; background: transparent; }
    """

    class Compare(Message):
        """A revision shall be compared on the sheet, or (None) none any more."""

        def __init__(self, revision: Revision | None) -> None:
            super().__init__()
            self.revision = revision

    class Restore(Message):
        """A revision shall become what is on the sheet."""

        def __init__(self, revision: Revision) -> None:
            super().__init__()
            self.revision = revision

    class Copy(Message):
        """A revision shall be opened as a preset of its own."""

        def __init__(self, revision: Revision) -> None:
            super().__init__()
            self.revision = revision

    class Keep(Message):
        """The preset on the sheet shall be kept as a further revision."""

    class Read(Message, bubble=False):
        """How many files of how many have been read."""

        def __init__(self, done: int, total: int) -> None:
            super().__init__()
            self.done, self.total = done, total

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._reading = Newest(self)
        self._looking = Newest(self)
        self._opening = Newest(self)
        self._whole: Stock | None = None
        self._searched: Searched | None = None
        self._revisions: dict[Key, tuple[Row, ...]] = {}
        self._turned: frozenset[Node] = frozenset()
        self._wanted: object | None = None
        """Where the cursor shall go once it is there."""
        self._found_own = False
        self._stop = False
        self._is_whole = True
        self._problem = ""
        self._words = ""
        self._pause: Timer | None = None
        self._revision: Revision | None = None
        self._compared: Compared | None = None

    def body(self) -> ComposeResult:
        """The list with its search, and behind it one revision compared."""
        with Vertical(id="browse"):
            yield Static("", id="said", markup=False)
            with Horizontal(classes="row"):
                yield Static("", id="words", markup=False)
                yield Button(" Keep ", id="keep", compact=True)
            yield Walk(asked=self._asked, typed=self._typed, id="walk")
            yield Static("", id="line", markup=False)
        with Vertical(id="compare"):
            yield Static("", id="against", markup=False)
            yield Options(id="differences", markup=False)
            with Horizontal(classes="row"):
                yield Button(" Restore ", id="restore", compact=True)
                yield Button(" Open a copy ", id="copy", compact=True)
                yield Button(" Back ", id="back", compact=True)

    # What there is

    @property
    def stock(self) -> Stock | None:
        """What is listed."""
        return None if self._searched is None else self._searched.found

    @property
    def compared(self) -> Compared | None:
        """The revision that is compared, and what differs."""
        return self._compared

    @property
    def revision(self) -> Revision | None:
        """The revision that is compared."""
        return self._revision

    @property
    def is_pending(self) -> bool:
        """Whether the archive is being read, or searched, or something compared."""
        newest = (self._reading, self._looking, self._opening)
        return super().is_pending or any(one.is_busy for one in newest)

    # Being shown

    def on_mount(self) -> None:
        """The list first; what the index knows at once, the files beside it."""
        self.query_one("#compare").display = False
        super().on_mount()
        self._show_words()
        self._look()
        self.read()

    def take_keys(self) -> None:
        """The keys walk and search."""
        if self._has_widgets:
            self.query_one(Walk).focus()

    def read(self) -> None:
        """Look at the files again; Escape stops it."""
        self._stop = False

        def progress(done: int, total: int) -> None:
            if self._stop:
                raise Refused.at("", "stopped; the archive was not read to its end")
            self.post_message(self.Read(done, total))

        self._reading.ask(partial(archiving.refresh, progress))
        self._mark()

    def refresh_content(self, preset: Preset, drive: Drive) -> None:
        """Another preset on the sheet: compare anew, mark what it comes from."""
        if self._revision is not None:
            self.compute(partial(view.compared, self._revision, preset))
        else:
            self._list()

    def result_ready(self, result: object, sentence: str) -> None:
        """Show a comparison."""
        if (
            not self._has_widgets
            or not isinstance(result, Compared)
            or result.revision is not self._revision
        ):
            return
        self._compared = result
        count = len(result.differences)
        differ = {0: "nothing differs", 1: "1 difference"}.get(count, f"{count} differences")
        tail = ", then → on the sheet now; Enter goes to the cell" if count else " from the sheet"
        self.query_one("#against", Static).update(
            Content(inert(f"{result.revision.words}: {differ}{tail}"))
        )
        options = self.query_one("#differences", OptionList)
        at = options.highlighted or 0
        options.clear_options()
        options.add_options([Option(Content(one.sentence)) for one in result.differences])
        if count:
            options.highlighted = min(at, count - 1)

    # What was asked of the archive

    def _on_computed(self, message: Computed) -> None:
        problem = "" if message.problem is None else inert(str(message.problem))
        if self._reading.ended(message) and self.is_attached:
            self._is_whole = not problem
            self._problem = problem
            self._revisions = {}
            self._whole = None
            self._look()
        elif self._looking.ended(message) and self.is_attached:
            self._problem = problem or self._problem
            if isinstance(message.result, Searched):
                self._searched = message.result
                self._whole = message.result.whole
                self._show_own()
            self._list()
            self._open_missing()
        elif self._opening.ended(message) and self.is_attached:
            if isinstance(message.result, Revision):
                self._compare(message.result)
            elif isinstance(message.result, dict):
                self._revisions.update(message.result)
                self._list()
                self._open_missing()
            elif problem and self._has_widgets:
                self._tell(problem)
        else:
            super()._on_computed(message)
            return
        self._mark()

    def on_archive_pane_read(self, message: Read) -> None:
        """How far the reading is."""
        if self._has_widgets and self._reading.is_busy and message.done < message.total:
            self._said(f"reading {message.done} of {message.total} files; Esc stops")

    def _look(self) -> None:
        """Have the list made anew, as far as words are typed."""
        whole, words = self._whole, self._words

        def job() -> Searched:
            stock = archiving.stock() if whole is None else whole
            return Searched(stock, archiving.narrowed(stock, words), words)

        self._looking.ask(job)
        self._mark()

    def _show_own(self) -> None:
        """Once, at first: what is on the sheet, where the archive has it."""
        stock, preset = self.stock, self._preset
        if self._found_own or stock is None or preset is None:
            return
        own = archiving.key(preset.venue, preset.title)
        venue = next((one for one in stock.venues if one.key == own[0]), None)
        if venue is None or all(one.key != own for one in venue.presets):
            return
        self._found_own = True
        if stock.presets > view.OPEN_UP_TO:
            self._turned |= {("venue", own[0])}
        self._turned |= {("preset", own)}
        self._wanted = ("preset", own)

    def _open_missing(self) -> None:
        """Have the revisions read of presets that stand open without them."""
        missing = [
            what
            for kind, what in self._turned
            if kind == "preset" and isinstance(what, tuple) and what not in self._revisions
        ]
        if missing and not self._opening.is_busy:
            self._opening.ask(lambda: {one: archiving.revisions(one) for one in missing})
            self._mark()

    def _list(self) -> None:
        stock, preset = self.stock, self._preset
        if stock is None or self._searched is None or not self._has_widgets:
            return
        words = self._searched.words
        based_on = None if preset is None else preset.based_on
        items = view.lines(stock, self._turned, self._revisions, based_on)
        walk = self.query_one(Walk)
        walk.show(items, at=self._wanted)
        if walk.current == self._wanted:
            self._wanted = None
        if not self._reading.is_busy or self._problem:
            self._said(self._problem or view.counted(stock, words, self._is_whole))
        self._tell_line()

    def _said(self, text: str) -> None:
        self.query_one("#said", Static).update(Content(inert(text)))

    def _tell(self, text: str) -> None:
        self.query_one("#line", Static).update(Content(inert(text)))

    def _tell_line(self) -> None:
        node = self.query_one(Walk).current if self._has_widgets else None
        if node is not None and self.stock is not None:
            self._tell(view.said_of(node, self.stock, None))

    # Walking and searching

    def _on_walk_moved(self, message: Walk.Moved) -> None:
        message.stop()
        self._tell_line()

    def _typed(self, letter: str) -> None:
        """A search begins wherever the cursor is."""
        self._search((self._words + letter)[:WORDS_LENGTH] if letter else self._words[:-1])

    def _search(self, words: str) -> None:
        if words == self._words or not self._has_widgets:
            return
        self._words = words
        self._show_words()
        if self._pause is not None:
            self._pause.stop()
        self._pause = self.set_timer(PAUSE_S, self._look)

    def _show_words(self) -> None:
        text = Content("search ") + Content.styled(inert(self._words) + "▏", "bold")
        if not self._words:
            text = Content("type to search: venue, title, note, box")
        self.query_one("#words", Static).update(text)

    def _asked(self, how: str) -> None:
        """Open, close or choose the line under the cursor."""
        node = self.query_one(Walk).current if self._has_widgets else None
        if not isinstance(node, tuple) or self.stock is None:
            return
        kind, what = node
        if kind == "revision":
            if how == "out":
                row: Row = what
                self._wanted = ("preset", archiving.key(row.venue, row.title))
                self._list()
            else:
                self._opening.ask(partial(archiving.take_out, what))
                self._mark()
            return
        is_open = node in self._turned
        if kind == "venue" and self.stock.presets <= view.OPEN_UP_TO:
            is_open = not is_open
        if how == "out" and not is_open:
            if kind == "preset":
                self._wanted = ("venue", what[0])
                self._list()
        elif how != ("in" if is_open else "out"):
            self._turned ^= {node}
            self._open_missing()
            self._list()

    # Comparing

    def _compare(self, revision: Revision) -> None:
        if not self._has_widgets:
            return
        self._revision, self._compared = revision, None
        self.query_one("#against", Static).update(Content(inert(f"{revision.words}: comparing …")))
        self.query_one("#differences", OptionList).clear_options()
        self.query_one("#browse").display = False
        self.query_one("#compare").display = True
        self.query_one("#differences").focus()
        self.post_message(self.Compare(revision))
        if self._preset is not None:
            self.compute(partial(view.compared, revision, self._preset))

    @property
    def _has_widgets(self) -> bool:
        """Whether its widgets are there: not yet, or no more, while panes change."""
        wanted = ("#said", "#words", "#line", "#walk", "#against", "#differences")
        return all(self.query(name) for name in wanted)

    def action_back(self) -> None:
        """From a comparison to the list; there, stop reading, take the search back, or leave."""
        if not self._has_widgets:
            return
        if self._revision is not None:
            self._revision = self._compared = None
            self.query_one("#compare").display = False
            self.query_one("#browse").display = True
            self.query_one(Walk).focus()
            self.post_message(self.Compare(None))
            self._list()
        elif self._reading.is_busy and not self._stop:
            self._stop = True
        elif self._words:
            self._search("")
        else:
            self.action_give_back()

    def _on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        event.stop()
        if self._compared is not None and event.option_index < len(self._compared.differences):
            one = self._compared.differences[event.option_index]
            self.post_message(self.JumpTo(one.where))

    def _on_button_pressed(self, event: Button.Pressed) -> None:
        event.stop()
        if event.button.id == "keep":
            self.post_message(self.Keep())
        elif event.button.id == "back":
            self.action_back()
        elif self._revision is not None:
            if event.button.id == "restore":
                self.post_message(self.Restore(self._revision))
            else:
                self.post_message(self.Copy(self._revision))
