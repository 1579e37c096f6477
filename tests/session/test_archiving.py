"""The archive for a screen: venues, presets and revisions; `based_on` in file, steps and undo.

What is promised is our own: `docs/archive.md` and `docs/workbench.md`; there is no outside
reference.
"""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from msgspec.structs import replace

import xover
from xover.files import preset_json
from xover.model.changes import with_output
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.session import archiving
from xover.session.session import Session


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XOVER_ARCHIVE", str(tmp_path / "archive"))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return tmp_path / "archive"


def nothing(done: int, total: int) -> None:
    pass


def cafe(**fields: object) -> Preset:
    preset = xover.load(xover.default_example().with_name("lantern-cafe.json"))
    return replace(preset, **fields)


def keep(preset: Preset, note: str = "") -> Preset:
    kept = archiving.keep(preset, note, nothing)
    archiving.refresh(nothing)
    return replace(preset, based_on=kept.id)


def names(stock: archiving.Stock) -> list[tuple[str, list[str]]]:
    return [(venue.name, [one.title for one in venue.presets]) for venue in stock.venues]


def test_venues_and_presets_stand_by_name_in_their_newest_spelling() -> None:
    keep(cafe(venue="Quay Hall", title="Late"))
    keep(cafe(venue="Barn", title="b"))
    first = keep(cafe(venue="BARN", title="A"))
    keep(with_output(first, first.outputs[0].name, gain_db=-7.0))
    stock = archiving.stock()
    assert [(name.casefold(), titles) for name, titles in names(stock)] == [
        ("barn", ["A", "b"]),
        ("quay hall", ["Late"]),
    ]
    assert stock.presets == 3
    assert len(archiving.revisions(archiving.key("barn", "a"))) == 2


def test_numbers_in_names_count_as_numbers() -> None:
    for venue in ("Hall 10", "Hall 2", "Hall", "Annex 007", "Annex 7b", "10", "hall 2b"):
        keep(cafe(venue=venue, title="A"))
    assert [name for name, _ in names(archiving.stock())] == [
        "10", "Annex 007", "Annex 7b", "Hall", "Hall 2", "hall 2b", "Hall 10",
    ]  # fmt: skip


def test_search_finds_presets_by_any_revision_and_by_the_beginnings_of_words() -> None:
    first = keep(cafe(venue="Barn", title="One"), "ladder in front of the stage")
    keep(with_output(first, first.outputs[0].name, gain_db=-7.0), "later")
    keep(cafe(venue="Quay", title="Two"))
    whole = archiving.stock()
    assert names(archiving.narrowed(whole, "ladd stage")) == [("Barn", ["One"])]
    assert names(archiving.narrowed(whole, "quay - (")) == [("Quay", ["Two"])]
    assert archiving.narrowed(whole, "ladd quay").presets == 0
    assert archiving.narrowed(whole, ' " \x00 ') is whole


def test_a_fork_is_counted_and_a_revision_comes_out_based_on_itself() -> None:
    first = keep(cafe())
    for gain_db in (-7.0, -8.0):
        keep(with_output(first, first.outputs[0].name, gain_db=gain_db), f"{gain_db}")
    (venue,) = archiving.stock().venues
    assert venue.presets[0].heads == 2
    for row in archiving.revisions(venue.presets[0].key):
        revision = archiving.take_out(row)
        assert revision.preset.based_on == row.id
        assert revision.words.startswith(row.time[:10])


def test_damage_is_told_and_never_opened(folder: Path) -> None:
    keep(cafe())
    (row,) = archiving.revisions(archiving.key(cafe().venue, cafe().title))
    path = folder / row.name
    path.write_bytes(path.read_bytes().replace(b"Lantern", b"Lamtern"))
    with pytest.raises(Refused, match="is damaged"):
        archiving.take_out(row)
    whole = path.with_name(f"{row.id[:-2]}00.json")
    whole.write_bytes(b"{}")
    archiving.refresh(nothing)
    assert archiving.stock().damaged == (f"{row.name.rpartition('/')[0]}/{whole.name}",)


def test_what_is_missing_or_closed_is_said(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert "no archive at" in archiving.stock().problem
    assert archiving.why_not_keep() == ""  # keeping makes it
    folder.write_text("no folder")
    assert "is no folder" in archiving.stock().problem
    folder.unlink()
    folder.mkdir()
    monkeypatch.setattr(os, "access", lambda path, mode: not mode & os.W_OK)
    assert "may only be read" in archiving.why_not_keep()


def test_reading_can_be_stopped() -> None:
    keep(cafe())
    keep(cafe(title="other"))

    def stop(done: int, total: int) -> None:
        raise Refused.at("", "stopped")

    Path(archiving.archive_folder(None), "x").mkdir()
    Path(archiving.archive_folder(None), "x", "new.json").write_text("{}")
    with pytest.raises(Refused, match="stopped"):
        archiving.refresh(stop)
    assert archiving.stock().presets == 2


def opened(tmp_path: Path) -> Session:
    path = tmp_path / "cafe.json"
    preset_json.save(cafe(), path, overwrite=True)
    return Session.open(str(path))


def test_keeping_writes_based_on_without_a_step_and_undo_keeps_it(tmp_path: Path) -> None:
    with opened(tmp_path) as session:
        output = session.preset.outputs[0].name
        session.set_value("outputs[0].gain_db", -7.0)
        session.set_value("outputs[0].gain_db", -8.0)
        session.save()
        kept = archiving.keep(session.preset, "", nothing)
        session.kept(session.preset, kept.id)
        assert session.steps_unsaved == 0
        assert json.loads((tmp_path / "cafe.json").read_text())["based_on"] == kept.id
        session.undo()
        assert session.preset.based_on == kept.id
        assert session.preset.output(output).gain_db == -7.0
        # What is kept next follows that revision: no fork.
        assert archiving.keep(session.preset, "", nothing).heads == 1


def test_an_edit_made_meanwhile_stays_unsaved(tmp_path: Path) -> None:
    with opened(tmp_path) as session:
        before = session.preset
        kept = archiving.keep(before, "", nothing)
        session.set_value("outputs[0].gain_db", -7.0)
        session.kept(before, kept.id)
        assert session.steps_unsaved == 2
        assert session.preset.based_on == kept.id
        assert json.loads((tmp_path / "cafe.json").read_text())["based_on"] is None


def test_a_file_that_somebody_changed_is_not_written_over(tmp_path: Path) -> None:
    with opened(tmp_path) as session:
        kept = archiving.keep(session.preset, "", nothing)
        preset_json.save(cafe(title="theirs"), tmp_path / "cafe.json", overwrite=True)
        with pytest.raises(Refused, match="changed by someone else"):
            session.kept(session.preset, kept.id)
        assert (session.preset.based_on, session.steps_unsaved) == (kept.id, 1)
        assert preset_json.load(tmp_path / "cafe.json").title == "theirs"


def test_restoring_is_one_named_step_also_where_outputs_come_and_go(tmp_path: Path) -> None:
    other = cafe()
    other = replace(other, outputs=other.outputs[:1], groups=(), sources=(), measurements=(),
                    amplifier_channels=())  # fmt: skip
    keep(other, "just one")
    (row,) = archiving.revisions(archiving.key(other.venue, other.title))
    with opened(tmp_path) as session:
        before = session.preset
        revision = archiving.take_out(row)
        step = session.restore(f"revision {revision.words}", revision.preset)
        assert step is not None
        assert step.name == f"restore revision {archiving.moment(row.time)}, just one"
        assert session.preset == replace(other, based_on=row.id)
        assert session.restore("again", revision.preset) is None
        session.undo()
        assert session.preset == before


def test_rest_of_the_journal_brings_a_restored_revision_back(tmp_path: Path) -> None:
    from xover.session.recovery import find_recovery

    keep(cafe(notes="then"))
    (row,) = archiving.revisions(archiving.key(cafe().venue, cafe().title))
    session = opened(tmp_path)
    session.restore("revision", archiving.take_out(row).preset)
    session.close()
    recovery = find_recovery(str(tmp_path / "cafe.json"))
    assert recovery is not None
    assert recovery.preset() == replace(cafe(notes="then"), based_on=row.id)
