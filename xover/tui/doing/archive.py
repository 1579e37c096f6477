"""The archive from inside: comparing a revision with the sheet, restoring it, keeping another.

What is slow happens beside the screen; nothing is written over and nothing given up unasked.
"""

from __future__ import annotations

import os
from functools import partial
from typing import TYPE_CHECKING

from textual import work

from xover.tui.doing.filing import Filing
from xover.tui.doing.panes import Panes

if TYPE_CHECKING:
    from xover.model.preset import Preset
    from xover.session.archiving import Kept, Revision
    from xover.session.session import Session
    from xover.tui.panes.archive import ArchivePane


class Archive(Filing, Panes):
    """Actions about revisions."""

    _keeping: bool = False

    def do_archive(self) -> None:
        """Show the archive, or put it away."""
        self._choose_pane("" if self._pane == "archive" else "archive")

    def do_keep(self) -> None:
        """Keep a further revision, with a note; unsaved work is saved to its file first."""
        from xover.session import archiving

        session = self.session
        assert session is not None
        why = f"read-only: {session.read_only}" if session.read_only else ""
        why = why or archiving.why_not_keep()
        if self._keeping:
            why = "a revision is being kept already; wait for it"
        if why:
            self.say(why)
        elif session.steps_unsaved or session.path is None:
            self.do_save(self._ask_note)
        else:
            self._ask_note()

    def _ask_note(self) -> None:
        from xover.session import archiving
        from xover.tui.dialogs.ask import AskDialog

        session = self.session
        assert session is not None

        def answered(note: str | None) -> None:
            if note is not None:
                self._keeping = True
                self.say("keeping a revision …")
                self._keep(session, session.preset, note)

        hint = f"Saved, and kept as a revision of {session.title} in {archiving.place()}."
        self.push_screen(
            AskDialog("Keep a revision", "note", hint=hint, check=_checked_note), answered
        )

    @work(thread=True, group="keeping", description="keeping a revision")
    def _keep(self, session: Session, preset: Preset, note: str) -> None:
        from xover.model.problems import Refused
        from xover.session import archiving

        def progress(done: int, total: int) -> None:
            if total > done:
                words = f"keeping a revision: reading {done} of {total} files of the archive"
                self.call_from_thread(self.say, words)

        kept: Kept | None = None
        problem = ""
        try:
            kept = archiving.keep(preset, note, progress)
        except Refused as refused:
            problem = refused.faults[0].message
        self.call_from_thread(self._kept, session, preset, kept, problem)

    def _kept(self, session: Session, preset: Preset, kept: Kept | None, problem: str) -> None:
        from xover.model.problems import Refused
        from xover.tui.panes.archive import ArchivePane

        self._keeping = False
        if kept is None:
            self.say(f"not kept: {problem}")
            return
        words = f"kept as {kept.id}" if kept.is_new else f"nothing changed since {kept.id}"
        if kept.heads > 1:
            words += f"; this preset now has {kept.heads} heads, revisions that no other follows"
        if session is self.session:
            try:
                before = session.preset
                session.kept(preset, kept.id)
                if self._saved is before and not session.steps_unsaved:
                    self._saved = session.preset
            except Refused as refused:
                words += f"; its name could not be written into the file: {refused.faults[0]}"
        self._said = ""
        self.show_all()
        self.say(words)
        for pane in self.query(ArchivePane):
            pane.read()

    def do_restore(self) -> None:
        """Restore the revision that is compared with the sheet, as one step.

        Its key belongs to arrivals while they stand there, whoever has the focus.
        """
        from xover.tui.panes.arrivals import ArrivalsPane

        if self._pane == "arrivals":
            for pane in self.query(ArrivalsPane):
                pane.action_next_view()
        elif self._compared is None:
            self._want_revision()
        else:
            self._restore(self._compared)

    def _want_revision(self) -> None:
        if self._pane != "archive":
            self._choose_pane("archive")
        self.say("choose a revision first: Enter on its line compares it with the sheet")

    def on_archive_pane_compare(self, message: ArchivePane.Compare) -> None:
        """Only what differs from the revision lights up in the sheet, or what is unsaved again."""
        self._compared = message.revision
        self._said = ""
        self.show_all()

    def on_archive_pane_restore(self, message: ArchivePane.Restore) -> None:
        """What the pane asks for."""
        self._restore(message.revision)

    def on_archive_pane_copy(self, message: ArchivePane.Copy) -> None:
        """What the pane asks for."""
        self._copy(message.revision)

    def on_archive_pane_keep(self) -> None:
        """What the pane asks for."""
        self.action_do("keep")

    def _restore(self, revision: Revision) -> None:
        session = self.session
        assert session is not None
        steps = len(session.history)
        if self.step(lambda: session.restore(f"revision {revision.words}", revision.preset)):
            self.say(
                f"restored: {revision.words}; ^Z takes it back"
                if len(session.history) > steps
                else "the sheet is that revision already"
            )

    def _copy(self, revision: Revision) -> None:
        """To a file of its own, and that opened; unsaved work is asked about first."""
        session = self.session
        assert session is not None
        ask = partial(self._copy_to, revision)

        def given_up() -> None:
            self._given_up = True
            ask()

        if session.steps_unsaved and not session.read_only:
            self._guard(ask, leave=given_up)
        else:
            ask()

    def _copy_to(self, revision: Revision) -> None:
        from xover.model.problems import Refused
        from xover.session import archiving
        from xover.tui.dialogs.save_as import SaveAsDialog, SaveTarget

        def chosen(target: SaveTarget | None) -> None:
            session = self.session
            if target is None:
                self._given_up = False
                return
            if session is not None and os.path.realpath(target.path) == session.origin:
                self._given_up = False
                self.say("that file is open here; restore the revision instead, or name another")
                return
            try:
                archiving.write_copy(revision.preset, target.path, overwrite=target.overwrite)
            except Refused as refused:
                self._given_up = False
                self.say(refused.faults[0].message)
                return
            self._reopen(target.path, "ask")

        name = f"{revision.row.name.split('/')[-2]}-{revision.row.time[:10]}.json"
        why = f"A copy of {revision.words} gets a file of its own."
        self.push_screen(SaveAsDialog(os.getcwd(), name, why=why), chosen)


def _checked_note(text: str) -> None:
    """Raise `Refused` for what cannot be kept as a note."""
    from xover.model.names import text_problem
    from xover.model.problems import Refused

    problem = text_problem(text, "prose")
    if problem:
        raise Refused.at("", f"the note {problem}")
