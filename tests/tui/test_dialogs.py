"""Dialogs in a small host: what is typed and chosen, and the answer that comes back.

What is expected is what the workbench promises its users; there is no outside reference for it.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest
from textual.pilot import Pilot
from textual.widgets import OptionList, Static

import xover
from tests.tui.hosting import (
    UNANSWERED,
    Host,
    hall,
    idle,
    listed,
    paste,
    run,
    trace_file,
    type_in,
    until,
)
from xover.files.listing import ENTRIES_MAX, Entry, kind_of, list_folder, resolve, split_typed
from xover.model.drive import Drive, drive_of
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.tui import actions
from xover.tui.dialogs import changed_on_disk, quit_guard, recover
from xover.tui.dialogs.align import AlignDialog
from xover.tui.dialogs.base import ChoiceDialog, Dialog
from xover.tui.dialogs.changed_on_disk import ChangedOnDiskDialog
from xover.tui.dialogs.confirm import ConfirmDialog
from xover.tui.dialogs.help import HelpDialog, help_lines, narrowed
from xover.tui.dialogs.import_trace import ImportDialog
from xover.tui.dialogs.levels import LevelRows
from xover.tui.dialogs.open_file import OpenDialog
from xover.tui.dialogs.paths import PathChooser, completion, fitting
from xover.tui.dialogs.picking import NameList, Tick
from xover.tui.dialogs.quit_guard import QuitGuard
from xover.tui.dialogs.recover import RecoverDialog
from xover.tui.dialogs.save_as import SaveAsDialog, SaveTarget, with_ending
from xover.tui.dialogs.stimulus import ListenChoice, ListenDialog

SIZES = [(5, 3), (24, 8)]


class TestChoices:
    def test_answers(self) -> None:
        cases: list[tuple[ChoiceDialog, tuple[str, ...], str | None]] = [
            (QuitGuard("Hall", 3), ("enter",), "stay"),
            (QuitGuard("Hall", 3), ("down", "enter"), "save"),
            (QuitGuard("Hall", 1), ("end", "enter"), "leave"),
            (QuitGuard("Hall", 3), ("escape",), None),
            (RecoverDialog("Recover 2 steps?"), ("enter",), "recover"),
            (RecoverDialog("Recover 2 steps?"), ("down", "ctrl+g"), "open"),
            (RecoverDialog("Recover 2 steps?"), ("up", "enter"), "discard"),
            (ChangedOnDiskDialog("a.json", 2), ("enter",), "copy"),
            (ChangedOnDiskDialog("a.json", 2), ("down", "enter"), "reload"),
            (ChangedOnDiskDialog("a.json", 2), ("end", "enter"), "overwrite"),
            (ChangedOnDiskDialog("a.json", 2, gone=True), ("down", "enter"), "overwrite"),
            (ConfirmDialog("Sure?", "It goes.", yes="Do it", no="Don't"), ("enter",), "no"),
            (ConfirmDialog("S?", "It.", yes="Do", no="No"), ("down", "enter"), "yes"),
        ]

        async def steps(app: Host, pilot: Pilot[None]) -> None:
            for dialog, keys, expected in cases:
                answers: list[str | None] = []
                app.push_screen(dialog, answers.append)
                await until(pilot, lambda dialog=dialog: dialog.focused is not None)  # type: ignore[misc]
                assert answers == []
                await pilot.press(*keys)
                await pilot.pause()
                assert answers == [expected], (dialog, keys)

        run(lambda: NameList(()), steps)

    def test_leaving_is_the_harmless_answer(self) -> None:
        assert quit_guard.answer_of(None) == "stay"
        assert recover.answer_of(None) == "open"
        assert changed_on_disk.answer_of(None) == "leave"

    def test_words(self) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            text = " ".join(app.text().split())
            assert "Recover" in text
            assert "as a copy without a name" in text
            assert "[b]x[/b] \\x1b" not in text
            assert "[b]x[/b] \\u001b[2J" in text

        run(lambda: RecoverDialog("Recover [b]x[/b] \x1b[2J?", as_copy=True), steps)

    def test_a_click_answers(self) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            await pilot.click("#choices", offset=(4, 1))
            await pilot.pause()

        assert run(lambda: QuitGuard("Hall", 3), steps).answer == "save"

    def test_every_choice_is_whole_at_80_by_24(self) -> None:
        dialogs: list[ChoiceDialog] = [
            QuitGuard("Hall", 3, why_not_save="It has no name yet."),
            RecoverDialog("Recover 2 steps?", as_copy=True),
            ChangedOnDiskDialog("hall.json", 4),
            ChangedOnDiskDialog("hall.json", 1, gone=True),
        ]

        async def steps(app: Host, pilot: Pilot[None]) -> None:
            for dialog in dialogs:
                app.push_screen(dialog)
                await pilot.pause()
                for _, words in dialog.choices:
                    assert words in app.text()
                assert dialog.keys in app.text()

        run(lambda: NameList(()), steps)


class TestListing:
    def test_folders_first_then_names_without_regard_to_case(self, tmp_path: Path) -> None:
        for name in ("b.json", "A.JSON", ".hidden.json", "note.txt"):
            (tmp_path / name).write_text("{}")
        (tmp_path / "Zoo").mkdir()
        names = [entry.name for entry in list_folder(tmp_path, endings=(".json",)).entries]
        assert names == ["Zoo", ".hidden.json", "A.JSON", "b.json"]

    def test_what_cannot_be_read_is_said(self, tmp_path: Path) -> None:
        with pytest.raises(Refused, match="there is no such file or folder"):
            list_folder(tmp_path / "nowhere")
        (tmp_path / "file").write_text("")
        with pytest.raises(Refused, match="part of the path is a file"):
            list_folder(tmp_path / "file")

    def test_too_much_is_counted(self, tmp_path: Path) -> None:
        for index in range(ENTRIES_MAX + 3):
            (tmp_path / f"{index}.json").touch()
        listing = list_folder(tmp_path)
        assert (len(listing.entries), listing.left_out) == (ENTRIES_MAX, 3)

    def test_kinds(self, tmp_path: Path) -> None:
        (tmp_path / "ring").symlink_to(tmp_path / "ring")
        (tmp_path / "file").touch()
        assert kind_of(tmp_path) == "folder"
        assert kind_of(tmp_path / "file") == "file"
        assert kind_of(tmp_path / "ring") == "other"
        assert kind_of(tmp_path / "nothing") is None
        assert kind_of("a\0b") is None
        assert list_folder(tmp_path).entries[-1].is_folder is False

    def test_typed_paths(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setenv("HOME", "/home/crew")
        assert resolve("/shows", "a.json") == "/shows/a.json"
        assert resolve("/shows", "../x/a.json") == "/x/a.json"
        assert resolve("/shows", "~/a.json") == "/home/crew/a.json"
        assert split_typed("/shows", "friday/ev") == ("/shows/friday", "ev")
        assert split_typed("/shows", "/tmp/") == ("/tmp", "")

    def test_completion_goes_as_far_as_all_agree(self) -> None:
        entries = [
            Entry("evening.json", "/s/evening.json"),
            Entry("event.json", "/s/event.json"),
            Entry("Rigs", "/s/Rigs", True),
        ]
        assert completion("ev", entries) == "even"
        assert completion("even", entries) == "even"
        assert completion("evi", entries) == "evi"
        assert completion("ri", entries) == "Rigs/"
        assert completion("sub/evene", entries) == "sub/evene"
        assert completion("sub/eveni", entries) == "sub/evening.json"
        assert completion("e", [Entry("e\x1bx", "/s/e\x1bx")]) == "e"

    def test_hidden_names_only_when_asked_for(self) -> None:
        entries = (Entry(".old", "/.old"), Entry("hall", "/hall"), Entry("great hall", "/great h"))
        assert [entry.name for entry in fitting(entries, "")] == ["hall", "great hall"]
        assert [entry.name for entry in fitting(entries, "HA")] == ["hall", "great hall"]
        assert [entry.name for entry in fitting(entries, ".")] == [".old"]


def shows(tmp_path: Path) -> Path:
    (tmp_path / "friday").mkdir()
    (tmp_path / "friday" / "late.json").write_text("{}")
    (tmp_path / "evening.json").write_text("{}")
    (tmp_path / "evil\x1b[31m[red].json").write_text("{}")
    return tmp_path


class TestOpen:
    def test_typing_completing_and_going_into_a_folder(self, tmp_path: Path) -> None:
        folder = shows(tmp_path)

        async def steps(app: Host, pilot: Pilot[None]) -> None:
            await listed(app, pilot, "friday")
            await type_in(pilot, "fr")
            await pilot.press("enter")
            await listed(app, pilot, "late.json")
            await type_in(pilot, "l")
            await pilot.press("tab")
            assert app.screen.query_one(PathChooser).typed == "late.json"
            await pilot.press("enter")
            await pilot.pause()

        app = run(lambda: OpenDialog(str(folder)), steps)
        assert app.answer == str(folder / "friday" / "late.json")

    def test_hostile_names_show_literally_and_open(self, tmp_path: Path) -> None:
        folder = shows(tmp_path)

        async def steps(app: Host, pilot: Pilot[None]) -> None:
            await listed(app, pilot, "evil")
            assert "evil\\u001b[31m[red].json" in app.text()
            assert "\x1b" not in app.text()
            await pilot.press("up", "enter")
            await pilot.pause()

        app = run(lambda: OpenDialog(str(folder)), steps)
        assert app.answer == str(folder / "evil\x1b[31m[red].json")

    def test_examples_and_recent_files_are_offered(self, tmp_path: Path) -> None:
        example = str(xover.default_example())

        async def steps(app: Host, pilot: Pilot[None]) -> None:
            await listed(app, pilot, "example: harbour-hall.json")
            await pilot.press("down", "enter")
            await pilot.pause()

        assert run(lambda: OpenDialog(str(tmp_path), examples=[example]), steps).answer == example

    def test_what_is_not_there_is_said_and_the_dialog_stays(self, tmp_path: Path) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            await type_in(pilot, "nothing.json")
            await pilot.press("enter")
            await pilot.pause()
            assert "there is no" in app.text()
            await paste(app, pilot, "a\nb")
            assert "several lines" in app.text()
            await pilot.press("escape")
            await pilot.pause()

        assert run(lambda: OpenDialog(str(tmp_path)), steps).answer is None

    @pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may read every folder")
    def test_a_closed_folder_is_said(self, tmp_path: Path) -> None:
        closed = tmp_path / "closed"
        closed.mkdir(mode=0)

        async def steps(app: Host, pilot: Pilot[None]) -> None:
            await until(pilot, lambda: "permission is denied" in app.text())

        run(lambda: OpenDialog(str(closed)), steps)

    def test_a_folder_that_is_gone_is_said(self, tmp_path: Path) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            await until(pilot, lambda: "there is no such file or folder" in app.text())

        run(lambda: OpenDialog(str(tmp_path / "gone")), steps, size=(120, 30))


class TestSaveAs:
    def test_a_new_name_gets_its_ending(self, tmp_path: Path) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            await type_in(pilot, "late")
            await pilot.pause()
            target = str(app.screen.query_one("#target", Static).content)
            assert target == f"will be {tmp_path / 'late.json'}"
            await pilot.press("enter")
            await pilot.pause()

        app = run(lambda: SaveAsDialog(str(tmp_path)), steps)
        assert app.answer == SaveTarget(str(tmp_path / "late.json"), overwrite=False)

    def test_overwriting_is_asked_about(self, tmp_path: Path) -> None:
        folder = shows(tmp_path)

        async def steps(app: Host, pilot: Pilot[None]) -> None:
            await listed(app, pilot, "evening")
            await pilot.press("enter")
            await pilot.pause()
            assert isinstance(app.screen, ConfirmDialog)
            await pilot.press("enter")  # the harmless answer
            await pilot.pause()
            assert isinstance(app.screen, SaveAsDialog)
            assert app.answer is UNANSWERED
            await pilot.press("enter")
            await pilot.pause()
            await pilot.press("down", "enter")
            await pilot.pause()

        app = run(lambda: SaveAsDialog(str(folder), "evening.json"), steps)
        assert app.answer == SaveTarget(str(folder / "evening.json"), overwrite=True)

    def test_no_such_folder(self, tmp_path: Path) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            await type_in(pilot, "nowhere/late")
            await pilot.press("enter")
            await pilot.pause()
            assert "there is no folder" in app.text()

        assert run(lambda: SaveAsDialog(str(tmp_path)), steps).answer is UNANSWERED

    def test_endings(self) -> None:
        assert with_ending("/a/b") == "/a/b.json"
        assert with_ending("/a/b.json") == "/a/b.json"
        assert with_ending("/a.d/b") == "/a.d/b.json"


class TestListen:
    def make(self, preset: Preset | None = None) -> ListenDialog:
        held = preset or hall()
        return ListenDialog(held, drive_of(held), listener="Row 8", shown=("Sub", "Top L"))

    def test_the_present_choice_comes_back(self) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            await pilot.press("ctrl+g")
            await pilot.pause()

        answer = run(self.make, steps).answer
        assert answer == ListenChoice(
            {"Left": 0.0, "Aux": 0.0}, True, "Row 8", ("Sub", "Top L"), False
        )
        assert answer.drive == Drive({"Left": 0.0, "Aux": 0.0}, True, "request")

    def test_levels_are_typed_in_every_spelling_of_a_gain(self) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            screen = app.screen
            screen.query_one("#level-0").value = "−3,5 dB"
            screen.query_one("#drive-2", Tick).action_tick()
            screen.query_one("#same", Tick).action_tick()
            screen.query_one("#keep", Tick).action_tick()
            screen.query_one("#listener", NameList).choose([""])
            await pilot.press("ctrl+g")
            await pilot.pause()

        answer = run(self.make, steps).answer
        assert answer == ListenChoice({"Left": -3.5}, False, None, ("Sub", "Top L"), True)

    @pytest.mark.parametrize("typed", ["loud", "99", "", "1e9", "nan"])
    def test_what_is_no_level_is_said(self, typed: str) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            app.screen.query_one("#level-0").value = typed
            await pilot.press("ctrl+g")
            await pilot.pause()
            assert "“Left”: " in app.text()

        assert run(self.make, steps).answer is UNANSWERED

    def test_nothing_played_and_nothing_shown_are_said(self) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            screen = app.screen
            screen.query_one("#drive-0", Tick).action_tick()
            screen.query_one("#drive-2", Tick).action_tick()
            await pilot.press("ctrl+g")
            await pilot.pause()
            assert "nothing is played; tick at least one input" in app.text()
            screen.query_one("#drive-0", Tick).action_tick()
            screen.query_one("#listener", NameList).choose([""])
            screen.query_one("#shown", NameList).choose([])
            await pilot.press("ctrl+g")
            await pilot.pause()
            assert "nothing would be shown" in app.text()

        assert run(self.make, steps).answer is UNANSWERED

    def test_the_keyboard_alone_suffices(self) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            await pilot.press("space")  # Left off
            await pilot.press("tab", "tab", "space")  # its level, then Right on
            await pilot.press(*["tab"] * 4, "down", "space")  # listener list
            await pilot.press("tab", "down", "space")  # shown: Top L off
            await pilot.press("tab", "space", "tab", "tab", "enter")
            await pilot.pause()

        assert run(self.make, steps).answer == ListenChoice(
            {"Right": 0.0, "Aux": 0.0}, False, "Row 16", ("Sub",), False
        )


class TestHelp:
    def test_every_action_is_in_it_and_typing_narrows(self) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            text = app.screen.query_one("#help").text()
            for action in actions.ACTIONS:
                assert " ".join(action.help.split()) in " ".join(text.split())
            assert "Sub, delay" in text
            assert "3.2, 1.2 m" in text
            await type_in(pilot, "save name")
            await pilot.pause()
            narrowed_text = app.screen.query_one("#help").text()
            assert "Save under another name" in narrowed_text
            assert "Take the last step back" not in narrowed_text
            await pilot.press("down", "pagedown", "up", "pageup", "escape")
            await pilot.pause()

        app = run(
            lambda: HelpDialog(
                actions.help_lines(), cell="Sub, delay", cell_help="3.2, 1.2 m, 4 ft"
            ),
            steps,
        )
        assert app.answer is None

    def test_nothing_found_is_said(self) -> None:
        groups = [("File", [("^S", "Save")])]
        assert narrowed(groups, "zebra") == []
        assert help_lines(narrowed(groups, "zebra"), (), 40)[0].plain == (
            "No action is called that."
        )
        assert narrowed(groups, "SAVE file") == [("File", [("^S", "Save")])]

    @pytest.mark.parametrize("width", [20, 24, 74])
    def test_lines_fit(self, width: int) -> None:
        lines = help_lines(actions.help_lines(), ("One sentence about it.",), width)
        assert max(len(line.plain) for line in lines) <= width


class TestPicking:
    def test_marks_read_without_colour(self) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            names: NameList = app.held
            app.set_focus(names)
            await pilot.press("down", "space")
            assert names.chosen == ("b",)
            assert "[ ] a" in app.text()
            assert "[x] b" in app.text()
            await pilot.press("up", "enter")
            assert names.chosen == ("a", "b")
            await pilot.press("space")
            assert names.chosen == ("b",)

        run(lambda: NameList(("a", "b")), steps)

    def test_single_takes_one(self) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            names: NameList = app.held
            assert names.one is None
            app.set_focus(names)
            await pilot.press("space", "down", "space")
            assert names.chosen == ("b",)
            assert "(•) b" in app.text()
            assert "( ) a" in app.text()

        run(lambda: NameList(("a", "b"), single=True), steps)

    def test_levels_follow_other_inputs(self) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            rows: LevelRows = app.held
            assert rows.levels() == {"Left": -3.0}
            rows.offer(("Aux",))
            await pilot.pause()
            assert rows.levels() == {}
            rows.query_one("#drive-0", Tick).action_tick()
            assert rows.levels() == {"Aux": 0.0}

        run(lambda: LevelRows(("Left", "Right"), {"Left": -3.0}), steps)


@pytest.mark.parametrize("size", SIZES)
def test_every_dialog_bears_every_size(size: tuple[int, int], tmp_path: Path) -> None:
    preset = hall()
    trace_file(tmp_path)
    aligning = AlignDialog(preset, drive_of(preset), move=("Sub",), to="Top L", listener="Row 8")
    dialogs: list[Dialog[Any]] = [
        OpenDialog(str(tmp_path)),
        SaveAsDialog(str(tmp_path), "x.json", why="It has no name yet."),
        QuitGuard("Hall", 3),
        ListenDialog(preset, drive_of(preset), listener=None, shown=("Sub",)),
        HelpDialog(actions.help_lines()),
        aligning,
        ImportDialog(preset, str(tmp_path)),
    ]

    async def steps(app: Host, pilot: Pilot[None]) -> None:
        for dialog in dialogs:
            app.push_screen(dialog)
            await pilot.pause()
            if dialog is aligning:
                await pilot.press("ctrl+g")
                await until(pilot, lambda: aligning.found is not None)
            await pilot.resize_terminal(1, 1)
            await idle()
            await pilot.press("tab", "down", "x", "backspace")
            await pilot.resize_terminal(*size)
            await pilot.pause()

    run(lambda: NameList(()), steps, size=size)


def test_the_highlight_is_told_without_colour() -> None:
    async def steps(app: Host, pilot: Pilot[None]) -> None:
        choices = app.screen.query_one("#choices", OptionList)
        style = choices.get_component_rich_style("option-list--option-highlighted")
        assert style.underline

    run(lambda: QuitGuard("Hall", 3), steps)
