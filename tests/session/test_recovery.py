"""Work that a session left behind: killed, torn, overtaken, held by the living, or nowhere."""

from __future__ import annotations

import errno
import fcntl
import os
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import msgspec
import pytest
from msgspec.structs import replace

from tests.session.conftest import rig
from tests.session.plug import journal_bytes, pull
from xover.files import journal, journal_text, ownership
from xover.files.ownership import Owner
from xover.files.preset_json import dumps, load
from xover.model.changes import with_output
from xover.model.problems import Refused
from xover.session.cells import Cell
from xover.session.recovery import find_recovery, when
from xover.session.session import Session

SUB = Cell("Sub", "gain")


def hidden(folder: Path) -> list[str]:
    return sorted(name for name in os.listdir(folder) if name.startswith("."))


def left_behind(path: str | None, *gains: float) -> None:
    """A session that edited and was never closed."""
    session = Session.open(path)
    for gain in gains:
        session.set_value(SUB, gain)
    journal_bytes(session)
    pull(session)


CHILD = """
import sys, time
from xover.session.session import Session
from xover.session.cells import Cell
session = Session.open(sys.argv[1])
for step in range(1, 10_000):
    session.set_value(Cell("Delay", "delay"), step / 10.0)
    if step == 5:
        session._journal.flush()
        print("five", flush=True)
    time.sleep(0.001)
"""


def test_killed_in_the_middle_of_typing(preset_path: str) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", CHILD, preset_path], stdout=subprocess.PIPE, text=True
    ) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "five\n"
        with Session.open(preset_path) as second:
            assert f"process {child.pid} on this machine" in second.read_only
        assert find_recovery(preset_path) is None  # its owner lives
        time.sleep(0.05)
        child.send_signal(signal.SIGKILL)
    recovery = find_recovery(preset_path)
    assert recovery is not None
    assert len(recovery.steps) >= 5
    assert recovery.preset().output("Delay").delay_ms == len(recovery.steps) / 10.0
    assert recovery.message.startswith(
        f"Recover {len(recovery.steps)} unsaved steps to “yard.json”"
    )
    with Session.recovered(recovery) as session:
        assert session.read_only == ""
        assert session.steps_unsaved == len(recovery.steps)
        assert session.path == os.path.realpath(preset_path)
        session.undo()
        assert session.preset.output("Delay").delay_ms == (len(recovery.steps) - 1) / 10.0
        session.save()
    assert find_recovery(preset_path) is None
    assert hidden(Path(preset_path).parent) == []


def test_a_step_is_on_the_disk_within_a_tenth_of_a_second(preset_path: str) -> None:
    session = Session.open(preset_path)
    assert session._journal is not None
    session._journal.flush()
    waits = []
    for step in range(1, 21):
        begin = time.perf_counter()
        session.set_value(SUB, float(step))
        assert session._journal.flush()
        waits.append(time.perf_counter() - begin)
    assert sorted(waits)[5] < 0.1  # a busy machine and a shared disk may stall many times
    session.close(keep_unsaved=False)


def test_journals_without_edits_go_in_silence(preset_path: str, tmp_path: Path) -> None:
    left_behind(preset_path)
    assert hidden(tmp_path) == [".yard.json.journal"]
    assert find_recovery(preset_path) is None
    assert hidden(tmp_path) == []
    left_behind(preset_path)
    with Session.open(preset_path) as session:
        assert session.read_only == ""
        session.set_value(SUB, 1.0)
        session.undo()
    assert hidden(tmp_path) == []


def test_edits_taken_back_are_not_offered(preset_path: str, tmp_path: Path) -> None:
    session = Session.open(preset_path)
    session.set_value(SUB, 1.0)
    session.undo()
    journal_bytes(session)
    pull(session)
    assert find_recovery(preset_path) is None
    assert hidden(tmp_path) == []


def test_unsaved_work_is_kept_at_close_unless_told_otherwise(preset_path: str) -> None:
    with Session.open(preset_path) as session:
        session.set_value(SUB, 1.0)
    recovery = find_recovery(preset_path)
    assert recovery is not None
    recovery.discard()
    assert find_recovery(preset_path) is None
    session = Session.open(preset_path)
    session.set_value(SUB, 1.0)
    session.close(keep_unsaved=False)
    assert find_recovery(preset_path) is None


def test_work_not_decided_on_is_set_aside_and_offered_again(
    preset_path: str, tmp_path: Path
) -> None:
    left_behind(preset_path, 1.0)
    with Session.open(preset_path) as session:
        assert hidden(tmp_path) == [".yard.json.journal", ".yard.json.journal.1"]
        session.set_value(SUB, 9.0)
    first = find_recovery(preset_path)
    assert first is not None
    assert first.preset().output("Sub").gain_db == 9.0
    first.discard()
    second = find_recovery(preset_path)
    assert second is not None
    assert second.preset().output("Sub").gain_db == 1.0
    with Session.recovered(second) as session:
        session.save()
    assert find_recovery(preset_path) is None
    assert hidden(tmp_path) == []
    assert load(preset_path).output("Sub").gain_db == 1.0


def test_a_file_changed_since_gives_a_copy_without_a_name(preset_path: str, tmp_path: Path) -> None:
    left_behind(preset_path, 1.0)
    theirs = dumps(with_output(rig(), "Delay", gain_db=-9.0))
    Path(preset_path).write_bytes(theirs)
    recovery = find_recovery(preset_path)
    assert recovery is not None
    assert recovery.base_changed
    assert "as a copy without a name" in recovery.message
    session = Session.recovered(recovery)
    assert session.path is None
    assert session.preset == with_output(rig(), "Sub", gain_db=1.0)
    with pytest.raises(Refused, match="no name yet"):
        session.save()
    journal_bytes(session)
    pull(session)  # and once more, before it had a name
    again = find_recovery(preset_path)
    assert again is not None
    with Session.recovered(again) as session:
        assert session.path is None
        session.save_as(str(tmp_path / "mine.json"))
    assert find_recovery(preset_path) is None
    assert Path(preset_path).read_bytes() == theirs
    assert load(tmp_path / "mine.json").output("Sub").gain_db == 1.0


def test_work_that_was_saved_before_the_end_is_not_offered(
    preset_path: str, tmp_path: Path
) -> None:
    left_behind(preset_path, 1.0)
    Path(preset_path).write_bytes(dumps(with_output(rig(), "Sub", gain_db=1.0)))
    assert find_recovery(preset_path) is None
    assert hidden(tmp_path) == []


def test_the_way_back_behind_a_save_is_recovered(preset_path: str) -> None:
    session = Session.open(preset_path)
    for gain in (1.0, 2.0, 3.0):
        session.set_value(SUB, gain)
    session.save()
    for _ in range(3):
        session.undo()
    session.redo()
    journal_bytes(session)
    pull(session)
    recovery = find_recovery(preset_path)
    assert recovery is not None
    assert recovery.preset().output("Sub").gain_db == 1.0
    assert not recovery.base_changed


def test_the_example_is_recovered_without_a_name(state: Path) -> None:
    left_behind(None, 1.0)
    recovery = find_recovery(None)
    assert recovery is not None
    with Session.recovered(recovery) as session:
        assert session.path is None
        session.close(keep_unsaved=False)
    assert find_recovery(None) is None
    assert list(state.iterdir()) == []


@pytest.mark.parametrize(
    "name",
    [
        b"caf\xe9.json",
        "\u202elive\n.json".encode(),
        b"x" * 250 + b".json",
        b"{[*]} %s.json",
        b".json",
    ],
)
def test_presets_with_any_file_name(tmp_path: Path, name: bytes) -> None:
    path = os.fsdecode(os.path.join(os.fsencode(tmp_path), name))
    Path(path).write_bytes(dumps(rig()))
    left_behind(path, 1.0)
    recovery = find_recovery(path)
    assert recovery is not None
    assert recovery.message.isprintable()
    with Session.recovered(recovery) as session, Session.open(path) as second:
        assert second.read_only.isprintable()
        assert session.path == path
        session.save()
    assert load(path).output("Sub").gain_db == 1.0
    assert find_recovery(path) is None


def test_a_folder_moved_meanwhile_takes_its_unsaved_work_along(tmp_path: Path) -> None:
    folder = tmp_path / "here"
    folder.mkdir()
    (folder / "yard.json").write_bytes(dumps(rig()))
    left_behind(str(folder / "yard.json"), 1.0)
    folder.rename(tmp_path / "there")
    recovery = find_recovery(str(tmp_path / "there" / "yard.json"))
    assert recovery is not None
    with Session.recovered(recovery) as session:
        session.save()
    assert load(tmp_path / "there" / "yard.json").output("Sub").gain_db == 1.0


def test_a_torn_end_and_rubbish_in_the_middle(preset_path: str, tmp_path: Path) -> None:
    left_behind(preset_path, 1.0, 2.0)
    path = tmp_path / ".yard.json.journal"
    whole = path.read_bytes()
    path.write_bytes(whole + b'{"step":"torn","do":"ed')
    recovery = find_recovery(preset_path)
    assert recovery is not None
    assert (len(recovery.steps), recovery.complete) == (2, False)
    assert "breaks off" in recovery.message
    lines = whole.split(b"\n")
    path.write_bytes(b"\n".join([*lines[:3], b"\x00\xff", *lines[3:]]))
    recovery = find_recovery(preset_path)
    assert recovery is not None
    assert [step.after.output("Sub").gain_db for step in recovery.steps] == [1.0]
    path.write_bytes(whole.replace(b'"new":2.0', b'"new":200.0'))
    recovery = find_recovery(preset_path)
    assert recovery is not None
    assert len(recovery.steps) == 1


@pytest.mark.parametrize(
    "data", [b"", b"\n\n", b"hello", b"{}", b"\xff\xfe" * 100, b'{"format":1}']
)
def test_a_file_of_that_name_that_is_no_journal(
    preset_path: str, tmp_path: Path, data: bytes
) -> None:
    (tmp_path / ".yard.json.journal").write_bytes(data)
    assert find_recovery(preset_path) is None
    with Session.open(preset_path) as session:
        assert session.read_only == ""
        session.set_value(SUB, 1.0)
        session.save()


def test_something_that_is_no_file_in_the_journals_place(
    preset_path: str, tmp_path: Path, state: Path
) -> None:
    os.mkfifo(tmp_path / ".yard.json.journal")
    assert find_recovery(preset_path) is None
    with Session.open(preset_path) as session:
        session.set_value(SUB, 1.0)
        journal_bytes(session)
        assert [path.suffix for path in state.iterdir()] == [".journal"]
        assert "its journal lies in" in session.warnings[0]
        session.close(keep_unsaved=False)
    assert hidden(tmp_path) == [".yard.json.journal"]


def test_a_folder_that_cannot_be_written_is_said_before_editing(
    preset_path: str, tmp_path: Path, state: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    system_open = os.open

    def guarded(path: str, flags: int, mode: int = 0o777) -> int:
        if str(path).startswith(str(tmp_path)) and not str(path).startswith(str(state)):
            raise OSError(errno.EROFS, os.strerror(errno.EROFS))
        return system_open(path, flags, mode)

    monkeypatch.setattr(os, "open", guarded)
    session = Session.open(preset_path)
    assert "the disk is read-only" in session.warnings[0]
    assert "cannot be saved there" in session.warnings[0]
    session.set_value(SUB, 1.0)
    with pytest.raises(Refused, match="the disk is read-only"):
        session.save()
    assert session.steps_unsaved == 1
    journal_bytes(session)
    pull(session)
    recovery = find_recovery(preset_path)
    assert recovery is not None
    assert recovery.preset().output("Sub").gain_db == 1.0
    monkeypatch.undo()


def test_nowhere_to_write_is_said(
    preset_path: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    system_open = os.open

    def guarded(path: str, flags: int, mode: int = 0o777) -> int:
        if "journal" in str(path):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return system_open(path, flags, mode)

    monkeypatch.setattr(os, "open", guarded)
    with Session.open(preset_path) as session:
        assert "kept nowhere if the program ends" in session.warnings[1]
        session.set_value(SUB, 1.0)
        session.save()
    assert load(preset_path).output("Sub").gain_db == 1.0


def test_a_disk_that_fills_up_is_said_and_tried_again(
    preset_path: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(journal, "RETRY_S", 0.01)
    full = True
    system_write = os.pwrite

    def limited(descriptor: int, data: bytes, at: int) -> int:
        if full and at > 50:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return system_write(descriptor, bytes(data)[:50] if full else data, at)

    session = Session.open(preset_path)
    journal_bytes(session)
    monkeypatch.setattr(os, "pwrite", limited)
    session.set_value(SUB, 1.0)
    assert session._journal is not None
    assert not session._journal.flush(0.1)
    assert "not safe yet" in session.warnings[0]
    assert "the disk is full" in session.warnings[0]
    session.set_value(SUB, 2.0)
    full = False
    assert session._journal.flush(5.0)
    assert session.warnings == ()
    pull(session)
    recovery = find_recovery(preset_path)
    assert recovery is not None
    assert [step.after.output("Sub").gain_db for step in recovery.steps] == [1.0, 2.0]
    assert recovery.complete


def test_a_journal_removed_by_hand_is_said(preset_path: str, tmp_path: Path) -> None:
    session = Session.open(preset_path)
    journal_bytes(session)
    os.unlink(tmp_path / ".yard.json.journal")
    session.set_value(SUB, 1.0)
    assert session._journal is not None
    assert not session._journal.flush(0.2)
    assert "no such file" in session.warnings[0]
    session.save()
    session.close()
    assert load(preset_path).output("Sub").gain_db == 1.0


def test_children_do_not_hold_the_preset(preset_path: str) -> None:
    session = Session.open(preset_path)
    with subprocess.Popen(
        [sys.executable, "-c", "input()"], stdin=subprocess.PIPE, close_fds=False
    ) as child:
        session.close()
        with Session.open(preset_path) as second:
            assert second.read_only == ""
        child.communicate(b"\n")


def no_locks(*_: object) -> None:
    raise OSError(errno.ENOLCK, os.strerror(errno.ENOLCK))


def test_without_locks_the_owner_is_asked_for(
    preset_path: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(fcntl, "flock", no_locks)
    session = Session.open(preset_path)
    session.set_value(SUB, 1.0)
    journal_bytes(session)
    with Session.open(preset_path) as second:
        assert f"process {os.getpid()} on this machine" in second.read_only
    pull(session)
    path = tmp_path / ".yard.json.journal"
    mine = ownership.this_process()
    for owner, lives in (
        (Owner(mine.host, mine.pid, "1"), False),  # the number given out again
        (Owner(mine.host, 2**30, ""), False),
        (Owner("another-machine", 4, "5"), True),
    ):
        first, _, rest = path.read_bytes().partition(b"\n")
        header = msgspec.json.decode(first, type=journal_text.Header)
        path.write_bytes(journal_text.header_line(replace(header, owner=owner)) + rest)
        assert (find_recovery(preset_path) is None) == lives
    with Session.open(preset_path) as third:
        assert "process 4 on another-machine" in third.read_only
        assert "if that workbench is no more, remove" in third.read_only


def test_locks_that_hold_nothing_do_not_let_a_living_owner_be_written_over(
    preset_path: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", CHILD, preset_path], stdout=subprocess.PIPE, text=True
    ) as child:
        assert child.stdout is not None
        child.stdout.readline()
        monkeypatch.setattr(fcntl, "flock", lambda *_: None)
        with Session.open(preset_path) as second:
            assert f"process {child.pid}" in second.read_only
        child.kill()


def test_how_long_ago_is_said_in_words() -> None:
    now = datetime.now(UTC)
    for spent, words in (
        (timedelta(seconds=5), "less than a minute ago"),
        (timedelta(seconds=90), "1 minute ago"),
        (timedelta(hours=5, minutes=10), "5 hours ago"),
        (timedelta(days=3), f"{now - timedelta(days=3):%Y-%m-%d %H:%M} UTC"),
        (timedelta(hours=-2), f"{now + timedelta(hours=2):%Y-%m-%d %H:%M} UTC"),
    ):
        assert when((now - spent).isoformat().replace("+00:00", "Z")) == words
    assert when("yesterday\x1b") == "yesterday\\u001b"
