"""Captures, alignment and what is listened to: dialogs whose answer becomes one step."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from msgspec.structs import replace

from xover.tui.doing.showing import Showing

if TYPE_CHECKING:
    from xover.model.drive import Drive
    from xover.model.preset import Preset
    from xover.session.proposals import Proposal


REFIT = ("fit", "refit", "auto", "")
"""What is typed to have a delay fitted anew."""


class Curves(Showing):
    """Actions about what was captured, what is aligned and what is heard."""

    def do_what(self) -> None:
        """The sum at a listener, the same with captures beside it, or electrical responses.

        Captures are no stop where none were made at the listener.
        """
        at, session = self.listening, self.session
        if session is not None and at.listener is None:
            self.say(
                "electrical responses are all there is: nobody sits in this preset yet; name a "
                "listener in its file, or choose one with ^L"
                if not session.preset.listeners
                else "listening nowhere; ^L chooses a listener"
            )
            return
        captured = session is not None and any(
            item.listener == at.listener for item in session.preset.measurements
        )
        if at.what == "outputs":
            self.listening = replace(at, what="sum", captures=False)
        elif captured and not at.captures:
            self.listening = replace(at, captures=True)
        else:
            self.listening = replace(at, what="outputs", captures=False)
        self.draw()

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

    def do_delay(self) -> None:
        """Delay outputs by distance, as one step."""
        from xover.session.naming import name_of_change
        from xover.tui.dialogs.delay import DelayDialog, Delayed

        session = self.session
        assert session is not None
        cell = self.at.cursor
        move = (cell.column,) if cell is not None and cell.side == "output" else ()

        def chosen(found: Delayed | None) -> None:
            if found is None:
                return
            if found.before is not session.preset:
                self.say("the preset has changed since this was worked out; do it again")
            elif self.step(lambda: session.apply(found.name, found.after)):
                done = name_of_change(found.before, found.after)
                self.say(f"delayed: {done}; ^Z takes it back")

        self.push_screen(
            DelayDialog(
                session.preset,
                self.drive_now(session.preset),
                move=move,
                listener=self.listening.listener,
            ),
            chosen,
        )

    def do_align(self) -> None:
        """Align from inside: the proposal is one step."""
        from xover.session.naming import name_of_change
        from xover.tui.dialogs.align import AlignDialog

        session = self.session
        assert session is not None
        preset = session.preset
        cell = self.at.cursor
        move = (cell.column,) if cell is not None and cell.side == "output" else ()
        at = self.listening.listener
        to = _partner(preset, move[0], self.drive_now(preset)) if move else None

        def chosen(proposal: Proposal | None) -> None:
            taken = proposal is not None and self.step(lambda: session.accept(proposal))
            if taken and proposal is not None:
                done = name_of_change(proposal.before, proposal.after)
                self.say(f"aligned: {done}; ^Z takes it back")
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
                from xover.model.processing import Stimulus

                stimulus = Stimulus(inputs=choice.levels_db, correlated=choice.correlated)
                edited = replace(session.preset, stimulus=stimulus)
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

    def do_flight(self) -> None:
        """Choose the delay that is taken out of the phase shown, or have it fitted anew."""
        from xover.model import entry
        from xover.tui.dialogs.ask import AskDialog

        session, viewer = self.session, self.viewer
        assert session is not None
        heard = self.heard
        context = session.context

        def read(text: str) -> float | None:
            if text.strip().casefold() in REFIT:
                return None
            value = entry.parse("delay", text, context=context)
            assert isinstance(value, float)
            return value

        def chosen(text: str | None) -> None:
            if text is None or viewer is None:
                return
            delay_ms = read(text)
            if delay_ms is None:
                self.flights_ms.pop(heard, None)
            else:
                self.flights_ms[heard] = delay_ms
            self.draw()

        where = "the electrical responses" if heard is None else f"the phase at {heard}"
        hint = "a time or a length, off for none" + ("" if heard is None else ", or fit")
        self.push_screen(
            AskDialog(
                f"Delay taken out of {where}",
                "delay",
                f"{entry.show('delay', self.flight_ms())} ms",
                hint=hint,
                check=read,
            ),
            chosen,
        )


def _partner(preset: Preset, output: str, drive: Drive) -> str | None:
    """The output that `output` crosses over with, offered as what it is aligned to."""
    from xover.design.splits import splits

    alike = tuple(drive.levels_db) if drive.correlated else ()
    for split in splits(preset, alike=alike):
        names = (split.lower.name, split.upper.name)
        if output in names:
            return names[1] if output == names[0] else names[0]
    return None
