"""The processor from inside: choosing a profile, entering what it holds, verifying a capture."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from textual import work

from xover.tui.doing.panes import Panes

if TYPE_CHECKING:
    from xover.model.profile import Profile
    from xover.session.verifying import Asked
    from xover.tui.panes.processor import ProcessorPane


class Processor(Panes):
    """Actions about the processor."""

    _asked: Asked | None = None
    """What was verified last: most of it holds for the next time too."""

    def do_processor(self) -> None:
        """Show the processor, or put it away."""
        self._choose_pane("" if self._pane == "processor" else "processor")

    def do_verify(self) -> None:
        """Compare captures of the processor with what is meant."""
        from xover.tui.dialogs.verify import VerifyDialog

        session = self.session
        assert session is not None
        cell = self.at.cursor
        output = cell.column if cell is not None and cell.side == "output" else None
        if self._pane != "processor":
            self._choose_pane("processor")

        def chosen(asked: Asked | None) -> None:
            if asked is None:
                return
            self._asked = asked
            for pane in self._processor_panes():
                pane.verify(asked)

        self.push_screen(
            VerifyDialog(session.preset, os.getcwd(), output=output, before=self._asked), chosen
        )

    def _processor_panes(self) -> list[ProcessorPane]:
        from xover.tui.panes.processor import ProcessorPane

        return list(self.screen_stack[0].query(ProcessorPane))

    def on_processor_pane_choose(self) -> None:
        """Choose another profile."""
        from xover.session.processors import shipped_profiles
        from xover.tui.dialogs.verify import ProfileDialog

        def chosen(path: str | None) -> None:
            if path is not None:
                self._open_profile(path)

        self.push_screen(ProfileDialog(os.getcwd(), examples=shipped_profiles()), chosen)

    @work(thread=True, exclusive=True, group="profile", description="a profile")
    def _open_profile(self, path: str) -> None:
        from xover.model.problems import Refused
        from xover.session.processors import open_profile

        try:
            profile = open_profile(path)
        except Refused as refused:
            name = os.path.basename(path)
            self.call_from_thread(self.say, f"{name}: {refused.faults[0]}")
        else:
            self.call_from_thread(self._profile_opened, profile)

    def _profile_opened(self, profile: Profile) -> None:
        self._profile = profile
        for pane in self._processor_panes():
            pane.choose(profile)

    def on_processor_pane_verify(self) -> None:
        """What the pane asks for."""
        self.action_do("verify")

    def on_processor_pane_becomes(self, message: ProcessorPane.Becomes) -> None:
        """Cells that the processor cannot hold as they are show what they would become."""
        self._fitted = message.fitted
        if message.fitted is not None:
            self._profile = message.fitted.answer.profile
        self._said = ""
        self.show_all()

    def on_processor_pane_apply(self, message: ProcessorPane.Apply) -> None:
        """The sheet becomes what the processor holds, as one step."""
        session = self.session
        assert session is not None
        fitted = message.fitted
        if fitted.preset is not session.preset:
            self.say("the preset has changed since this was worked out; try again in a moment")
            return
        name = fitted.answer.profile.name
        if self.step(lambda: session.apply(f"as {name} holds it", fitted.answer.preset)):
            self.say(f"the sheet is what {name} holds; ^Z takes it back")
