"""Safe writing: the old bytes or the new ones, whole, whatever fails; permissions kept."""

from __future__ import annotations

import errno
import os
import signal
import stat
import subprocess
import sys
import time

import pytest

from xover.files import safe_write
from xover.files.safe_write import write_bytes
from xover.model.problems import Refused

OLD, NEW = b"old" * 1000, b"new" * 2000


@pytest.fixture
def folder(tmp_path):
    """A folder that, after the test, holds nothing that was left behind."""
    yield tmp_path
    assert [name for name in os.listdir(tmp_path) if name.endswith(".tmp")] == []


def failing(number):
    def fail(*_, **__):
        raise OSError(number, os.strerror(number))

    return fail


def test_a_new_file(folder):
    path = folder / "new.json"
    mask = os.umask(0o027)
    try:
        write_bytes(path, NEW, overwrite=False)
    finally:
        os.umask(mask)
    assert path.read_bytes() == NEW
    assert stat.S_IMODE(path.stat().st_mode) == 0o640  # 0666 less the umask, as POSIX open says


def test_nothing_is_replaced_unless_asked(folder):
    path = folder / "old.json"
    path.write_bytes(OLD)
    with pytest.raises(Refused, match=r"old.json” exists already; name another file") as caught:
        write_bytes(path, NEW, overwrite=False)
    assert len(caught.value.faults) == 1
    assert path.read_bytes() == OLD
    write_bytes(path, NEW, overwrite=True)
    assert path.read_bytes() == NEW
    write_bytes(str(folder / "other.json"), b"", overwrite=True)
    assert (folder / "other.json").read_bytes() == b""


def test_a_file_that_appears_meanwhile_is_not_replaced(folder, monkeypatch):
    path = folder / "race.json"

    def fsync(_):
        path.write_bytes(OLD)

    monkeypatch.setattr(os, "fsync", fsync)
    with pytest.raises(Refused, match="exists already"):
        write_bytes(path, NEW, overwrite=False)
    assert path.read_bytes() == OLD


@pytest.mark.parametrize("number", [errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS])
def test_where_there_are_no_hard_links(folder, monkeypatch, number):
    monkeypatch.setattr(os, "link", failing(number))
    path = folder / "new.json"
    write_bytes(path, NEW, overwrite=False)
    assert path.read_bytes() == NEW
    with pytest.raises(Refused, match="exists already"):
        write_bytes(path, OLD, overwrite=False)
    monkeypatch.setattr(os, "replace", failing(errno.EIO))
    with pytest.raises(Refused, match="the disk reports an error"):
        write_bytes(folder / "third.json", NEW, overwrite=False)
    assert not (folder / "third.json").exists()


@pytest.mark.parametrize("mode", [0o600, 0o644, 0o640, 0o664])
def test_permissions_are_kept(folder, mode):
    path = folder / "old.json"
    path.write_bytes(OLD)
    path.chmod(mode)
    write_bytes(path, NEW, overwrite=True)
    assert stat.S_IMODE(path.stat().st_mode) == mode


def test_a_private_file_is_private_from_the_first_byte(folder, monkeypatch):
    path = folder / "old.json"
    path.write_bytes(OLD)
    path.chmod(0o600)
    seen = []
    write = os.write

    def watched(descriptor, data):
        seen.append(stat.S_IMODE(os.fstat(descriptor).st_mode))
        return write(descriptor, data)

    monkeypatch.setattr(os, "write", watched)
    write_bytes(path, NEW, overwrite=True)
    assert seen == [0o600]


@pytest.mark.skipif(os.getuid() != 0, reason="only root may give a file away")
def test_the_owner_is_kept(folder):
    path = folder / "old.json"
    path.write_bytes(OLD)
    os.chown(path, 12345, 23456)
    write_bytes(path, NEW, overwrite=True)
    assert (path.stat().st_uid, path.stat().st_gid) == (12345, 23456)


def test_an_owner_that_cannot_be_kept_does_not_stop_it(folder, monkeypatch):
    path = folder / "old.json"
    path.write_bytes(OLD)
    monkeypatch.setattr(os, "fchown", failing(errno.EPERM))
    write_bytes(path, NEW, overwrite=True)
    assert path.read_bytes() == NEW


def test_links_are_followed(folder):
    real = folder / "deep" / "real.json"
    real.parent.mkdir()
    real.write_bytes(OLD)
    link = folder / "link.json"
    link.symlink_to(real)
    write_bytes(link, NEW, overwrite=True)
    assert link.is_symlink()
    assert real.read_bytes() == NEW
    dangling = folder / "dangling.json"
    dangling.symlink_to(folder / "deep" / "made.json")
    write_bytes(dangling, NEW, overwrite=False)
    assert dangling.is_symlink()
    assert (folder / "deep" / "made.json").read_bytes() == NEW


def test_a_write_in_pieces(folder, monkeypatch):
    write = os.write
    monkeypatch.setattr(os, "write", lambda descriptor, data: write(descriptor, data[:7]))
    write_bytes(folder / "x", NEW, overwrite=False)
    assert (folder / "x").read_bytes() == NEW


SENTENCES = {
    errno.ENOSPC: "the disk is full; make room",
    errno.EDQUOT: "your share of the disk is used up",
    errno.EIO: "the disk reports an error",
    errno.EROFS: "the disk is read-only",
    errno.EACCES: "permission is denied",
    errno.EFBIG: "larger than the disk allows",
    errno.EOVERFLOW: "the system says: ",
}


@pytest.mark.parametrize("number", SENTENCES)
@pytest.mark.parametrize("call", ["open", "write", "fsync", "replace"])
@pytest.mark.parametrize("exists", [True, False])
def test_whatever_fails_the_old_file_is_whole(folder, monkeypatch, number, call, exists):
    path = folder / "preset.json"
    if exists:
        path.write_bytes(OLD)
    with monkeypatch.context() as patched:
        patched.setattr(os, call, failing(number))
        with pytest.raises(Refused, match=SENTENCES[number]) as caught:
            write_bytes(path, NEW, overwrite=True)
    assert "preset.json” could not be written: " in str(caught.value)
    assert len(caught.value.faults) == 1
    assert (path.read_bytes() if path.exists() else None) == (OLD if exists else None)
    assert os.listdir(folder) == (["preset.json"] if exists else [])


def test_an_interruption_leaves_nothing_behind(folder, monkeypatch):
    path = folder / "preset.json"
    path.write_bytes(OLD)

    def interrupt(_):
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", interrupt)
        with pytest.raises(KeyboardInterrupt):
            write_bytes(path, NEW, overwrite=True)
    assert os.listdir(folder) == ["preset.json"]
    assert path.read_bytes() == OLD


def test_a_folder_that_cannot_be_synced_is_no_failure(folder, monkeypatch):
    fsync = os.fsync

    def only_files(descriptor):
        if stat.S_ISDIR(os.fstat(descriptor).st_mode):
            raise OSError(errno.EINVAL, "Invalid argument")
        fsync(descriptor)

    monkeypatch.setattr(os, "fsync", only_files)
    write_bytes(folder / "x", NEW, overwrite=False)
    assert (folder / "x").read_bytes() == NEW


def test_the_bytes_and_the_folder_reach_the_disk_in_order(folder, monkeypatch):
    calls = []
    fsync, replace = os.fsync, os.replace

    def watched_fsync(descriptor):
        calls.append("folder" if stat.S_ISDIR(os.fstat(descriptor).st_mode) else "file")
        fsync(descriptor)

    def watched_replace(*paths):
        calls.append("replace")
        replace(*paths)

    monkeypatch.setattr(os, "fsync", watched_fsync)
    monkeypatch.setattr(os, "replace", watched_replace)
    write_bytes(folder / "x", NEW, overwrite=True)
    assert calls == ["file", "replace", "folder"]


@pytest.mark.parametrize(
    ("name", "sentence"),
    [
        ("", "it is a folder; name a file in it"),
        ("none/x.json", "there is no such file or folder"),
        ("file/x.json", "part of the path is a file"),
        ("n" * 300, "the name is too long"),
        ("loop", "round in a circle"),
        ("a\0b", "characters that no file name can hold"),
        ("\ud800", "characters that no file name can hold"),
    ],
)
def test_paths_that_cannot_be_written(folder, name, sentence):
    (folder / "file").write_bytes(OLD)
    (folder / "loop").symlink_to("loop")
    for overwrite in (True, False):
        with pytest.raises(Refused, match=sentence):
            write_bytes(f"{folder}/{name}", NEW, overwrite=overwrite)
    with pytest.raises(Refused, match="the path is empty"):
        write_bytes("", NEW, overwrite=True)


def test_a_file_marked_read_only_is_left_alone(folder, monkeypatch):
    path = folder / "old.json"
    path.write_bytes(OLD)
    path.chmod(0o444)
    monkeypatch.setattr(os, "access", lambda *_: False)  # root may write to anything
    with pytest.raises(Refused, match="permission is denied"):
        write_bytes(path, NEW, overwrite=True)
    assert path.read_bytes() == OLD


def test_a_file_on_a_disk_that_is_read_only_is_told_from_a_forbidden_one(folder, monkeypatch):
    """Permissions are no remedy there: the system's own answer to opening it is what counts."""
    path = folder / "old.json"
    path.write_bytes(OLD)
    monkeypatch.setattr(os, "access", lambda *_: False)
    really = os.open

    def read_only(name, flags, *rest, **more):
        if flags & (os.O_WRONLY | os.O_RDWR):
            raise OSError(errno.EROFS, os.strerror(errno.EROFS))
        return really(name, flags, *rest, **more)

    monkeypatch.setattr(os, "open", read_only)
    with pytest.raises(Refused, match="the disk is read-only; choose another place"):
        write_bytes(path, NEW, overwrite=True)
    assert path.read_bytes() == OLD


def test_devices_and_pipes_are_written_through(folder):
    write_bytes("/dev/null", NEW, overwrite=False)
    assert stat.S_ISCHR(os.stat("/dev/null").st_mode)
    with pytest.raises(Refused, match="“/dev/full” could not be written: the disk is full"):
        write_bytes("/dev/full", NEW, overwrite=False)
    reader, writer = os.pipe()
    try:
        write_bytes(f"/dev/fd/{writer}", b"through", overwrite=False)
        assert os.read(reader, 100) == b"through"
        os.close(reader)
        with pytest.raises(BrokenPipeError):
            write_bytes(f"/dev/fd/{writer}", b"through", overwrite=False)
    finally:
        os.close(writer)


SAVER = """
import sys
from xover.files.safe_write import write_bytes
print("ready", flush=True)
turn = 0
while True:
    turn += 1
    write_bytes(sys.argv[1], bytes([97 + turn % 26]) * 300_000, overwrite=True)
"""


def test_killed_in_the_middle_thirty_times(tmp_path):
    path = tmp_path / "preset.json"
    path.write_bytes(b"z" * 300_000)
    seen: set[bytes] = set()
    turn = 0
    while (
        turn < 30 or len(seen) < 2
    ):  # on a busy machine it takes longer until a save comes through
        assert turn < 300, "no save ever came through; the test would prove nothing"
        saver = subprocess.Popen(
            [sys.executable, "-c", SAVER, str(path)], stdout=subprocess.PIPE, cwd=_root()
        )
        assert saver.stdout is not None
        saver.stdout.readline()
        time.sleep(0.002 + 0.0007 * turn)
        saver.send_signal(signal.SIGKILL)
        assert saver.wait() == -signal.SIGKILL
        saver.stdout.close()
        data = path.read_bytes()
        assert len(data) == 300_000
        assert len(set(data)) == 1
        seen.add(data[:1])
        turn += 1


def _root():
    return os.path.dirname(os.path.dirname(os.path.dirname(safe_write.__file__)))
