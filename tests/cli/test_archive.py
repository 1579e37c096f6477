"""`xover archive` as a user types it: exit codes, what is printed, files written."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from xover.cli.entry import run
from xover.files.archive.place import id_of
from xover.files.preset_json import load

ROOT = Path(__file__).parents[2]


@pytest.fixture
def hall(tmp_path, monkeypatch):
    monkeypatch.setenv("XOVER_ARCHIVE", str(tmp_path / "archive"))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    shutil.copy(ROOT / "presets" / "harbour-hall.json", tmp_path / "hall.json")
    return tmp_path / "hall.json"


def listed(capsys, *words: str) -> list[dict]:
    capsys.readouterr()
    assert run(["archive", *words, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def louder(path: Path) -> None:
    text = path.read_text()
    path.write_text(text.replace('"gain_db": -3,', '"gain_db": -2,', 1))


def test_a_year_in_short(hall, capsys, tmp_path):
    assert run(["archive", "save", str(hall), "--note", "first night"]) == 0
    first = load(hall).based_on
    assert first is not None
    assert run(["archive", "save", str(hall)]) == 1
    assert "nothing changed" in capsys.readouterr().out
    louder(hall)
    assert run(["archive", "save", str(hall), "--note", "sub up"]) == 0
    (row,) = listed(capsys, "list")
    assert set(row) >= {"venue", "title", "revision", "time", "author", "note", "heads"}
    assert (row["parent"], row["note"], row["heads"]) == (first, "sub up", 1)
    assert [one["note"] for one in listed(capsys, "list", "--all")] == ["sub up", "first night"]
    assert len(listed(capsys, "search", "harbour", "sub")) == 1
    assert listed(capsys, "search", "nowhere") == []
    assert listed(capsys, "list", "--since", "2100-01-01") == []
    assert run(["archive", "diff", first, row["revision"], "--json"]) == 1
    changes = json.loads(capsys.readouterr().out)
    assert changes[0] == {
        "where": "outputs[0].gain_db", "label": "Sub, gain", "from": -3.0, "to": -2.0, "unit": "dB",
    }  # fmt: skip
    assert run(["archive", "diff", row["revision"], str(hall)]) == 0
    assert "no difference" in capsys.readouterr().out
    back = tmp_path / "back.json"
    assert run(["archive", "restore", first[:20], "-o", str(back)]) == 0
    assert load(back).based_on == first
    assert run(["archive", "restore", first, "-o", str(back)]) == 2
    assert run(["archive", "show", row["revision"]]) == 0
    assert "Sub, gain: −3 → −2 dB" in capsys.readouterr().out


def test_a_sheet_of_what_changed_since_a_revision(hall, capsys):
    run(["archive", "save", str(hall)])
    first = load(hall).based_on
    louder(hall)
    capsys.readouterr()
    assert run(["sheet", str(hall), "--since", first[:22]]) == 0
    text = capsys.readouterr().out
    assert "Sub: Gain" in text
    assert "was −3.0 dB" in text


def test_forks_are_told(hall, capsys, tmp_path):
    run(["archive", "save", str(hall)])
    other = tmp_path / "other.json"
    shutil.copy(hall, other)
    louder(hall)
    run(["archive", "save", str(hall)])
    text = other.read_text()
    other.write_text(text.replace('"delay_ms": 1.55', '"delay_ms": 2.55'))
    capsys.readouterr()
    assert run(["archive", "save", str(other)]) == 0
    assert "2 heads" in capsys.readouterr().err
    assert [row["heads"] for row in listed(capsys, "list")] == [2, 2]
    assert run(["archive", "check"]) == 0


def test_bundles(hall, capsys, tmp_path):
    run(["archive", "save", str(hall)])
    target = str(tmp_path / "hall.zip")
    assert run(["archive", "export", "Harbour Hall", "-o", target]) == 0
    assert run(["archive", "export", "-o", target]) == 2
    elsewhere = str(tmp_path / "elsewhere")
    assert run(["archive", "import", target, "--archive", elsewhere]) == 0
    assert "1 revisions are new here" in capsys.readouterr().out
    assert len(listed(capsys, "list", "--archive", elsewhere)) == 1


def test_what_cannot_be_written_back_is_said(hall, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert run(["archive", "save", "presets/lantern-cafe.json"]) == 0
    assert "the revision stands" in capsys.readouterr().err
    assert len(listed(capsys, "list")) == 1


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["show", "zz"], "there is no revision"),
        (["list", "--since", "yesterday"], "write a date like"),
        (["import", "nowhere.zip"], "there is no such file"),
        (["export", "-o", "x.zip"], "the archive is empty"),
        (["save", "nowhere.json"], "there is no such file"),
    ],
)
def test_bad_input(hall, words, sentence, capsys):
    assert run(["archive", *words]) == 2
    assert sentence in capsys.readouterr().err


def test_escape_codes_never_reach_the_terminal(hall, capsys):
    note = "a\x1b[31mred\x1b]0;title\x07"
    assert run(["archive", "save", str(hall), "--note", note]) == 2
    assert "\x1b" not in capsys.readouterr().err
    assert run(["archive", "save", str(hall), "--note", "plain"]) == 0
    (path,) = (hall.parent / "archive").rglob("*.json")
    data = path.read_bytes().replace(b'"plain"', json.dumps(note).encode())
    path.unlink()  # somebody else's file, whose note we would not have saved
    path.with_name(f"{id_of(data, json.loads(data)['time'])}.json").write_bytes(data)
    capsys.readouterr()
    for words in (["list"], ["list", "--all"], ["search", "red"]):
        run(["archive", *words])
        assert "\x1b" not in capsys.readouterr().out
    (row,) = listed(capsys, "list")
    run(["archive", "show", row["revision"]])
    assert "\x1b" not in capsys.readouterr().out


def test_an_old_name_says_under_which_it_went_on(hall, capsys):
    run(["archive", "save", str(hall)])
    text = hall.read_text()
    hall.write_text(text.replace('"title": "', '"title": "Winter, ', 1))
    run(["archive", "save", str(hall)])
    capsys.readouterr()
    run(["archive", "list"])
    lines = capsys.readouterr().out.splitlines()
    assert "Winter, " in lines[0]
    assert lines[-1].strip().startswith("went on as ")
    assert "Winter, " in lines[-1]
    assert len(lines) == 5


def test_a_place_that_is_no_archive_is_no_sound_one(hall, capsys, tmp_path):
    for words in (["list"], ["check"], ["search", "hall"], ["save", str(hall)]):
        assert run(["archive", *words, "--archive", str(hall)]) == 2
        assert "is no folder, so it is no archive" in capsys.readouterr().err
    assert run(["archive", "check", "--archive", str(tmp_path / "typo")]) == 2
    assert "there is no archive at" in capsys.readouterr().err
    assert run(["archive", "list", "--archive", str(tmp_path / "typo")]) == 0
    assert not (tmp_path / "typo").exists()


def test_what_only_earlier_revisions_hold_is_told(hall, capsys):
    run(["archive", "save", str(hall), "--note", "with the borrowed wedges"])
    louder(hall)
    run(["archive", "save", str(hall)])
    capsys.readouterr()
    assert run(["archive", "search", "wedges"]) == 0
    said = capsys.readouterr()
    assert said.out == "nothing found\n"
    assert "1 earlier revision is; --all shows them" in said.err
    assert listed(capsys, "search", "wedges") == []
    assert len(listed(capsys, "search", "wedges", "--all")) == 1


def test_what_is_read_fits_80_columns(hall, capsys):
    run(["archive", "save", str(hall), "--note", "a long note of what was done " * 8])
    louder(hall)
    run(["archive", "save", str(hall)])
    (first,) = [row["parent"] for row in listed(capsys, "list")]
    (last,) = [row["revision"] for row in listed(capsys, "list")]
    for words in (["list", "--all"], ["diff", first, str(hall)], ["show", last]):
        run(["archive", *words])
        assert max(map(len, capsys.readouterr().out.splitlines())) <= 80
    (spoilt,) = (hall.parent / "archive").rglob(f"{first}.json")
    spoilt.write_bytes(spoilt.read_bytes()[:-9])
    assert run(["archive", "show", last]) == 0
    assert "what it changed cannot be told" in capsys.readouterr().err
    run(["archive", "check"])
    assert spoilt.name in capsys.readouterr().out, "a file's name is never broken"
