"""What every action stands on: the session, the widgets, steps and what is said about them.

What is refused becomes one sentence in the read-out, and nothing is written before there is an
answer. Actions themselves are in the modules beside this one, by subject.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from xover.tui.drawing import Drawing
from xover.tui.kept import Whole
from xover.tui.lines import Line, whole_parts
from xover.tui.painting import has_more

if TYPE_CHECKING:
    from xover.model.preset import Preset
    from xover.model.profile import Profile
    from xover.session.archiving import Revision
    from xover.session.cells import Cell
    from xover.session.history import Step
    from xover.session.processors import Fitted
    from xover.session.session import Session
    from xover.tui.sheet import SheetGrid
    from xover.tui.sheet_messages import Nudged, Typed
    from xover.tui.sheet_view import SheetView

WITHOUT_A_PRESET = ("open", "quit", "help", "palette", "theme")
OVER_A_DIALOG = ("quit", "theme")
ABOUT_TYPING = ("undo", "redo")
"""Actions that are of the text being typed, while there is any."""


class Place(NamedTuple):
    """A place in the sheet: what an action is done to."""

    cursor: Cell | None
    selection: tuple[Cell, ...]
    editing: bool
    """Whether a cell was being typed into."""


NOWHERE = Place(None, (), editing=False)


class Showing(Drawing):
    """The app with a session to show, before it has any actions."""

    session: Session | None = None
    sheet_rows: int = 12
    _grid: SheetGrid | None = None
    _view: SheetView | None = None
    _saved: Preset | None = None
    _compared: Revision | None = None
    """The revision that is compared with the sheet."""
    _profile: Profile | None = None
    """The processor that was chosen last."""
    _fitted: Fitted | None = None
    """What that processor makes of the sheet, while its pane stands."""
    at: Place = NOWHERE
    """What the action under way is done to."""
    _found: Mapping[str, Line] = MappingProxyType({})
    _said: str = ""
    _said_at: Cell | None = None
    """Where the cursor stood when that was said."""

    def show_all(self) -> None:
        """Everything anew after a step: sheet, curves, pane, title."""
        session = self.session
        if session is None or self._grid is None:
            return
        from xover.tui.sheet_view import sheet_view

        before = self._saved if self._compared is None else self._compared.preset
        self._view = sheet_view(
            session.preset, saved=before, ghosts=self._ghosts(), previous=self._view
        )
        if len(self._view.rows) != self.sheet_rows:
            self.sheet_rows = len(self._view.rows)
            self.arrange(self.size.width, self.size.height)
        self.grid.show(self._view)
        self.draw()
        self._show_pane()
        self.tell_title()
        self.tell_readout()
        self._paint_now()

    def _paint_now(self) -> None:
        """Paint at once what most steps change, unless more keys wait to be obeyed."""
        screen, grid, plot = self.screen, self._grid, self._plot
        if not isinstance(screen, Whole) or grid is None or plot is None:
            return
        if not (has_more(self) or has_more(grid)):
            screen.paint_now((grid, plot, self.line("title"), self.line("readout")))

    def _nothing_beside(self) -> None:
        """With its pane goes what stood beside the values of the sheet."""
        if self._compared is not None or self._fitted is not None:
            self._compared = self._fitted = None
            self._said = ""
            self.show_all()

    def _ghosts(self) -> dict[Cell, str]:
        """What cells become on the processor; those edited since then show it a moment later."""
        fitted, session = self._fitted, self.session
        if fitted is None or session is None:
            return {}
        if fitted.preset is session.preset:
            return fitted.becomes
        same = set(map(id, (*session.preset.inputs, *session.preset.outputs)))
        kept = {
            (side, one.name)
            for side, items in (("input", fitted.preset.inputs), ("output", fitted.preset.outputs))
            for one in items
            if id(one) in same
        }
        becomes = fitted.becomes.items()
        return {cell: text for cell, text in becomes if (cell.side, cell.column) in kept}

    def _beside(self, cell: Cell) -> str:
        """What stands beside the value of a cell: a revision's, or what a processor makes of it."""
        if self.session is None:
            return ""
        if self._compared is None:
            text = self._ghosts().get(cell)
            return "" if text is None else f" becomes {text}"
        from xover.tui.readout import was_words

        return was_words(self.session.preset, self._compared.preset, cell)

    def arrange(self, width: int, height: int) -> None:
        """Share the rows; the app's."""
        raise NotImplementedError

    def _show_pane(self) -> None:
        """Bring the pane up to date; the panes'."""
        raise NotImplementedError

    def make_step(self, message: Nudged | Typed) -> None:
        """Obey the sheet at once; the editing's."""
        raise NotImplementedError

    def _take_notes(self) -> None:
        """Take what was typed into notes; the panes'."""
        raise NotImplementedError

    def line(self, name: Literal["title", "readout"]) -> Line:
        """One of the lines around sheet and curves, looked for once."""
        if name not in self._found:
            self._found = {each: self.query_one(f"#{each}", Line) for each in ("title", "readout")}
        return self._found[name]

    def tell_title(self) -> None:
        """Preset, venue, air, rate; what is unsaved at the right."""
        session = self.session
        if session is None:
            return
        from xover.model.names import inert
        from xover.model.units import plain, show_c, show_hz

        preset = session.preset
        unsaved = session.steps_unsaved
        steps = "1 step unsaved" if unsaved == 1 else f"{unsaved} steps unsaved"
        right = "read-only" if session.read_only else steps if unsaved else "saved"
        if session.path is None and not unsaved:
            right = "example"
        air = preset.air
        venue = inert(preset.venue)
        parts = [
            f" {inert(preset.title)}" + (f", {venue}" if venue else ""),
            show_c(air.temperature_c),
            f"{plain(air.relative_humidity_percent, 0)} %",
            show_hz(preset.sample_rate_hz),
        ]
        room = self.size.width - len(right) - 3
        left = whole_parts(parts, room) or parts[0]
        self.line("title").tell(left, f"{right} ")

    def say(self, sentence: str) -> None:
        """One sentence in the read-out, until the cursor moves."""
        from xover.model.names import inert

        self._said = inert(sentence)
        self._said_at = self._grid.cursor if self._grid is not None else None
        self.line("readout").tell(f" {self._said}")

    def tell_readout(self) -> None:
        """What the cell under the cursor is, in other units too, and what may be typed."""
        if self._said or self.session is None or self._grid is None:
            return
        cell = self.grid.cursor
        if cell is None:
            return
        from xover.model.names import inert
        from xover.tui.readout import readout

        sentence = self.grid.sentence
        said = readout(self.session.preset, cell, self.grid.part)
        said = said._replace(holds=said.holds + self._beside(cell))
        count = len(self.grid.selection)
        several = f"{count} columns together   " if count > 1 else ""
        text = sentence or several + said.fitted(self.size.width - 2 - len(several))
        self.line("readout").tell(f" {inert(text)}")

    @property
    def grid(self) -> SheetGrid:
        """The sheet, once there is one."""
        assert self._grid is not None
        return self._grid

    def step(self, do: Callable[[], Step | None]) -> bool:
        """Make a step and show it; a refusal becomes a sentence."""
        from xover.model.problems import Refused

        self._said = ""
        try:
            do()
        except Refused as refused:
            self.say(refused.faults[0].message)
            return False
        self.show_all()
        return True

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Whether an action of the table can be had now; else its key is left to whoever types.

        Those that need a preset wait for one, and a dialog has the keys to itself.
        """
        if action != "do":
            return super().check_action(action, parameters)
        if self.session is None and parameters[0] not in WITHOUT_A_PRESET:
            return False
        return len(self.screen_stack) == 1 or parameters[0] in OVER_A_DIALOG

    def action_do(self, name: str) -> None:
        """Run one action of the table, after all that was typed before it.

        It is of the place where the cursor stood when its turn came: keys that were pressed after
        it may have moved on by the time it runs.
        """
        at: Any = self.focused or self.screen
        way = [*(each for each in at.ancestors if each is not self), self]
        if any(each.message_queue_size for each in (at, *way)):
            # What was typed is on its way up from the focused widget, which may post it yet.
            at.call_later(self._begin, name, [at, *way])
        else:
            self.do_at(name, self.place())

    def _begin(self, name: str, way: list[Any]) -> None:
        """The action's turn among the keys of the focused widget has come."""
        place = self.place()
        if place.editing and name in ABOUT_TYPING:
            self.do_at(name, place)
        else:
            _after(way, lambda: self.do_at(name, place))

    def place(self) -> Place:
        """Where the sheet's cursor stands now."""
        grid = self._grid
        return NOWHERE if grid is None else Place(grid.cursor, grid.selection, grid.editing)

    def do_at(self, name: str, place: Place) -> None:
        """Run one action at a place of the sheet, where it can be had now."""
        if self.check_action("do", (name,)):
            self.at = place
            self._take_notes()
            getattr(self, f"do_{name}")()


def _after(way: list[Any], do: Callable[[], None]) -> None:
    """Do something once each on the way, one after the other, has obeyed what it was sent."""
    first, *rest = way
    first.call_later(_after if rest else do, *((rest, do) if rest else ()))
