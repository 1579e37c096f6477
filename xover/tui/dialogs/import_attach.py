"""What is asked before a capture goes into the preset: of an output at a listener, or of a box.

Nothing is chosen beforehand; what does not apply to the answers so far is not shown.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.widgets import Static

from xover.files.listing import resolve
from xover.model.names import listed
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.tui.dialogs.base import column, columns, labelled, line
from xover.tui.dialogs.import_view import (
    CAPTURED,
    FLIGHTS,
    ImportAnswers,
    OpenedSettings,
    OwnAnswers,
    known_sessions,
    open_settings,
    routed_inputs,
    settings_problem,
)
from xover.tui.dialogs.levels import LevelRows
from xover.tui.dialogs.path_field import PathField
from xover.tui.dialogs.picking import NameList, Tick
from xover.tui.field import Field

SET = ("settings", "file")
"""Answers to what was in force that need to know what carried the test signal."""


class AttachForm(Vertical):
    """Asks whose capture it is, and what was in force."""

    DEFAULT_CSS = "AttachForm { height: auto; } AttachForm #driven-box { height: auto; }"

    def __init__(self, preset: Preset, folder: str) -> None:
        """`folder` is what typed paths are relative to."""
        super().__init__()
        self._preset = preset
        self._folder = folder
        self._settings: OpenedSettings | None = None

    def compose(self) -> ComposeResult:
        """Output, listener, what was in force; session; level; settings; what was driven."""
        preset = self._preset
        with columns():
            with column("captured output"):
                yield NameList([o.name for o in preset.outputs], single=True, id="output")
            with column("microphone at"):
                names = [item.name for item in preset.listeners]
                yield NameList(names, single=True, id="listener")
            with column("in force then"):
                yield NameList(tuple(CAPTURED), single=True, words=CAPTURED, id="captured")
        with labelled("session"):
            yield Field(id="session", placeholder="a name, or - for none", most=200)
        known = known_sessions(preset)
        if known:
            yield line(f"sessions so far: {listed(known, 4)}", muted=True)
        with Horizontal(classes="row", id="level-box"):
            yield Static("level in, dBu", classes="label", markup=False)
            yield Field(id="level", placeholder="at the driven inputs; empty: not known", most=40)
        with Horizontal(classes="row", id="settings-box"):
            yield Static("settings of", classes="label", markup=False)
            yield PathField(self._folder, placeholder="a preset file", id="settings-file")
        with Vertical(id="driven-box"):
            yield Static("test signal in, dB", classes="title")
            yield LevelRows((), {}, id="driven")
        yield Tick("keep every point", id="full")

    def on_mount(self) -> None:
        """What does not apply yet is not shown."""
        self.show_level(False)
        self._arrange()

    def show_level(self, spl: bool) -> None:
        """Ask for the level that gave the SPL, where the capture is in SPL."""
        self.query_one("#level-box").display = spl

    @property
    def _captured(self) -> str | None:
        return self.query_one("#captured", NameList).one

    @property
    def _path(self) -> str:
        typed = self.query_one("#settings-file", Field).value.strip()
        return resolve(self._folder, typed) if typed else ""

    @property
    def settings_wanted(self) -> bool:
        """Whether a preset file has to be opened before there are answers."""
        opened = self._settings.path if self._settings is not None else ""
        return self._captured == "file" and self._path != opened

    def opening(self) -> Callable[[], OpenedSettings]:
        """What opens that file. Raises `Refused` where none is named."""
        if not self._path:
            raise Refused.at("", "name the preset file whose settings were in force then")
        return partial(open_settings, self._path)

    def opened(self, settings: OpenedSettings) -> str:
        """Ask about the inputs routed in these settings; a sentence where that cannot be, or ""."""
        self._settings = settings
        self._offer()
        return settings_problem(settings, self.query_one("#output", NameList).one)

    def answers(self) -> ImportAnswers:
        """What was answered so far. Raises `Refused` for what is no level."""
        captured = self._captured
        return ImportAnswers(
            output=self.query_one("#output", NameList).one,
            listener=self.query_one("#listener", NameList).one,
            captured=captured,
            session=self.query_one("#session", Field).value,
            driven=self.query_one(LevelRows).levels() if captured in SET else {},
            level_dbu=self._level(),
            settings=self._settings if captured == "file" else None,
            full=self.query_one("#full", Tick).value,
        )

    def _level(self) -> str:
        shown = self.query_one("#level-box").display
        return self.query_one("#level", Field).value if shown else ""

    def _arrange(self) -> None:
        self.query_one("#driven-box").display = self._captured in SET
        self.query_one("#settings-box").display = self._captured == "file"

    def _offer(self) -> None:
        held = self._preset
        if self._captured == "file" and self._settings is not None:
            held = self._settings.preset
        self.query_one(LevelRows).offer(
            routed_inputs(held, self.query_one("#output", NameList).one)
        )

    def _on_name_list_changed(self, message: NameList.Changed) -> None:
        message.stop()
        self._arrange()
        if message.names.id in ("output", "captured"):
            self._offer()


class BoxForm(Vertical):
    """Asks whose own response it is, from how far, and where the flight is."""

    DEFAULT_CSS = "BoxForm { height: auto; }"

    def __init__(self, preset: Preset) -> None:
        super().__init__()
        self._preset = preset

    def compose(self) -> ComposeResult:
        """Loudspeaker, flight, distance."""
        boxes = [item.name for item in self._preset.loudspeakers]
        with columns():
            with column("loudspeaker"):
                yield NameList(boxes, single=True, id="loudspeaker")
            with column("flight to the microphone"):
                yield NameList(tuple(FLIGHTS), single=True, words=FLIGHTS, id="flight")
        with labelled("distance"):
            yield Field(id="distance", placeholder="microphone to box, in m", most=40)
        with Horizontal(classes="row", id="drive-box"):
            yield Static("drive", classes="label", markup=False)
            yield Field(id="drive", placeholder="V at the box that gave this SPL; 2.83", most=40)
        yield Tick("keep every point", id="full-box")
        yield line(
            "Predictions use it wherever no capture of an output is at hand; the old one goes.",
            muted=True,
        )

    def on_mount(self) -> None:
        """What does not apply is not shown."""
        self.show_level(False)

    def show_level(self, spl: bool) -> None:
        """Ask for the voltage that gave the SPL, where the capture is in SPL."""
        self.query_one("#drive-box").display = spl

    def answers(self) -> OwnAnswers:
        """What was answered so far."""
        shown = self.query_one("#drive-box").display
        return OwnAnswers(
            loudspeaker=self.query_one("#loudspeaker", NameList).one,
            distance=self.query_one("#distance", Field).value,
            flight=self.query_one("#flight", NameList).one,
            full=self.query_one("#full-box", Tick).value,
            drive_v=self.query_one("#drive", Field).value if shown else "",
        )

    def _on_name_list_changed(self, message: NameList.Changed) -> None:
        message.stop()
