"""Files: opening, recovering, saving, leaving; whoever else wrote the file is asked about.

Nothing is written over and no work is given up before a dialog has its answer.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import TYPE_CHECKING

from textual import work
from textual.containers import Vertical

from xover.tui.doing.showing import Showing

if TYPE_CHECKING:
    from textual.widget import AwaitMount

    from xover.tui.opening import Decision, Opening

WATCH_DISK_S = 2.0
ELSEWHERE = "^W saves it elsewhere"
"""What to do about a place that cannot be written."""


class Filing(Showing):
    """Actions about files, and the end of a session."""

    wanted_path: str | None = None
    mounting: AwaitMount | None = None
    """Until the sheet, the last of the widgets, stands; None before any does."""
    _given_up: bool = False
    """Unsaved work goes as soon as another preset is open."""
    _recent: tuple[str, ...] = ()
    _watching: bool = False
    _disk: str = "same"
    _told: tuple[str, ...] = ()
    """What was said of the journal and the place; greeting says the first of them."""

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
                self.line("title").tell(" xover", "nothing is open")
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
        """Notice, once each, that unsaved work is not safe, and that somebody changed the file.

        Saving asks whose version counts.
        """
        session = self.session
        if session is None or session.read_only:
            return
        told, self._told = self._told, session.warnings
        new = [sentence for sentence in session.warnings if sentence not in told]
        if new:
            self.say(new[-1])
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
            self._grid.maker = self.make_step
            self.query_one("#curves", Vertical).mount(self._plot)
            self.mounting = self.query_one("#sheet", Vertical).mount(self._grid)
            self.call_after_refresh(self._grid.focus)

    def _greet(self) -> None:
        session = self.session
        assert session is not None
        self._told = session.warnings
        if session.read_only:
            self.say(f"read-only: {session.read_only}")
        elif session.warnings:
            self.say(session.warnings[0])
        elif session.steps_unsaved:
            count = session.steps_unsaved
            steps = "1 step" if count == 1 else f"{count} steps"
            self.say(f"{steps} recovered; ^S saves, ^Z takes back one by one")
        elif session.path is None:
            self.say("the shipped example, yours to try: type over any figure; ? shows the keys")

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
            self.say(f"{refused.faults[0].message}: {ELSEWHERE}")
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

    def lose_terminal(self) -> None:
        """The terminal is gone: what is unsaved stays in the journal."""
        session = self.session
        if session is not None:
            session.close()

    def end_session(self) -> None:
        """Let go of the preset at the end."""
        if self.session is not None:
            self.session.close()
