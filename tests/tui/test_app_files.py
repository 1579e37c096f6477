"""Files from inside the workbench: nothing is written over, lost or thrown away unasked."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest
from msgspec.structs import replace

import xover
from tests.session.plug import pull
from tests.tui.desk import Desk, at_desk
from xover.files.paths import refused
from xover.files.preset_json import dumps
from xover.files.shipped import default_example
from xover.session.session import Session
from xover.tui.dialogs.changed_on_disk import ChangedOnDiskDialog
from xover.tui.dialogs.confirm import ConfirmDialog
from xover.tui.dialogs.open_file import OpenDialog
from xover.tui.dialogs.quit_guard import QuitGuard
from xover.tui.dialogs.recover import RecoverDialog
from xover.tui.dialogs.save_as import SaveAsDialog
from xover.tui.field import Field


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


async def back(desk: Desk) -> None:
    """Wait until no dialog is left."""
    await desk.until(lambda: len(desk.app.screen_stack) == 1)
    await desk.settle()


def test_saving_writes_what_stands_on_the_sheet(hall_path: str) -> None:
    async def steps(desk: Desk) -> None:
        await desk.enter("Sub", "delay", "4.25")
        assert xover.load(hall_path).output("Sub").delay_ms != 4.25
        await desk.keys("ctrl+s")
        assert desk.title.endswith(" saved")
        assert "saved in" in desk.readout
        assert Path(hall_path).read_bytes() == dumps(desk.preset)
        assert not any(cell.changed for column in desk.grid._view.columns
                       for cell in column.cells.values())  # fmt: skip
        await desk.keys("ctrl+z")
        assert desk.title.endswith("1 step unsaved")

    at_desk(steps, hall_path)


def test_the_example_asks_for_a_name(folder: Path) -> None:
    shipped = default_example().read_bytes()

    async def steps(desk: Desk) -> None:
        await desk.enter("Sub", "delay", "4.25")
        await desk.keys("ctrl+s")
        dialog = await desk.dialog(SaveAsDialog)
        assert "no name yet" in "\n".join(desk.text().split("\n"))
        dialog.query_one("#path", Field).value = "mine"
        await desk.settle()
        await desk.keys("enter")
        await back(desk)
        assert desk.title.endswith(" saved")
        assert xover.load(folder / "mine.json") == desk.preset

    at_desk(steps)
    assert default_example().read_bytes() == shipped


def test_save_as_goes_on_under_the_new_name_and_asks_before_overwriting(
    hall_path: str, folder: Path
) -> None:
    (folder / "taken.json").write_text("something else")
    first = Path(hall_path).read_bytes()

    async def save_as(desk: Desk, name: str) -> None:
        await desk.keys("ctrl+w")
        dialog = await desk.dialog(SaveAsDialog)
        dialog.query_one("#path", Field).value = name
        await desk.settle()
        await desk.keys("enter")

    async def steps(desk: Desk) -> None:
        await desk.enter("Sub", "gain", "-9")
        await save_as(desk, "taken.json")
        await desk.dialog(ConfirmDialog)
        await desk.keys("enter")  # the answer offered first keeps the file
        await desk.dialog(SaveAsDialog)
        assert (folder / "taken.json").read_text() == "something else"
        await desk.keys("escape")
        await back(desk)
        await save_as(desk, "other")
        await back(desk)
        assert xover.load(folder / "other.json").output("Sub").gain_db == -9.0
        await desk.enter("Sub", "gain", "-10")
        await desk.keys("ctrl+s")
        assert xover.load(folder / "other.json").output("Sub").gain_db == -10.0
        await save_as(desk, "taken.json")
        await desk.dialog(ConfirmDialog)
        await desk.keys("down", "enter")
        await back(desk)
        assert xover.load(folder / "taken.json").output("Sub").gain_db == -10.0

    at_desk(steps, hall_path)
    assert Path(hall_path).read_bytes() == first


def test_opening_another_preset(hall_path: str, folder: Path) -> None:
    other = replace(xover.load(hall_path), title="Second rig")
    (folder / "second.json").write_bytes(dumps(other))

    async def steps(desk: Desk) -> None:
        app = desk.app
        await desk.enter("Sub", "gain", "-9")
        await desk.keys("ctrl+o")
        await desk.dialog(QuitGuard)
        await desk.keys("enter")  # stay
        await back(desk)
        assert desk.value("Sub", "gain") == -9.0
        await desk.keys("ctrl+s", "ctrl+o")
        dialog = await desk.dialog(OpenDialog)
        dialog.query_one("#path", Field).value = "second.json"
        await desk.settle()
        await desk.keys("enter")
        await desk.until(lambda: app.session is not None and app.session.title == "Second rig")
        await back(desk)
        assert desk.title.startswith("Second rig")
        assert desk.title.endswith(" saved")
        assert desk.value("Sub", "gain") == -3.0
        assert desk.shown("Sub", "gain") == "−3.0"
        await desk.keys("ctrl+z")
        assert desk.readout == "nothing to undo"

    at_desk(steps, hall_path)


def test_giving_work_up_for_another_preset_takes_effect_only_when_that_is_open(
    hall_path: str, folder: Path
) -> None:
    async def steps(desk: Desk) -> None:
        await desk.enter("Sub", "gain", "-9")
        await desk.keys("ctrl+o")
        await desk.dialog(QuitGuard)
        await desk.keys("down", "down", "enter")
        await desk.dialog(OpenDialog)
        await desk.keys("escape")  # thought better of it
        await back(desk)
        await desk.enter("Sub", "gain", "-8")
        assert desk.value("Sub", "gain") == -8.0
        assert desk.title.endswith("2 steps unsaved")
        await desk.keys("ctrl+o")
        await desk.dialog(QuitGuard)
        await desk.keys("down", "down", "enter")
        dialog = await desk.dialog(OpenDialog)
        dialog.query_one("#path", Field).value = "hall.json"
        await desk.settle()
        await desk.keys("enter")
        await back(desk)
        assert "open here already" in desk.readout
        assert desk.value("Sub", "gain") == -8.0

    at_desk(steps, hall_path)


def test_a_file_that_cannot_be_read_leaves_what_is_open(hall_path: str, folder: Path) -> None:
    (folder / "broken.json").write_text('{"format": "xover-preset", "version": 1')

    async def steps(desk: Desk) -> None:
        await desk.enter("Sub", "gain", "-9")
        await desk.keys("ctrl+s", "ctrl+o")
        dialog = await desk.dialog(OpenDialog)
        dialog.query_one("#path", Field).value = "broken.json"
        await desk.settle()
        await desk.keys("enter")
        await desk.until(lambda: "broken.json" in desk.readout)
        await desk.keys("escape", "escape")
        await back(desk)
        assert desk.title.startswith("Harbour Hall")
        await desk.enter("Sub", "gain", "-8")
        assert desk.value("Sub", "gain") == -8.0

    at_desk(steps, hall_path)


def test_leaving_asks_where_work_is_unsaved(hall_path: str) -> None:
    async def leave_at_once(desk: Desk) -> None:
        await desk.keys("ctrl+q")
        assert not desk.app._running or desk.app._exit

    at_desk(leave_at_once, hall_path)

    async def stay_then_save(desk: Desk) -> None:
        await desk.enter("Sub", "gain", "-9")
        await desk.keys("ctrl+q")
        await desk.dialog(QuitGuard)
        await desk.keys("ctrl+q", "ctrl+q")  # asked once
        assert len(desk.app.screen_stack) == 2
        await desk.keys("enter")
        await back(desk)
        assert desk.value("Sub", "gain") == -9.0
        await desk.keys("ctrl+q")
        await desk.dialog(QuitGuard)
        await desk.keys("down", "enter")
        await desk.until(lambda: desk.app._exit)

    at_desk(stay_then_save, hall_path)
    assert xover.load(hall_path).output("Sub").gain_db == -9.0

    async def throw_away(desk: Desk) -> None:
        await desk.enter("Sub", "gain", "-20")
        await desk.keys("ctrl+q")
        await desk.dialog(QuitGuard)
        await desk.keys("down", "down", "enter")
        await desk.until(lambda: desk.app._exit)

    at_desk(throw_away, hall_path)
    assert xover.load(hall_path).output("Sub").gain_db == -9.0
    assert sorted(path.name for path in Path(hall_path).parent.iterdir()) == ["hall.json"]


@pytest.mark.parametrize("answer", ["copy", "reload", "overwrite"])
def test_a_file_changed_by_somebody_else(hall_path: str, folder: Path, answer: str) -> None:
    theirs = replace(xover.load(hall_path), title="Theirs")

    async def steps(desk: Desk) -> None:
        await desk.enter("Sub", "gain", "-9")
        Path(hall_path).write_bytes(dumps(theirs))
        await desk.keys("ctrl+s")
        await desk.dialog(ChangedOnDiskDialog)
        assert xover.load(hall_path).title == "Theirs"
        await desk.keys(*["down"] * ["copy", "reload", "overwrite"].index(answer), "enter")
        if answer == "copy":
            dialog = await desk.dialog(SaveAsDialog)
            dialog.query_one("#path", Field).value = "mine.json"
            await desk.settle()
            await desk.keys("enter")
        await back(desk)
        await desk.until(lambda: desk.title.endswith(" saved"))
        if answer == "copy":
            assert xover.load(hall_path).title == "Theirs"
            assert xover.load(folder / "mine.json").output("Sub").gain_db == -9.0
        elif answer == "reload":
            assert desk.title.startswith("Theirs")
            assert xover.load(hall_path).title == "Theirs"
            await desk.keys("ctrl+z")
            assert desk.value("Sub", "gain") == -9.0
        else:
            assert xover.load(hall_path).output("Sub").gain_db == -9.0

    at_desk(steps, hall_path)


def test_a_journal_that_fills_the_disk_is_said_while_editing(
    hall_path: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody who edits on trusts that a pulled plug loses nothing; once is enough to say."""

    def full(descriptor: int, data: bytes, at: int) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    async def steps(desk: Desk) -> None:
        await desk.enter("Sub", "gain", "-9")
        session = desk.app.session
        assert session is not None
        assert session._journal is not None
        assert session._journal.flush(5.0)
        monkeypatch.setattr(os, "pwrite", full)
        await desk.enter("Sub", "gain", "-8")
        await desk.until(lambda: session.warnings)
        desk.app._look_at_disk()
        assert "not safe yet" in " ".join(desk.readout.split())
        assert "the disk is full" in " ".join(desk.readout.split())
        await desk.keys("down")
        desk.app._look_at_disk()
        assert "not safe yet" not in desk.readout
        monkeypatch.undo()

    at_desk(steps, hall_path)


def test_a_place_that_cannot_be_written_leads_to_another(
    hall_path: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The remedy names its key: whoever reads "choose another place" need not look for it."""
    full = OSError(errno.ENOSPC, "No space left on device")

    def save(self: Session, *, overwrite_changed: bool = False) -> None:
        raise refused(full, hall_path, "written")

    async def steps(desk: Desk) -> None:
        await desk.enter("Sub", "gain", "-9")
        monkeypatch.setattr(Session, "save", save)
        await desk.keys("ctrl+s")
        assert "the disk is full" in desk.readout
        assert "^W saves it elsewhere" in " ".join(desk.readout.split())
        assert desk.title.endswith("unsaved")

    at_desk(steps, hall_path)


def test_a_second_workbench_is_read_only_and_says_so(hall_path: str) -> None:
    with Session.open(hall_path):

        async def steps(desk: Desk) -> None:
            assert desk.title.endswith("read-only")
            assert "read-only" in desk.readout
            was = desk.preset
            await desk.enter("Sub", "delay", "9")
            assert desk.preset is was
            assert "read-only" in desk.readout or "open in another" in desk.readout
            await desk.keys("escape")
            for key in ("]", "delete", "ctrl+k", "ctrl+s", "ctrl+z"):
                await desk.keys(key)
                assert desk.preset is was
            await desk.keys("ctrl+q")  # nothing of its own to lose
            await desk.until(lambda: desk.app._exit)

        at_desk(steps, hall_path)


@pytest.mark.parametrize("answer", ["recover", "open", "discard"])
def test_work_of_a_workbench_that_ended_is_offered(hall_path: str, answer: str) -> None:
    session = Session.open(hall_path)
    session.set_value("outputs[0].delay_ms", 8.5)
    assert session._journal is not None
    session._journal.flush()
    pull(session)
    on_disk = Path(hall_path).read_bytes()

    async def steps(desk: Desk) -> None:
        app = desk.app
        await desk.dialog(RecoverDialog)
        await desk.until(lambda: "Recover" in desk.text() and "1 unsaved step" in desk.text())
        await desk.keys(*["down"] * ["recover", "open", "discard"].index(answer), "enter")
        await desk.until(lambda: app.session is not None and app.query("#grid"))
        await desk.settle()
        if answer == "recover":
            assert desk.value("Sub", "delay") == 8.5
            assert desk.title.endswith("1 step unsaved")
            await desk.until(lambda: app.grid._view is not None)
            await desk.keys("ctrl+z")
            assert desk.value("Sub", "delay") == 1.55
            await desk.keys("ctrl+y", "ctrl+s")
            assert xover.load(hall_path).output("Sub").delay_ms == 8.5
        else:
            assert desk.value("Sub", "delay") == 1.55
            assert Path(hall_path).read_bytes() == on_disk

    at_desk(steps, hall_path)
    if answer != "recover":

        async def again(desk: Desk) -> None:
            offered = isinstance(desk.app.screen, RecoverDialog)
            assert offered == (answer == "open")

        at_desk(again, hall_path)
