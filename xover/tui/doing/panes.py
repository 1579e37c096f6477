"""Companion panes: which one stands there, and what it asks for."""

from __future__ import annotations

from typing import TYPE_CHECKING

from textual import work
from textual.containers import Container

from xover.tui.doing.showing import Showing

if TYPE_CHECKING:
    from xover.tui.panes.arrivals import ArrivalsPane
    from xover.tui.panes.base import Pane
    from xover.tui.panes.notes import NotesPane
    from xover.tui.panes.power import PowerPane

PANES = ("arrivals", "power", "advice", "notes", "archive", "processor")


class Panes(Showing):
    """Actions and requests of the panes."""

    _pane: str = ""

    def do_pane(self) -> None:
        """The next pane, or none."""
        names = ("", *PANES)
        self._choose_pane(names[(names.index(self._pane) + 1) % len(names)])

    def do_arrivals(self) -> None:
        """Show arrivals, or put them away."""
        self._choose_pane("" if self._pane == "arrivals" else "arrivals")

    def do_power(self) -> None:
        """Show limiters and loads, or put them away."""
        self._choose_pane("" if self._pane == "power" else "power")

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
        self._nothing_beside()
        self.set_class(not name, "-no-pane")
        if name:
            pane = self._made(name)
            await place.mount(pane)
            self._show_pane()
            pane.take_keys()
        elif self._grid is not None:
            self._grid.focus()

    def _made(self, name: str) -> Pane:
        if name == "processor":
            from xover.tui.panes.processor import ProcessorPane

            return ProcessorPane(self._profile)
        return _pane(name)

    def _show_pane(self) -> None:
        session = self.session
        if session is None or not self._pane:
            return
        from xover.tui.panes.base import Pane

        for pane in self.query(Pane):
            pane.show(session, drive=self.listening.drive)

    def on_pane_jump_to(self, message: Pane.JumpTo) -> None:
        """The cursor goes to a place in the preset."""
        from xover.model.places import label
        from xover.tui.readout import cell_at

        session = self.session
        assert session is not None
        cell = cell_at(session.preset, message.where)
        if cell is not None and self.grid.go_to(cell):
            self.grid.focus()
        else:
            words = label(session.preset, message.where)
            self.say(f"{words} has no cell on the sheet")

    def on_pane_given_back(self, message: Pane.GivenBack) -> None:
        """The keys go to the sheet again; the pane stays."""
        self.grid.focus()

    def on_arrivals_pane_set_temperature(self, message: ArrivalsPane.SetTemperature) -> None:
        """The temperature that was tried out becomes the preset's."""
        from msgspec.structs import replace

        session = self.session
        assert session is not None
        air = replace(session.preset.air, temperature_c=message.temperature_c)
        edited = replace(session.preset, air=air)
        self.step(lambda: session.apply(f"air {message.temperature_c:g} °C", edited))

    def on_arrivals_pane_set_position(self, message: ArrivalsPane.SetPosition) -> None:
        """A source or listener stands elsewhere, as one step."""
        from msgspec.structs import replace

        from xover.model.names import inert
        from xover.tui.panes.arrivals import ArrivalsPane

        session = self.session
        assert session is not None
        thing = message.thing
        listed = list(getattr(session.preset, thing.kind))
        if thing.index >= len(listed) or listed[thing.index].name != thing.name:
            return  # undone or renamed meanwhile: what was shown there is gone
        listed[thing.index] = replace(listed[thing.index], position_m=message.position_m)
        edited = replace(session.preset, **{thing.kind: tuple(listed)})
        if not self.step(lambda: session.apply(f"position of {inert(thing.name)}", edited)):
            for pane in self.query(ArrivalsPane):  # what was refused stands there no longer
                pane.places.show(session.preset)

    def on_power_pane_apply(self, message: PowerPane.Apply) -> None:
        """All limiters become what boxes and amplifiers bear, as one step."""
        session = self.session
        assert session is not None
        steps = len(session.history)
        if self.step(session.set_limits):
            self.say(
                "limiters set from ratings; compare them with the data sheets before it is loud"
                if len(session.history) > steps
                else "the limiters are what the ratings allow"
            )

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


def _pane(name: str) -> Pane:
    if name == "arrivals":
        from xover.tui.panes.arrivals import ArrivalsPane

        return ArrivalsPane()
    if name == "power":
        from xover.tui.panes.power import PowerPane

        return PowerPane()
    if name == "advice":
        from xover.tui.panes.advice import AdvicePane

        return AdvicePane()
    if name == "archive":
        from xover.tui.panes.archive import ArchivePane

        return ArchivePane()
    from xover.tui.panes.notes import NotesPane

    return NotesPane()
