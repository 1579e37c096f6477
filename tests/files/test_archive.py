"""The archive: lineage, forks, what is refused, what heals, what survives kills and company."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import stat
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest
from msgspec.structs import replace

from tests.strategies import everything
from xover.files import safe_write
from xover.files.archive import index, place
from xover.files.archive.audit import audit
from xover.files.archive.bundle import export_archive, import_archive
from xover.files.archive.place import slug
from xover.files.archive.store import Archive
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import Input, Output
from xover.model.rig import Loudspeaker, Power

ROOT = Path(__file__).resolve().parents[2]


def preset(gain_db: float = 0.0, **fields) -> Preset:
    return Preset(
        title=fields.pop("title", "Main rig"),
        venue=fields.pop("venue", "Lantern Hall"),
        inputs=(Input(name="In"),),
        outputs=(Output(name="Sub", inputs={"In": 0.0}, gain_db=gain_db),),
        **fields,
    )


@pytest.fixture
def archive(tmp_path):
    opened = Archive(str(tmp_path / "archive"), cache=str(tmp_path / "cache"))
    yield opened
    opened.close()


def heads(archive: Archive) -> list[str]:
    archive.refresh()
    return [row.id for row in archive.index.rows()]


def everything_listed(archive: Archive) -> set[str]:
    archive.refresh()
    return {row.id for row in archive.index.rows(every=True)}


# Lineage


def test_a_revision_is_a_plain_file_named_by_its_bytes(archive):
    saved = archive.save(preset(), note="first\nsecond", author="crew")
    path = Path(saved.path)
    assert path.parent == Path(archive.folder) / "lantern-hall" / "main-rig"
    tree = json.loads(path.read_bytes())
    assert list(tree) == ["format", "version", "parent", "time", "author", "note", "preset"]
    assert tree["note"] == "first\nsecond"
    assert tree["preset"]["title"] == "Main rig"
    assert place.id_of(path.read_bytes(), tree["time"]) == path.stem == saved.id


def test_what_follows_knows_its_parent(archive):
    first = archive.save(preset())
    second = archive.save(preset(1.0, based_on=first.id))
    assert (second.parent, second.heads) == (first.id, 1)
    assert heads(archive) == [second.id]
    assert archive.restored(archive.find(first.id)).based_on == first.id


def test_nothing_changed_is_not_saved_again(archive):
    first = archive.save(preset())
    assert not archive.save(preset()).is_new, "the same as a head"
    assert not archive.save(preset(based_on=first.id)).is_new, "the same as its parent"
    second = archive.save(preset(1.0, based_on=first.id))
    assert archive.save(preset(based_on=second.id)).is_new, "back to the first is a change"


def test_forks_are_kept_as_heads(archive):
    first = archive.save(preset())
    archive.save(preset(1.0, based_on=first.id))
    forked = archive.save(preset(2.0, based_on=first.id))
    assert forked.heads == 2
    assert len(heads(archive)) == 2
    unknown = archive.save(preset(3.0, based_on="20200101T000000Z-0123456789abcdef"))
    assert unknown.parent is None
    assert unknown.heads == 3


def test_a_renamed_preset_keeps_its_lineage(archive):
    first = archive.save(preset())
    second = archive.save(preset(title="Main rig, new tops", based_on=first.id))
    assert second.parent == first.id
    assert set(heads(archive)) == {second.id, first.id}, "its old name is still found"
    old = archive.find(first.id)
    assert (old.is_head, old.goes_on, old.heads) == (True, True, 1)
    assert [row.id for row in archive.index.following(first.id)] == [second.id]
    assert archive.save(preset(1.0, based_on=first.id)).heads == 1, "the old name goes on"


def test_a_preset_taken_to_the_next_venue_stays_listed_at_the_first(archive):
    first = archive.save(preset())
    away = archive.save(preset(1.0, venue="Elsewhere", based_on=first.id))
    archive.save(preset(2.0, venue="Elsewhere", based_on=away.id))
    archive.refresh()
    assert [row.id for row in archive.index.rows(venue="Lantern Hall")] == [first.id]
    findings, _ = audit(archive)
    assert findings == [], "two venues are no fork"


def test_a_preset_is_venue_and_title_whatever_the_spelling(archive):
    archive.save(preset(venue="Café Söder"))
    again = archive.save(preset(1.0, venue="CAFE\u0301 SO\u0308DER"))
    assert again.heads == 2, "one preset, two heads, since no parent was named"


# Names


def test_folders_are_safe_and_apart():
    names = ["Harbour Hall", "harbour-hall", "Harbour  Hall", "HARBOUR HALL!", "con", "nul"]
    names += [
        "../etc",
        "a/b",
        "a\\b",
        ".",
        "..",
        "~",
        "🎭",
        "x" * 4096,
        "x" * 4095,
        "",
        "-",
        "aux.",
    ]
    found = {name: slug(name, empty="venue") for name in names}
    assert len(set(found.values())) == len(names)
    for one in found.values():
        assert len(one) <= place.SLUG_LENGTH + 7
        assert one.isascii()
        assert one == one.lower()
        assert not set(one) & set('/\\:*?"<>|. \t')
        assert one.partition("_")[0] not in ("con", "nul", "aux") or "_" in one
    assert slug("HARBOUR HALL", empty="v") == slug("Harbour Hall", empty="v") == "harbour-hall"


def test_hostile_names_stay_inside(archive):
    for venue in ("../../out", "/abs", "C:\\dir", "x" * 9_000):
        saved = archive.save(preset(venue=venue))
        assert Path(archive.folder) in Path(saved.path).parents
    assert len(everything_listed(archive)) == 4


# Finding


def test_words_are_found_by_their_beginnings(archive):
    box = Loudspeaker(
        name="Wedge twelve", passband_hz=(80.0, 18e3), impedance_ohm=8.0,
        power_w=Power(continuous=300.0),
    )  # fmt: skip
    archive.save(preset(tags=("monitors",), loudspeakers=(box,)), note="after the rain")
    archive.save(preset(title="Foyer", notes="quiet"), author="night shift")

    def found(*words: str) -> set[str]:
        archive.refresh()
        return {row.title for row in archive.index.rows(words=words)}

    assert found("wedge") == found("monit") == found("rain", "LANTERN") == {"Main rig"}
    assert found("night") == found("quiet") == {"Foyer"}
    assert found("lantern") == {"Main rig", "Foyer"}
    assert found("nowhere") == set()
    assert found('"', "OR", "NEAR(") == set(), "no word is syntax"


def test_scripts_without_blanks_are_found_by_any_part(archive):
    archive.save(preset(title="東京大ホール 第二"))
    archive.refresh()
    for word in ("東京", "ホール", "大ホ", "第二"):
        assert len(archive.index.rows(words=[word])) == 1, word
    assert archive.index.rows(words=["京東"]) == []


def test_times_venues_and_titles_narrow_the_list(archive):
    archive.save(preset())
    archive.save(preset(venue="Chapel"))
    rows = archive.index.rows
    assert [row.venue for row in rows(venue="CHAPEL")] == ["Chapel"]
    assert rows(since="2100-01-01") == []
    assert rows(until="2000-01-01T23:59:59Z") == []
    assert len(rows(since="2000-01-01", title="main rig")) == 2


def test_a_revision_is_found_by_the_beginning_of_its_name_or_hash(archive):
    saved = archive.save(preset())
    digits = saved.id.split("-")[1]
    assert archive.find(digits[:6]).id == archive.find(saved.id[:12]).id == saved.id
    with pytest.raises(Refused, match="there is no revision “zz”"):
        archive.find("zz")
    archive.save(preset(1.0))
    with pytest.raises(Refused, match="can be 2 revisions"):
        archive.find("20")


# Damage and synchronisers


def test_a_damaged_file_is_never_listed_and_never_deleted(archive):
    saved = archive.save(preset())
    good = archive.save(preset(1.0))
    path = Path(saved.path)
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    fresh = Archive(archive.folder, cache=archive.folder + "-other")
    assert everything_listed(fresh) == {good.id}
    assert fresh.index.damaged() == [f"lantern-hall/main-rig/{saved.id}.json"]
    findings, count = audit(fresh)
    assert (count, [one.kind for one in findings]) == (1, ["damage"])
    assert path.exists()
    path.write_bytes(data)  # the synchroniser brings the rest
    assert everything_listed(fresh) == {saved.id, good.id}
    fresh.close()


def test_bytes_that_are_others_than_the_name_says_are_damage(archive):
    saved = archive.save(preset())
    path = Path(saved.path)
    path.write_bytes(path.read_bytes().replace(b'"gain_db": 0', b'"gain_db": 9'))
    with pytest.raises(Refused, match="is damaged"):
        archive.restored(archive.find(saved.id))
    fresh = Archive(archive.folder, cache=archive.folder + "-other")
    assert everything_listed(fresh) == set()
    fresh.close()


def test_files_that_come_vanish_and_come_twice(archive):
    saved = archive.save(preset())
    path = Path(saved.path)
    copy = path.with_name(f"{path.stem} (conflicted copy).json")
    shutil.copy(path, copy)
    assert everything_listed(archive) == {saved.id}
    path.unlink()
    assert everything_listed(archive) == {saved.id}, "the copy is the same revision"
    assert archive.restored(archive.find(saved.id)).title == "Main rig"
    copy.unlink()
    assert everything_listed(archive) == set()
    (path.parent / "notes.json").write_text("{}")
    (path.parent / f".{saved.id}.json").write_text("half")
    assert everything_listed(archive) == set()


def test_links_are_not_followed(archive, tmp_path):
    archive.save(preset())
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "secret.json").write_text("{}")
    os.symlink(outside, Path(archive.folder) / "lantern-hall" / "out")
    os.symlink(outside / "secret.json", Path(archive.folder) / "link.json")
    assert len(everything_listed(archive)) == 1
    assert archive.index.damaged() == []
    findings, _ = audit(archive)
    assert {one.name for one in findings} == {"link.json", "lantern-hall/out"}


@pytest.mark.parametrize("harm", ["torn", "foreign", "older", "folder"])
def test_an_unusable_index_is_made_anew(archive, harm):
    saved = archive.save(preset())
    archive.close()
    path = Path(archive.index.path)
    if harm == "torn":
        path.write_bytes(path.read_bytes()[:5000])
    elif harm == "foreign":
        path.write_text("not a database at all, but long enough to look like one" * 99)
    elif harm == "older":
        connection = sqlite3.connect(path)
        connection.execute("PRAGMA user_version = 99")
        connection.close()
    else:
        path.unlink()
        path.mkdir()
    fresh = Archive(archive.folder, cache=str(path.parent))
    assert everything_listed(fresh) == {saved.id}
    fresh.close()


def test_an_archive_that_is_not_there_is_empty(tmp_path):
    fresh = Archive(str(tmp_path / "nowhere"), cache=str(tmp_path / "cache"))
    assert everything_listed(fresh) == set()
    assert not (tmp_path / "nowhere").exists()
    fresh.close()


def test_a_place_that_cannot_be_written_is_said(tmp_path):
    (tmp_path / "file").write_text("x")
    fresh = Archive(str(tmp_path / "file" / "archive"), cache=str(tmp_path / "cache"))
    with pytest.raises(Refused, match="part of the path is a file"):
        fresh.save(preset())
    fresh.close()


def test_a_link_in_the_way_is_refused_and_nothing_is_written_through_it(archive, tmp_path):
    outside = tmp_path / "outside"
    outside.mkdir()
    Path(archive.folder).mkdir()
    os.symlink(outside, Path(archive.folder) / "lantern-hall")
    with pytest.raises(Refused, match="is a link, and the archive follows none"):
        archive.save(preset())
    assert list(outside.iterdir()) == []


def test_the_names_of_new_folders_reach_the_disk_before_saving_answers(archive, monkeypatch):
    synced = []
    real = safe_write._sync_folder
    monkeypatch.setattr(safe_write, "_sync_folder", lambda one: (synced.append(one), real(one)))
    saved = archive.save(preset())
    inner = Path(saved.path).parent
    wanted = [inner, inner.parent, Path(archive.folder), Path(archive.folder).parent]
    assert {str(one) for one in wanted} <= set(synced)


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        ({"note": "\x1b[31m"}, "holds the control character"),
        ({"author": "two\nlines"}, "holds the control character"),
        ({"author": "x" * 10_001}, "at most 10000 are kept"),
    ],
)
def test_what_could_not_be_opened_again_is_not_saved(archive, words, sentence):
    with pytest.raises(Refused, match=sentence):
        archive.save(preset(), **words)
    assert everything_listed(archive) == set()


def test_reading_that_is_stopped_keeps_what_it_has(archive, monkeypatch):
    monkeypatch.setattr(index, "PORTION", 2)
    for number in range(5):
        archive.save(preset(float(number)))
    other = Archive(archive.folder, cache=str(Path(archive.index.path).parent / "other"))

    def stop(done: int, total: int) -> None:
        if done == 4:
            raise Refused.at("", "stopped")

    with pytest.raises(Refused, match="stopped"):
        other.refresh(stop)
    assert len(other.index.rows(every=True)) == 4
    assert len(everything_listed(other)) == 5
    other.close()


def test_what_another_process_saved_meanwhile_is_not_forgotten(archive, monkeypatch):
    first = archive.save(preset())
    real = index.folders_of

    def late(folder):
        found = list(real(folder))
        monkeypatch.setattr(index, "folders_of", real)
        other = Archive(folder, cache=str(Path(archive.index.path).parent))
        other.save(preset(1.0))
        other.close()
        return found

    monkeypatch.setattr(index, "folders_of", late)
    archive.refresh()
    assert len(archive.index.rows(every=True)) == 2
    assert first.id in everything_listed(archive)


def test_a_save_that_was_cut_short_leaves_a_file_that_check_names(archive):
    saved = archive.save(preset())
    left = Path(saved.path).with_name(".xover-4711-0123456789abcdef.tmp")
    left.write_bytes(b"{")
    findings, count = audit(archive)
    assert count == 1
    assert [one.kind for one in findings] == ["note"]
    assert findings[0].name.endswith(left.name)
    assert left.exists()


# Bundles


def bundle(archive: Archive, path: Path, venue: str | None = None) -> int:
    archive.refresh()
    return export_archive(archive, venue, str(path), overwrite=True).count


@pytest.fixture
def full(archive):
    first = archive.save(preset(), note="one")
    archive.save(preset(1.0, based_on=first.id), note="two")
    archive.save(replace(everything(), venue="Elsewhere"))
    return archive


def test_export_and_import_merge_without_loss(full, tmp_path):
    target = tmp_path / "all.zip"
    assert bundle(full, target) == 3
    other = Archive(str(tmp_path / "other"), cache=str(tmp_path / "cache"))
    own = other.save(preset(5.0))
    taken = import_archive(other, str(target))
    assert (len(taken.new), taken.known) == (3, 0)
    assert everything_listed(other) == everything_listed(full) | {own.id}
    again = import_archive(other, str(target))
    assert (again.new, again.known) == ((), 3)
    first = target.read_bytes()
    bundle(full, target)
    assert target.read_bytes() == first, "the same revisions give the same bytes"
    other.close()


def test_export_of_a_venue(full, tmp_path):
    assert bundle(full, tmp_path / "one.zip", "lantern hall") == 2
    with pytest.raises(Refused, match="there is no venue"):
        bundle(full, tmp_path / "none.zip", "Nowhere")


def test_what_is_damaged_is_left_out_of_an_export_and_named(full, tmp_path):
    rows = full.index.rows(every=True, venue="Lantern Hall")
    spoilt = Path(full.folder, rows[0].name)
    spoilt.write_bytes(spoilt.read_bytes().replace(b"two", b"tow"))
    half = spoilt.with_name("half.json")
    half.write_bytes(b"{")
    full.refresh()
    done = export_archive(full, None, str(tmp_path / "all.zip"), overwrite=True)
    assert done.count == 2
    assert [name.rpartition("/")[2] for name in done.damaged] == [spoilt.name, "half.json"]
    other = Archive(str(tmp_path / "other"), cache=str(tmp_path / "cache"))
    assert len(import_archive(other, str(tmp_path / "all.zip")).new) == 2
    other.close()
    elsewhere = export_archive(full, "Elsewhere", str(tmp_path / "one.zip"), overwrite=True)
    assert (elsewhere.count, elsewhere.damaged) == (1, ())
    for row in rows:
        Path(full.folder, row.name).write_bytes(b"{}")
    with pytest.raises(Refused, match="is damaged; nothing was written"):
        export_archive(full, "Lantern Hall", str(tmp_path / "none.zip"), overwrite=True)
    assert not (tmp_path / "none.zip").exists()


def remade(source: Path, target: Path, change) -> str:
    """A zip with its members changed by hand: name → (data, ZipInfo)."""
    with zipfile.ZipFile(source) as old:
        members = [(info, old.read(info)) for info in old.infolist()]
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as new:
        for info, data in change(members):
            new.writestr(info, data)
    return str(target)


def renamed(name):
    def change(members):
        info, data = members[0]
        manifest = json.loads(members[-1][1])
        manifest["sha256"][name] = manifest["sha256"].pop(info.filename)
        other = zipfile.ZipInfo(name)
        return [(other, data), *members[1:-1], (members[-1][0], json.dumps(manifest))]

    return change


def linked(members):
    info, data = members[0]
    info.external_attr = (stat.S_IFLNK | 0o777) << 16
    return [(info, data), *members[1:]]


def changed(members):
    info, data = members[0]
    return [(info, data.replace(b"one", b"ONE").replace(b"two", b"TWO") + b" "), *members[1:]]


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (renamed("/etc/cron.json"), "points out of the archive"),
        (renamed("../up.json"), "points out of the archive"),
        (renamed("a/../../up.json"), "points out of the archive"),
        (renamed("C:\\up.json"), "points out of the archive"),
        (renamed("a/b/20200101T000000Z-0123456789abcdef.json"), "speaks of other bytes"),
        (linked, "is a link"),
        (changed, "is not what its manifest says"),
        (lambda members: members[:-1], "has no manifest.json"),
        (lambda members: members[1:], "which its manifest lists"),
        (lambda members: [(members[0][0], members[0][1]), *members], "stands in it twice"),
        (lambda members: [*members[:-1], (members[-1][0], b"[]")], "cannot be understood"),
        (lambda members: [*members, (zipfile.ZipInfo("extra.json"), b"{}")], "not in its manifest"),
    ],
)
@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_hostile_zips_are_refused_whole(full, tmp_path, change, sentence):
    bundle(full, tmp_path / "good.zip")
    bad = remade(tmp_path / "good.zip", tmp_path / "bad.zip", change)
    other = Archive(str(tmp_path / "other"), cache=str(tmp_path / "cache"))
    with pytest.raises(Refused, match=sentence):
        import_archive(other, bad)
    assert not (tmp_path / "other").exists()
    assert everything_listed(other) == set()
    other.close()


def test_a_bomb_is_refused_before_it_unpacks(full, tmp_path):
    bundle(full, tmp_path / "good.zip")
    with zipfile.ZipFile(tmp_path / "bomb.zip", "w", zipfile.ZIP_DEFLATED) as new:
        new.writestr("bomb.json", b" " * (40 << 20), zipfile.ZIP_DEFLATED)
    with pytest.raises(Refused, match="more than is believed"):
        import_archive(full, str(tmp_path / "bomb.zip"))
    (tmp_path / "none.zip").write_bytes(b"PK\x03\x04 nothing")
    with pytest.raises(Refused, match="is no sound zip"):
        import_archive(full, str(tmp_path / "none.zip"))


# Kills and company, in processes of their own

KILLS = """
import os, random, signal, sys, time
from msgspec.structs import replace
from xover.files.archive.store import Archive
from xover.files.preset_json import loads

folder, cache, times, limit_s = sys.argv[1], sys.argv[2], int(sys.argv[3]), float(sys.argv[4])
base = loads(sys.stdin.buffer.read())
random.seed(4)
acknowledged = []
for turn in range(times):
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(read)
        archive = Archive(folder, cache=cache)
        for k in range(50):
            saved = archive.save(replace(base, notes=f"{turn} {k}"))
            os.write(write, (saved.id + "\\n").encode())
        os._exit(0)
    os.close(write)
    time.sleep(random.uniform(0.0, limit_s))
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    text = b""
    while part := os.read(read, 65536):
        text += part
    os.close(read)
    acknowledged += text.decode().split("\\n")[:-1]
print("\\n".join(acknowledged))
"""


def script(text: str, *words: str, data: bytes = b"") -> str:
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        [sys.executable, "-c", text, *words], input=data, capture_output=True, env=environment,
        check=True,
    )  # fmt: skip
    return done.stdout.decode()


def test_nothing_acknowledged_is_lost_by_a_kill(tmp_path):
    # Twenty-five kills here; tests/bench/archive_safety.py does a thousand.
    from xover.files.preset_json import dumps

    folder, cache = str(tmp_path / "archive"), str(tmp_path / "cache")
    acknowledged = script(KILLS, folder, cache, "25", "0.3", data=dumps(preset())).split()
    assert acknowledged
    archive = Archive(folder, cache=cache)
    listed = everything_listed(archive)
    assert set(acknowledged) <= listed
    findings, count = audit(archive)
    assert [one for one in findings if one.kind == "damage"] == []
    assert count == len(listed)
    archive.close()


SAVES = """
import sys
from msgspec.structs import replace
from xover.files.archive.store import Archive
from xover.files.preset_json import loads

folder, cache, who, times = sys.argv[1:5]
base = loads(sys.stdin.buffer.read())
archive = Archive(folder, cache=cache)
for k in range(int(times)):
    print(archive.save(replace(base, notes=f"{who} {k}")).id)
"""


def test_four_processes_save_into_one_preset_at_once(tmp_path):
    from xover.files.preset_json import dumps

    folder, cache = str(tmp_path / "archive"), str(tmp_path / "cache")
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    running = [
        subprocess.Popen(
            [sys.executable, "-c", SAVES, folder, cache, str(who), "12"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=environment,
        )
        for who in range(4)
    ]  # fmt: skip
    said = [one.communicate(dumps(preset()))[0].decode().split() for one in running]
    assert [one.returncode for one in running] == [0] * 4
    acknowledged = [id_ for ids in said for id_ in ids]
    assert len(set(acknowledged)) == 48
    archive = Archive(folder, cache=cache)
    assert everything_listed(archive) == set(acknowledged)
    archive.close()
