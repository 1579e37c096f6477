"""A session as its door sees it: named steps, saving, files that change, two at once."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest
from msgspec.structs import replace

from tests.session.conftest import PEAK, rig
from xover.files import safe_write
from xover.files.preset_file import ChangedOnDisk, NeedsName
from xover.files.preset_json import dumps, load
from xover.files.shipped import default_example
from xover.model.changes import with_output
from xover.model.problems import Refused
from xover.model.processing import EqSection
from xover.session.cells import Cell
from xover.session.session import Session


def hidden(folder: Path) -> list[str]:
    return sorted(name for name in os.listdir(folder) if name.startswith("."))


def test_steps_are_named_with_old_and_new(preset_path: str) -> None:
    with Session.open(preset_path) as session:
        step = session.set_value(Cell("Top L", "delay"), 3.5)
        assert step is not None
        assert step.name == "Top L, delay 3.42 → 3.50 ms"
        assert [change.where for change in step.changes] == [
            "outputs[1].delay_ms",
            "outputs[2].delay_ms",
        ]
        assert session.next_undo == step.name
        session.undo()
        assert session.next_redo == step.name
        assert session.next_undo is None
        cells = [Cell("Sub", "gain"), Cell("Delay", "gain")]
        named = session.set_value(cells, -3.0)
        assert named is not None
        assert named.name == "Sub and Delay, gain 0.0 → −3.0 dB"
        assert session.next_redo is None
        named = session.set_value("air.temperature_c", 28.5)
        assert named is not None
        assert named.name == "air, temperature 20 → 28.5 °C"
        session.close(keep_unsaved=False)


def test_nudges_are_one_step_of_each_cell(preset_path: str) -> None:
    with Session.open(preset_path) as session:
        session.nudge([Cell("Top L", "delay"), Cell("Top R", "delay")], 1)
        delays = [round(item.delay_ms, 6) for item in session.preset.outputs]
        assert delays == [0.0, 3.52, 4.02, 78.1]
        assert len(session.history) == 1
        session.close(keep_unsaved=False)


def test_a_group_does_not_drift_apart_at_a_limit(preset_path: str) -> None:
    with Session.open(preset_path) as session:
        before = session.preset
        with pytest.raises(Refused, match=r"“Top L” and of “Top R”.*cannot both go that far"):
            session.nudge(Cell("Top L", "delay"), -36)
        assert session.preset is before
        session.nudge(Cell("Top L", "delay"), -34)
        assert [round(item.delay_ms, 4) for item in session.preset.outputs[1:3]] == [0.02, 0.52]
        session.nudge(Cell("Delay", "delay"), -1000)  # nobody is tied to it: it stops at 0
        assert session.preset.output("Delay").delay_ms == 0.0
        session.close(keep_unsaved=False)


def test_smaller_steps(preset_path: str) -> None:
    with Session.open(preset_path) as session:
        session.toggle_mute(["Sub", "Delay"])
        assert [item.muted for item in session.preset.outputs] == [True, False, False, True]
        session.toggle_mute(["Sub", "Top L"])
        assert [item.muted for item in session.preset.outputs] == [True, True, False, True]
        session.toggle_mute(["Sub", "Top L"])
        assert [item.muted for item in session.preset.outputs] == [False, False, False, True]
        session.set_value(Cell("Sub", "route"), {"Aux": 0.0, "Left": -6.0})
        assert session.preset.output("Sub").inputs == {"Aux": 0.0, "Left": -6.0}
        session.set_notes("Doors at 19:00\nno sub in the choir")
        session.rename_output("Delay", "Delay tower")
        session.rename_input("Aux", "Sub send")
        assert session.next_undo == "rename Aux → Sub send"
        assert session.preset.output("Sub").inputs == {"Sub send": 0.0, "Left": -6.0}
        session.paste({Cell("Delay tower", "gain"): 1.0, Cell("Delay tower", ("eq", 0)): PEAK})
        assert session.next_undo == "Delay tower, 2 rows"
        while session.undo():
            pass
        assert session.preset == rig()
        assert session.steps_unsaved == 0


@pytest.mark.parametrize(
    ("cell", "value", "message"),
    [
        (Cell("Top L", "gain"), 61.0, "out of range"),
        (Cell("Top L", "delay"), float("nan"), "not a finite number"),
        (Cell("Top L", "delay"), "soon", "a number in ms"),
        (Cell("Top L", ("eq", 0)), 3.0, "an object"),
        (Cell("Top L", "polarity"), "sideways", "one of"),
        (Cell("Top L", "route"), {"Nobody": 0.0}, "no input “Nobody”"),
        (Cell("Nobody", "gain"), 0.0, "no output “Nobody” any more"),
        ("outputs[9].gain_db", 0.0, "no such place"),
        ("outputs[1].gain_db", "loud", "no such value"),
        ("format", "other", "no such value"),
    ],
)
def test_a_bad_value_changes_nothing(
    preset_path: str, cell: Cell | str, value: object, message: str
) -> None:
    with Session.open(preset_path) as session:
        before = session.preset
        with pytest.raises(Refused, match=message):
            session.set_value(cell, value)
        assert session.preset is before
        assert session.steps_unsaved == 0
        assert session.history == ()


def test_what_changes_nothing_is_no_step(preset_path: str) -> None:
    with Session.open(preset_path) as session:
        assert session.set_value(Cell("Top L", "mute"), False) is None
        assert session.apply("the same", replace(session.preset)) is None
        assert session.undo() is None
        assert session.redo() is None
        assert session.history == ()


def test_unsaved_steps_are_counted_back_and_forth(preset_path: str) -> None:
    with Session.open(preset_path) as session:
        for gain in (1.0, 2.0, 3.0):
            session.set_value(Cell("Sub", "gain"), gain)
        assert session.steps_unsaved == 3
        session.save()
        assert session.steps_unsaved == 0
        session.undo()
        session.undo()
        assert session.steps_unsaved == 2
        session.redo()
        assert session.steps_unsaved == 1
        session.set_value(Cell("Sub", "gain"), 9.0)  # what was saved can no longer be reached
        assert session.steps_unsaved == 2
        session.undo()
        assert session.steps_unsaved == 1
        session.save()
        assert session.steps_unsaved == 0


def test_saving_writes_the_file_and_clears_the_journal(preset_path: str, tmp_path: Path) -> None:
    with Session.open(preset_path) as session:
        session.set_value(Cell("Sub", "gain"), 2.0)
        session.save()
        assert load(preset_path) == session.preset
        assert session.changed_on_disk() == "same"
    assert hidden(tmp_path) == []


def test_the_example_stays_as_it_is(tmp_path: Path, state: Path) -> None:
    was = default_example().read_bytes()
    with Session.open() as session:
        assert session.path is None
        assert session.title == "Harbour Hall, main rig"
        session.set_value(Cell("Sub", "gain"), 1.0)
        with pytest.raises(NeedsName, match="no name yet"):
            session.save()
        with Session.open() as second:  # without a name nobody is in the other's way
            assert not second.read_only
            second.set_value(Cell("Sub", "gain"), 5.0)
            second.close(keep_unsaved=False)
        session.save_as(str(tmp_path / session.suggested_name))
        assert session.path == str(tmp_path / "harbour-hall-copy.json")
        assert session.steps_unsaved == 0
    assert load(tmp_path / "harbour-hall-copy.json").output("Sub").gain_db == 1.0
    assert default_example().read_bytes() == was
    assert list(state.iterdir()) == []


def test_what_cannot_be_opened(tmp_path: Path) -> None:
    with pytest.raises(Refused, match="no such file"):
        Session.open(str(tmp_path / "none.json"))
    with pytest.raises(Refused, match="standard input"):
        Session.open("-")
    with pytest.raises(Refused, match="no file name can hold"):
        Session.open("a\0b")
    (tmp_path / "bad.json").write_text("{")
    with pytest.raises(Refused):
        Session.open(str(tmp_path / "bad.json"))
    assert hidden(tmp_path) == []


def test_a_file_that_somebody_else_changed(preset_path: str) -> None:
    with Session.open(preset_path) as session:
        session.set_value(Cell("Sub", "gain"), 2.0)
        os.utime(preset_path, ns=(1, 1))
        assert session.changed_on_disk() == "same"  # another date, the same bytes
        theirs = dumps(with_output(rig(), "Delay", gain_db=-9.0))
        Path(preset_path).write_bytes(theirs)
        assert session.changed_on_disk() == "changed"
        with pytest.raises(ChangedOnDisk, match="reload it, save this under another name, or"):
            session.save()
        assert Path(preset_path).read_bytes() == theirs
        assert session.steps_unsaved == 1
        step = session.reload()
        assert step is not None
        assert session.preset.output("Delay").gain_db == -9.0
        assert session.steps_unsaved == 0
        session.undo()
        assert session.preset.output("Sub").gain_db == 2.0
        Path(preset_path).write_bytes(dumps(rig()))
        session.save(overwrite_changed=True)
        assert load(preset_path).output("Sub").gain_db == 2.0


def test_a_change_of_the_same_size_and_date_is_not_written_over(preset_path: str) -> None:
    with Session.open(preset_path) as session:
        session.set_value(Cell("Sub", "gain"), 2.0)
        theirs = Path(preset_path).read_bytes().replace(b"78.1", b"78.2")
        dates = os.stat(preset_path)
        Path(preset_path).write_bytes(theirs)
        os.utime(preset_path, ns=(dates.st_atime_ns, dates.st_mtime_ns))
        with pytest.raises(ChangedOnDisk):
            session.save()


def test_a_file_that_has_gone_is_written_anew(preset_path: str) -> None:
    with Session.open(preset_path) as session:
        os.unlink(preset_path)
        assert session.changed_on_disk() == "gone"
        session.set_value(Cell("Sub", "gain"), 2.0)
        session.save()
    assert load(preset_path).output("Sub").gain_db == 2.0


def test_a_second_session_is_read_only_and_may_save_a_copy(
    preset_path: str, tmp_path: Path
) -> None:
    with Session.open(preset_path) as first, Session.open(preset_path) as second:
        assert first.read_only == ""
        assert f"is open in another workbench (process {os.getpid()} on this machine)" in (
            second.read_only
        )
        for edit in (
            lambda: second.set_value(Cell("Sub", "gain"), 1.0),
            lambda: second.apply("x", with_output(second.preset, "Sub", gain_db=1.0)),
            second.undo,
            second.save,
        ):
            with pytest.raises(Refused, match="read-only here"):
                edit()
        with pytest.raises(Refused, match="exists already"):
            second.save_as(preset_path)
        with pytest.raises(Refused, match="is open in another workbench"):
            second.save_as(preset_path, overwrite=True)
        second.save_as(str(tmp_path / "copy.json"))
        assert second.read_only == ""
        second.set_value(Cell("Sub", "gain"), 1.0)
        first.set_value(Cell("Sub", "gain"), 2.0)
        first.save()
        second.save()
    assert load(preset_path).output("Sub").gain_db == 2.0
    assert load(tmp_path / "copy.json").output("Sub").gain_db == 1.0
    with Session.open(preset_path) as third:
        assert third.read_only == ""
    assert hidden(tmp_path) == []


def test_two_names_of_one_file_are_one_preset(preset_path: str, tmp_path: Path) -> None:
    link = tmp_path / "link.json"
    link.symlink_to(preset_path)
    with Session.open(str(link)) as first, Session.open(preset_path) as second:
        assert second.read_only
        first.set_value(Cell("Sub", "gain"), 2.0)
        first.save()
    assert link.is_symlink()
    assert load(preset_path).output("Sub").gain_db == 2.0


def test_saving_under_another_name(preset_path: str, tmp_path: Path) -> None:
    taken = tmp_path / "taken.json"
    taken.write_text("someone's")
    with Session.open(preset_path) as session:
        session.set_value(Cell("Sub", "gain"), 2.0)
        with pytest.raises(Refused, match="exists already"):
            session.save_as(str(taken))
        with pytest.raises(Refused, match="exists already"):
            session.save_as(preset_path)
        with pytest.raises(Refused, match="no such file or folder"):
            session.save_as(str(tmp_path / "nowhere" / "x.json"))
        with pytest.raises(Refused, match="standard output"):
            session.save_as("-")
        assert taken.read_text() == "someone's"
        assert session.path == preset_path
        assert session.steps_unsaved == 1
        session.save_as(str(taken), overwrite=True)
        assert session.path == str(taken)
        assert session.steps_unsaved == 0
        with Session.open(preset_path) as other:  # let go of the first name
            assert other.read_only == ""
            assert other.preset == rig()
    assert hidden(tmp_path) == []


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EROFS, errno.EIO, errno.EACCES])
def test_what_cannot_be_written_stays_unsaved(
    preset_path: str, number: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise OSError(number, os.strerror(number))

    with Session.open(preset_path) as session:
        session.set_value(Cell("Sub", "gain"), 2.0)
        with monkeypatch.context() as patch:
            patch.setattr(safe_write, "_write_all", refuse)
            with pytest.raises(Refused, match="could not be written: "):
                session.save()
        assert session.steps_unsaved == 1
        assert load(preset_path) == rig()
        session.save()
        assert load(preset_path).output("Sub").gain_db == 2.0


def test_a_closed_session_takes_no_edits(preset_path: str) -> None:
    session = Session.open(preset_path)
    session.close()
    session.close()
    with pytest.raises(Refused, match="has been closed"):
        session.set_value(Cell("Sub", "gain"), 2.0)


def test_a_session_loads_nothing_heavy() -> None:
    code = (
        "import sys, xover.session.session, xover.session.views, xover.session.recovery\n"
        "print([name for name in ('scipy', 'soundfile', 'matplotlib', 'textual', 'click')"
        " if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_what_holds_for_a_whole_group_is_said_once() -> None:
    with Session.open(None) as session:
        with pytest.raises(Refused) as refused:
            session.set_value(Cell("Top L", "delay"), 20_000.0)
        (fault,) = refused.value.faults
        assert fault.where == "outputs[1].delay_ms"
        assert fault.message.endswith("0 and 10000 ms; the same goes for “Top R”")
        wrong = EqSection(kind="peak", frequency_hz=100.0, gain_db=70.0, q=1_000.0)
        with pytest.raises(Refused) as refused:
            session.set_value([Cell("Top L", ("eq", 0)), Cell("Sub", ("eq", 0))], wrong)
        assert [fault.where for fault in refused.value.faults] == [
            "outputs[0].eq[0].gain_db", "outputs[0].eq[0].q",
        ]  # fmt: skip
        assert "the same goes for “Top L”, “Top R”" in refused.value.faults[0].message
