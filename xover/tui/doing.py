"""What the workbench does: each action and each request of a widget, as steps of the session.

Kept apart from the app's layout. Dialogs answer with plain data; nothing is written before its
answer is there, and what is refused becomes one sentence in the read-out.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from textual import work
from textual.containers import Container, Vertical

from xover.tui.actions import help_lines
from xover.tui.drawing import Drawing
from xover.tui.lines import Line, whole_parts

if TYPE_CHECKING:
    from textual.widget import AwaitMount

    from xover.model.drive import Drive
    from xover.model.preset import Preset
    from xover.session.cells import Cell, Value
    from xover.session.history import Step
    from xover.session.proposals import Proposal
    from xover.session.session import Session
    from xover.tui.opening import Decision, Opening
    from xover.tui.panes.arrivals import ArrivalsPane
    from xover.tui.panes.base import Pane
    from xover.tui.panes.notes import NotesPane
    from xover.tui.sheet import SheetGrid
    from xover.tui.sheet_messages import Copied, CursorMoved, Nudged, Pasted, Swapped, Told, Typed
    from xover.tui.sheet_view import SheetView

WATCH_DISK_S = 2.0
PANES = ("arrivals", "advice", "notes")
WITHOUT_A_PRESET = ("open", "quit", "help", "palette", "theme")
OVER_A_DIALOG = ("quit", "theme")


class Doing(Drawing):
    """The actions of the workbench."""

    session: Session | None = None
    sheet_rows: int = 12
    wanted_path: str | None = None
    _grid: SheetGrid | None = None
    mounting: AwaitMount | None = None
    """Until the sheet, the last of the widgets, stands; None before any does."""
    _view: SheetView | None = None
    _saved: Preset | None = None
    _clip: tuple[object, Value, str] | None = None
    _said: str = ""
    _said_at: Cell | None = None
    """Where the cursor stood when that was said."""
    _pane: str = ""
    _given_up: bool = False
    """Unsaved work goes as soon as another preset is open."""
    _recent: tuple[str, ...] = ()
    _watching: bool = False
    _disk: str = "same"

    # Opening

    def take(self, opening: Opening) -> None:
        """Show what came of opening: a session, an offer to recover, or a problem."""
        if opening.recovery is not None:
            from xover.tui.dialogs.recover import RecoverDialog, answer_of

            recovery = opening.recovery
            path = opening.path

            def decided(answer: str | None) -> None:
                choice = answer_of(answer)
                decision: Decision = "leave" if choice == "open" else choice
                self._reopen(path, decision)

            self.push_screen(
                RecoverDialog(recovery.message, as_copy=recovery.base_changed), decided
            )
            return
        if opening.session is None:
            self.say(opening.problem)
            if self.session is None:
                self.query_one("#title", Line).tell(" xover", "nothing is open")
            self._open_dialog(opening.problem)
            return
        if self.session is not None:
            self.session.close(keep_unsaved=not self._given_up)
        self._given_up = False
        self.session = opening.session
        self.viewer = opening.viewer
        self._saved = self.session.preset
        self._view = None
        self.begin_listening(self.session.preset)
        self._mount_widgets()
        self.show_all()
        self._greet()
        if not self._watching:
            self._watching = True
            self.set_interval(WATCH_DISK_S, self._look_at_disk)

    def _look_at_disk(self) -> None:
        """Notice a file that somebody else has changed, once; saving asks whose version counts."""
        session = self.session
        if session is None or session.read_only:
            return
        from xover.model.problems import Refused

        try:
            state: str = session.changed_on_disk()
            what = "is gone" if state == "gone" else "was changed by somebody else"
            sentence = f"the file {what}; ^S asks whose version counts"
        except Refused as refused:
            state = sentence = refused.faults[0].message
        if state != self._disk and state != "same":
            self.say(sentence)
        self._disk = state

    @work(thread=True, exclusive=True, group="opening", description="opening")
    def _reopen(self, path: str | None, decision: Decision) -> None:
        from xover.tui.opening import open_or_offer

        self.call_from_thread(self.take, open_or_offer(path, decision))

    def _mount_widgets(self) -> None:
        from xover.tui.plot import CurvePlot
        from xover.tui.sheet import SheetGrid

        if self._grid is None:
            self._plot, self._grid = CurvePlot(id="plot"), SheetGrid(id="grid")
            self.query_one("#curves", Vertical).mount(self._plot)
            self.mounting = self.query_one("#sheet", Vertical).mount(self._grid)
            self.call_after_refresh(self._grid.focus)

    def _greet(self) -> None:
        session = self.session
        assert session is not None
        if session.read_only:
            self.say(f"read-only: {session.read_only}")
        elif session.warnings:
            self.say(session.warnings[0])
        elif session.path is None:
            self.say("the shipped example, yours to try: type over any figure; ? shows the keys")

    # Showing

    @property
    def grid(self) -> SheetGrid:
        """The sheet, once there is one."""
        assert self._grid is not None
        return self._grid

    def show_all(self) -> None:
        """Everything anew after a step: sheet, curves, pane, title."""
        session = self.session
        if session is None or self._grid is None:
            return
        from xover.tui.sheet_view import sheet_view

        self._view = sheet_view(session.preset, saved=self._saved, previous=self._view)
        if len(self._view.rows) != self.sheet_rows:
            self.sheet_rows = len(self._view.rows)
            self.arrange(self.size.width, self.size.height)
        self.grid.show(self._view)
        self.draw()
        self._show_pane()
        self.tell_title()
        self.tell_readout()

    def arrange(self, width: int, height: int) -> None:
        """Share the rows; the app's."""
        raise NotImplementedError

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
        self.query_one("#title", Line).tell(left, f"{right} ")

    def say(self, sentence: str) -> None:
        """One sentence in the read-out, until the cursor moves."""
        from xover.model.names import inert

        self._said = inert(sentence)
        self._said_at = self._grid.cursor if self._grid is not None else None
        self.query_one("#readout", Line).tell(f" {self._said}")

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
        text = sentence or readout(self.session.preset, cell).fitted(self.size.width - 2)
        self.query_one("#readout", Line).tell(f" {inert(text)}")

    # Requests of the sheet

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

    def on_sheet_grid_typed(self, message: Typed) -> None:
        """Read what was typed, each cell with what it holds now."""
        from xover.model import entry
        from xover.model.problems import Refused
        from xover.session.cells import entry_row, value_of

        session = self.session
        if session is None:
            return
        self._said = ""
        try:
            values: dict[Cell, Value] = {}
            for cell in message.cells:
                from msgspec.structs import replace as with_fields

                present = value_of(session.preset, cell)
                context = with_fields(session.context, present=present)
                values[cell] = entry.parse(entry_row(cell.row), message.text, context=context)
            if len(values) == 1:
                ((cell, value),) = values.items()
                session.set_value(cell, value)
            else:
                session.paste(values)
        except Refused as refused:
            sentence = refused.faults[0].message
            self.grid.refuse(message.cells[0], message.text, sentence)
            self.say(sentence)
            return
        self.show_all()

    def on_sheet_grid_nudged(self, message: Nudged) -> None:
        """Up or down by musical steps."""
        session = self.session
        if session is not None:
            self.step(lambda: session.nudge(message.cells, message.steps, coarse=message.coarse))

    def on_sheet_grid_cursor_moved(self, message: CursorMoved) -> None:
        """Another cell: the read-out follows, and what was said is done with."""
        if message.cell != self._said_at:
            self._said = ""
        self.tell_readout()

    def on_sheet_grid_copied(self, message: Copied) -> None:
        """Remember the cell's value."""
        from xover.model.problems import Refused
        from xover.session.cells import entry_row, value_of

        session = self.session
        if session is None or self._view is None:
            return
        shown = self._view.at(message.cell)
        text = shown.text if shown is not None else ""
        try:
            value = value_of(session.preset, message.cell)
        except Refused as refused:
            self.say(refused.faults[0].message)
            return
        self._clip = (entry_row(message.cell.row), value, text)
        self.copy_to_clipboard(text)
        self.say(f"copied {text}")

    def on_sheet_grid_pasted(self, message: Pasted) -> None:
        """The remembered value into cells of the same kind."""
        from xover.session.cells import entry_row

        session, clip = self.session, self._clip
        if session is None:
            return
        if clip is None:
            self.say("nothing has been copied yet; ^C copies the cell under the cursor")
            return
        kind, value, text = clip
        if any(entry_row(cell.row) != kind for cell in message.cells):
            self.say(f"{text} does not fit here; paste it into a cell of the same kind")
            return
        self.step(lambda: session.paste(dict.fromkeys(message.cells, value)))

    def on_sheet_grid_swapped(self, message: Swapped) -> None:
        """Two outputs change places in what is entered."""
        session = self.session
        if session is not None:
            self.step(lambda: session.swap_columns(message.first, message.second))

    def on_sheet_grid_told(self, message: Told) -> None:
        """A sentence of the sheet; "" where what was said is done with."""
        if message.sentence:
            self.say(message.sentence)
        else:
            self._said = ""
            self.tell_readout()

    # Actions

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
        """Run one action of the table, after all that was typed before it."""
        at: Any = self.focused or self.screen
        way = [at, *(each for each in at.ancestors if each is not self), self]
        if any(each.message_queue_size for each in way):
            # What was typed is on its way up from the focused widget, which may post it yet.
            _after([at, *way], lambda: self._do_now(name))
        else:
            self._do_now(name)

    def _do_now(self, name: str) -> None:
        if self.check_action("do", (name,)):
            self._take_notes()
            getattr(self, f"do_{name}")()

    def do_undo(self) -> None:
        """Take the last step back."""
        session = self.session
        assert session is not None
        name = session.next_undo
        if name is None:
            self.say("nothing to undo")
        elif self.step(session.undo):
            self.say(f"undone: {name}")

    def do_redo(self) -> None:
        """Do again what was taken back."""
        session = self.session
        assert session is not None
        name = session.next_redo
        if name is None:
            self.say("nothing to redo")
        elif self.step(session.redo):
            self.say(f"again: {name}")

    def do_save(self, then: Callable[[], None] | None = None, *, over: bool = False) -> None:
        """Save in place; asks for a name or whose version counts where that is needed."""
        from xover.files.preset_file import ChangedOnDisk, NeedsName
        from xover.model.problems import Refused

        session = self.session
        assert session is not None
        try:
            if not over and session.changed_on_disk() == "gone":
                self._ask_whose(then)
                return
            session.save(overwrite_changed=over)
        except NeedsName:
            self.do_save_as(then, why="this preset has no name yet")
            return
        except ChangedOnDisk:
            self._ask_whose(then)
            return
        except Refused as refused:
            self.say(refused.faults[0].message)
            return
        self._now_saved(then)

    def _now_saved(self, then: Callable[[], None] | None) -> None:
        session = self.session
        assert session is not None
        self._saved = session.preset
        self._said = ""
        self.show_all()
        self.say(f"saved in {session.path}")
        if then is not None:
            then()

    def _ask_whose(self, then: Callable[[], None] | None) -> None:
        from xover.tui.dialogs.changed_on_disk import ChangedOnDiskDialog, answer_of

        session = self.session
        assert session is not None

        def decided(answer: str | None) -> None:
            choice = answer_of(answer)
            if choice == "copy":
                self.do_save_as(then)
            elif choice == "overwrite":
                self.do_save(then, over=True)
            elif choice == "reload" and self.step(session.reload):
                self._saved = session.preset
                self.show_all()
                self.say("read anew from disk; ^Z gives your work back")

        name = os.path.basename(session.path or "")
        gone = session.changed_on_disk() == "gone"
        self.push_screen(ChangedOnDiskDialog(name, session.steps_unsaved, gone=gone), decided)

    def do_save_as(self, then: Callable[[], None] | None = None, why: str = "") -> None:
        """Save under another name and go on there."""
        from xover.model.problems import Refused
        from xover.tui.dialogs.save_as import SaveAsDialog, SaveTarget

        session = self.session
        assert session is not None

        def chosen(target: SaveTarget | None) -> None:
            if target is None:
                return
            try:
                session.save_as(target.path, overwrite=target.overwrite)
            except Refused as refused:
                self.say(refused.faults[0].message)
                return
            self._now_saved(then)

        self.push_screen(SaveAsDialog(os.getcwd(), session.suggested_name, why=why), chosen)

    def do_open(self) -> None:
        """Open another preset; unsaved work is asked about first, and goes once it is open."""
        session = self.session

        def given_up() -> None:
            self._given_up = True
            self._open_dialog()

        if session is not None and session.steps_unsaved and not session.read_only:
            self._guard(self._open_dialog, leave=given_up)
        else:
            self._open_dialog()

    def _open_dialog(self, why: str = "") -> None:
        from xover.files.shipped import presets_folder
        from xover.tui.dialogs.open_file import OpenDialog

        def chosen(path: str | None) -> None:
            session = self.session
            if path is None:
                self._given_up = False
            elif session is not None and os.path.realpath(path) == session.origin and session.path:
                self._given_up = False
                self.say("that preset is open here already")
            else:
                self._recent = tuple(dict.fromkeys((path, *self._recent)))[:8]
                self._reopen(path, "ask")

        examples = sorted(str(path) for path in presets_folder().glob("*.json"))
        dialog = OpenDialog(os.getcwd(), recent=self._recent, examples=examples, why=why)
        self.push_screen(dialog, chosen)

    def do_quit(self) -> None:
        """Leave; unsaved work is asked about."""
        from xover.tui.dialogs.quit_guard import QuitGuard

        session = self.session
        if isinstance(self.screen, QuitGuard):
            return
        if session is not None and session.steps_unsaved and not session.read_only:
            self._guard(self.exit, leave=self._leave)
        else:
            self.exit()

    def _leave(self) -> None:
        if self.session is not None:
            self.session.close(keep_unsaved=False)
        self.exit()

    def _guard(self, saved: Callable[[], None], *, leave: Callable[[], None]) -> None:
        """Ask about unsaved work: go on once it is `saved`, or `leave` it behind."""
        from xover.tui.dialogs.quit_guard import QuitGuard, answer_of

        session = self.session
        assert session is not None

        def decided(answer: str | None) -> None:
            choice = answer_of(answer)
            if choice == "save":
                self.do_save(saved)
            elif choice == "leave":
                leave()

        why = "" if session.path is not None else "It has no name yet."
        self.push_screen(QuitGuard(session.title, session.steps_unsaved, why_not_save=why), decided)

    def do_import_trace(self) -> None:
        """Import a measured response, as one step."""
        from xover.tui.dialogs.import_trace import ImportDialog
        from xover.tui.dialogs.import_view import ImportChoice

        session = self.session
        assert session is not None

        def chosen(choice: ImportChoice | None) -> None:
            if choice is not None:
                self.step(lambda: session.apply(choice.name, choice.preset))

        self.push_screen(ImportDialog(session.preset, os.getcwd()), chosen)

    def do_align(self) -> None:
        """Align from inside: the proposal is one step."""
        from xover.tui.dialogs.align import AlignDialog

        session = self.session
        assert session is not None
        preset = session.preset
        cell = self.grid.cursor
        move = (cell.column,) if cell is not None and cell.side == "output" else ()
        at = self.listening.listener
        to = _partner(preset, move[0], self.drive_now(preset)) if move else None

        def chosen(proposal: Proposal | None) -> None:
            taken = proposal is not None and self.step(
                lambda: session.apply(proposal.name, proposal.after)
            )
            if taken and proposal is not None:
                self.say(f"{proposal.name}; ^Z takes it back")
            elif proposal is None:
                self.draw()

        self.push_screen(
            AlignDialog(
                preset,
                self.drive_now(preset),
                move=move,
                to=to,
                listener=at,
            ),
            chosen,
        )

    def do_listen(self) -> None:
        """Choose where to listen and what is played."""
        from xover.tui.dialogs.stimulus import ListenChoice, ListenDialog

        session = self.session
        assert session is not None
        preset = session.preset
        outputs = tuple(item.name for item in preset.outputs)

        def chosen(choice: ListenChoice | None) -> None:
            if choice is None:
                return
            shown = () if choice.shown == outputs else choice.shown
            self.listening = replace(
                self.listening,
                listener=choice.listener,
                what="outputs" if choice.listener is None else "sum",
                drive=None if choice.keep else choice.drive,
                shown=shown,
            )
            if choice.keep:
                from msgspec.structs import replace as with_fields

                from xover.model.processing import Stimulus

                stimulus = Stimulus(inputs=choice.levels_db, correlated=choice.correlated)
                edited = with_fields(session.preset, stimulus=stimulus)
                self.step(lambda: session.apply("what is played", edited))
            self.show_all()

        self.push_screen(
            ListenDialog(
                preset,
                self.drive_now(preset),
                listener=self.listening.listener,
                shown=self.listening.shown or outputs,
            ),
            chosen,
        )

    # Panes

    def do_pane(self) -> None:
        """The next pane, or none."""
        names = ("", *PANES)
        self._choose_pane(names[(names.index(self._pane) + 1) % len(names)])

    def do_arrivals(self) -> None:
        """Show arrivals, or put them away."""
        self._choose_pane("" if self._pane == "arrivals" else "arrivals")

    def do_advice(self) -> None:
        """Show advice, or put it away."""
        self._choose_pane("" if self._pane == "advice" else "advice")

    def do_notes(self) -> None:
        """Show notes, or put them away."""
        self._choose_pane("" if self._pane == "notes" else "notes")

    @work(exclusive=True, group="pane")
    async def _choose_pane(self, name: str) -> None:
        place = self.query_one("#pane", Container)
        await place.remove_children()
        self._pane = name
        self.set_class(not name, "-no-pane")
        if name:
            await place.mount(_pane(name))
            self._show_pane()
        elif self._grid is not None:
            self._grid.focus()

    def _show_pane(self) -> None:
        session = self.session
        if session is None or not self._pane:
            return
        from xover.tui.panes.base import Pane

        for pane in self.query(Pane):
            pane.show(session, drive=self.listening.drive)

    def on_pane_jump_to(self, message: Pane.JumpTo) -> None:
        """The cursor goes to a place in the preset."""
        from xover.tui.readout import cell_at

        session = self.session
        assert session is not None
        cell = cell_at(session.preset, message.where)
        if cell is not None and self.grid.go_to(cell):
            self.grid.focus()
        else:
            self.say(f"{message.where} has no cell on the sheet")

    def on_arrivals_pane_set_temperature(self, message: ArrivalsPane.SetTemperature) -> None:
        """The temperature that was tried out becomes the preset's."""
        from msgspec.structs import replace as with_fields

        session = self.session
        assert session is not None
        air = with_fields(session.preset.air, temperature_c=message.temperature_c)
        edited = with_fields(session.preset, air=air)
        self.step(lambda: session.apply(f"air {message.temperature_c:g} °C", edited))

    def _take_notes(self) -> None:
        """Notes typed a moment ago count before whatever is done next: saving, undoing, leaving."""
        session = self.session
        if self._pane != "notes" or session is None:
            return
        from xover.tui.panes.notes import NotesPane

        for pane in self.screen_stack[0].query(NotesPane):
            text = pane.taken()
            if text is not None:
                self.step(lambda text=text: session.set_notes(text))  # type: ignore[misc]

    def on_notes_pane_changed(self, message: NotesPane.Changed) -> None:
        """The notes were edited."""
        session = self.session
        assert session is not None
        self.step(lambda: session.set_notes(message.text))

    # Small ones

    def do_mute(self) -> None:
        """Mute or unmute the output under the cursor."""
        session = self.session
        assert session is not None
        names = [cell.column for cell in self.grid.selection if cell.side == "output"]
        if not names:
            self.say("only outputs can be muted")
            return
        self.step(lambda: session.toggle_mute(names))

    def do_bypass(self) -> None:
        """Bypass the EQ section under the cursor, or not."""
        from msgspec.structs import replace as with_fields

        from xover.model.processing import EqSection
        from xover.session.cells import value_of

        session, cell = self.session, self.grid.cursor
        assert session is not None
        value = None
        if cell is not None and isinstance(cell.row, tuple):
            value = value_of(session.preset, cell)
        if cell is None or not isinstance(value, EqSection):
            self.say("put the cursor on an EQ section to bypass it")
            return
        turned = with_fields(value, bypassed=not value.bypassed)
        self.step(lambda: session.set_value(cell, turned))

    def do_rename(self) -> None:
        """Rename the input or output under the cursor."""
        from xover.tui.dialogs.ask import AskDialog

        session, cell = self.session, self.grid.cursor
        assert session is not None
        if cell is None:
            return
        rename = session.rename_output if cell.side == "output" else session.rename_input

        def typed(text: str | None) -> None:
            if text is not None:
                self.step(lambda: rename(cell.column, text))

        self.push_screen(AskDialog(f"Rename this {cell.side}", "name", cell.column), typed)

    def do_air(self) -> None:
        """Set temperature, humidity and pressure."""
        from xover.tui.dialogs.ask import AirDialog

        session = self.session
        assert session is not None

        def chosen(air: Any) -> None:
            if air is not None:
                from msgspec.structs import replace as with_fields

                edited = with_fields(session.preset, air=air)
                self.step(lambda: session.apply(f"air {air.temperature_c:g} °C", edited))

        self.push_screen(AirDialog(session.preset.air), chosen)

    def do_theme(self) -> None:
        """Dark or light."""
        self.theme = "textual-light" if self.current_theme.dark else "textual-dark"
        self.draw()

    def do_help(self) -> None:
        """Keys, and what the cell takes."""
        from xover.tui.dialogs.help import HelpDialog

        cell, takes = "", ""
        if self.session is not None and self._grid is not None and self.grid.cursor is not None:
            from xover.model.entry import help_for
            from xover.session.cells import entry_row
            from xover.tui.readout import cell_words

            cell = cell_words(self.grid.cursor)
            takes = help_for(entry_row(self.grid.cursor.row))
        self.push_screen(HelpDialog(help_lines(), cell=cell, cell_help=takes))

    def do_palette(self) -> None:
        """Find an action by its words."""
        from xover.tui.palette import Palette

        if not isinstance(self.screen, Palette):
            self.push_screen(Palette())

    def action_command_palette(self) -> None:
        """The same, however it is asked for."""
        self.do_palette()

    def do_focus(self) -> None:
        """Sheet, curves, pane, and round again."""
        self.screen.focus_next()

    # Leaving

    def lose_terminal(self) -> None:
        """The terminal is gone: what is unsaved stays in the journal."""
        session = self.session
        if session is not None:
            session.close()

    def end_session(self) -> None:
        """Let go of the preset at the end."""
        if self.session is not None:
            self.session.close()


def _after(way: list[Any], do: Callable[[], None]) -> None:
    """Do something once each on the way, one after the other, has obeyed what it was sent."""
    first, *rest = way
    first.call_later(_after if rest else do, *((rest, do) if rest else ()))


def _partner(preset: Preset, output: str, drive: Drive) -> str | None:
    """The output that `output` crosses over with, offered as what it is aligned to."""
    from xover.design.splits import splits

    alike = tuple(drive.levels_db) if drive.correlated else ()
    for split in splits(preset, alike=alike):
        names = (split.lower.name, split.upper.name)
        if output in names:
            return names[1] if output == names[0] else names[0]
    return None


def _pane(name: str) -> Pane:
    if name == "arrivals":
        from xover.tui.panes.arrivals import ArrivalsPane

        return ArrivalsPane()
    if name == "advice":
        from xover.tui.panes.advice import AdvicePane

        return AdvicePane()
    from xover.tui.panes.notes import NotesPane

    return NotesPane()
