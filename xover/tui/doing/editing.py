"""Editing the sheet: what was typed, nudged, pasted or swapped becomes a step of the session."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from xover.tui.doing.showing import Showing

if TYPE_CHECKING:
    from collections.abc import Iterable

    from xover.model.lists import Listed
    from xover.model.preset import Preset
    from xover.session.cells import Cell, Value
    from xover.tui.sheet_messages import Copied, CursorMoved, Nudged, Pasted, Swapped, Told, Typed


class Editing(Showing):
    """Requests of the sheet, and the actions that edit."""

    _clip: tuple[object, Value, str] | None = None

    def on_sheet_grid_typed(self, message: Typed) -> None:
        """Read what was typed, each cell with what it holds now."""
        from xover.model import entry
        from xover.model.problems import Refused
        from xover.session.cells import entry_row, value_of

        session = self.session
        if session is None:
            return
        self._said = ""
        before = session.preset
        try:
            values: dict[Cell, Value] = {}
            for cell in message.cells:
                from msgspec.structs import replace

                present = value_of(session.preset, cell)
                context = replace(session.context, present=present)
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
        self._say_made_alike(before, message.cells)

    def _say_made_alike(self, before: Preset, cells: Iterable[Cell]) -> None:
        """A group keeps a typed figure, not the differences within it: say whose were lost."""
        from xover.model.names import listed
        from xover.session.cells import made_alike

        session = self.session
        assert session is not None
        names = made_alike(before, session.preset, cells)
        if names:
            one = len(names) == 1
            self.say(
                f"{listed(names)} {'follows' if one else 'follow'}, differed before and now "
                f"{'reads' if one else 'read'} the same; ^Z takes it back, [ ] keeps differences"
            )

    def make_step(self, message: Nudged | Typed) -> None:
        """Obey the sheet at once; a key's frame waits for no queue that way."""
        from xover.tui.sheet_messages import Nudged

        with self._context():
            if isinstance(message, Nudged):
                self.on_sheet_grid_nudged(message)
            else:
                self.on_sheet_grid_typed(message)

    def on_sheet_grid_nudged(self, message: Nudged) -> None:
        """Up or down by musical steps."""
        session = self.session
        if session is not None:
            self.step(
                lambda: session.nudge(
                    message.cells, message.steps, coarse=message.coarse, part=message.part
                )
            )

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
        before = session.preset
        if self.step(lambda: session.paste(dict.fromkeys(message.cells, value))):
            self._say_made_alike(before, message.cells)

    def on_sheet_grid_swapped(self, message: Swapped) -> None:
        """Two outputs change places in what is entered."""
        session = self.session
        if session is None:
            return
        if self.step(lambda: session.swap_columns(message.first, message.second)):
            self.say(f"swapped {message.first} and {message.second}; ^Z takes it back")

    def on_sheet_grid_told(self, message: Told) -> None:
        """A sentence of the sheet; "" where what was said is done with."""
        if message.sentence:
            self.say(message.sentence)
        else:
            self._said = ""
            self.tell_readout()

    def do_undo(self) -> None:
        """Take the last step back; while a cell is typed into, what was typed."""
        session = self.session
        assert session is not None
        if self.at.editing and self.grid.editing:
            self.grid.undo_typing()
            return
        name = session.next_undo
        if name is None:
            self.say("nothing to undo")
        elif self.step(session.undo):
            self.say(f"undone: {name}")

    def do_redo(self) -> None:
        """Do again what was taken back; while a cell is typed into, what was typed."""
        session = self.session
        assert session is not None
        if self.at.editing and self.grid.editing:
            self.grid.redo_typing()
            return
        name = session.next_redo
        if name is None:
            self.say("nothing to redo")
        elif self.step(session.redo):
            self.say(f"again: {name}")

    def do_mute(self) -> None:
        """Mute or unmute the output under the cursor."""
        session = self.session
        assert session is not None
        names = [cell.column for cell in self.at.selection if cell.side == "output"]
        if not names:
            self.say("only outputs can be muted")
            return
        self.step(lambda: session.toggle_mute(names))

    def do_bypass(self) -> None:
        """Bypass the EQ section under the cursor, or not."""
        from msgspec.structs import replace

        from xover.model.processing import EqSection
        from xover.session.cells import value_of

        session, cell = self.session, self.at.cursor
        assert session is not None
        value = None
        if cell is not None and isinstance(cell.row, tuple):
            value = value_of(session.preset, cell)
        if cell is None or not isinstance(value, EqSection):
            self.say("put the cursor on an EQ section to bypass it")
            return
        turned = replace(value, bypassed=not value.bypassed)
        self.step(lambda: session.set_value(cell, turned))

    def do_part(self) -> None:
        """The next part of the cell under the cursor is what `[` and `]` nudge."""
        self.grid.next_part()

    def do_rename(self) -> None:
        """Rename the input or output under the cursor."""
        from xover.tui.dialogs.ask import AskDialog

        session, cell = self.session, self.at.cursor
        assert session is not None
        if cell is None:
            return
        rename = session.rename_output if cell.side == "output" else session.rename_input

        def typed(text: str | None) -> None:
            if text is not None:
                self.step(lambda: rename(cell.column, text))

        self.push_screen(AskDialog(f"Rename this {cell.side}", "name", cell.column), typed)

    def do_add(self) -> None:
        """One more input or output beside the one under the cursor."""
        cell = self.at.cursor
        if cell is not None:
            self._add("outputs" if cell.side == "output" else "inputs", cell.column)

    def do_add_with_boxes(self) -> None:
        """One more output beside the one under the cursor, and boxes like its."""
        cell, session = self.at.cursor, self.session
        assert session is not None
        if cell is None or cell.side != "output":
            self.say("put the cursor on an output whose boxes another one is to play")
        elif not any(one.output == cell.column for one in session.preset.sources):
            self.say("this output plays no loudspeaker; / add makes one like it")
        else:
            self._add("outputs", cell.column, boxes=True)

    def do_take_out(self) -> None:
        """Take the input or output under the cursor out, once the question is answered."""
        cell = self.at.cursor
        if cell is not None:
            self._take_out("outputs" if cell.side == "output" else "inputs", cell.column)

    def do_add_listener(self) -> None:
        """One more listener where the curves are heard; Arrivals, places moves it."""
        at = self.listening.listener
        assert self.session is not None
        if at is None and self.session.preset.listeners:
            self.say("choose with ^L beside which listener another one is to sit")
        else:
            self._add("listeners", at)

    def do_take_out_listener(self) -> None:
        """Take the listener out at whom the curves are heard, once the question is answered."""
        at = self.listening.listener
        if at is None:
            self.say("choose with ^L which listener is to go")
        else:
            self._take_out("listeners", at)

    def _add(self, key: Listed, beside: str | None, *, boxes: bool = False) -> None:
        from xover.model.lists import next_name
        from xover.tui.dialogs.ask import AskDialog

        session = self.session
        assert session is not None
        kind = key.removesuffix("s")
        names = [item.name for item in getattr(session.preset, key)]
        proposed = "Seat 1" if beside is None else next_name(beside, names)
        hint = {
            "outputs": "with the settings of this one; it plays no loudspeaker yet",
            "inputs": "with the settings of this one; it is routed nowhere yet",
            "listeners": "in the same place; Arrivals (F3), places moves it",
        }[key]

        if boxes:
            hint = "with boxes and amplifier channels as here; Arrivals (F3), places moves them"

        def typed(text: str | None) -> None:
            if text is None:
                return
            if boxes and beside is not None:
                self.step(lambda: session.add_with_boxes(beside, text))
            else:
                self.step(lambda: session.add(key, beside, text))

        self.push_screen(AskDialog(f"Add a further {kind}", "name", proposed, hint=hint), typed)

    def _take_out(self, key: Listed, name: str) -> None:
        from xover.model.lists import goes_along
        from xover.model.names import quoted
        from xover.model.problems import Refused

        session = self.session
        assert session is not None
        try:
            along = goes_along(session.preset, key, name)
        except Refused as refused:
            self.say(refused.faults[0].message)
            return
        if self.step(lambda: session.take_out(key, name)):
            gone = f"{quoted(name)}, with {along}," if along else quoted(name)
            self.say(f"{gone} taken out; ^Z brings it back")

    def do_air(self) -> None:
        """Set temperature, humidity and pressure."""
        from xover.tui.dialogs.ask import AirDialog

        session = self.session
        assert session is not None

        def chosen(air: Any) -> None:
            if air is not None:
                from msgspec.structs import replace

                edited = replace(session.preset, air=air)
                self.step(lambda: session.apply(f"air {air.temperature_c:g} °C", edited))

        self.push_screen(AirDialog(session.preset.air), chosen)
