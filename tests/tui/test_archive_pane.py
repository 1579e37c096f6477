"""The archive's pane on the whole workbench: walk, search, compare, restore, keep.

How it behaves is what the workbench promises its users, and has no outside reference.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from msgspec.structs import replace
from textual.widgets import Button

import xover
from tests.tui.desk import Desk, at_desk
from tests.tui.hosting import Host, run
from xover.files import preset_json
from xover.files.archive.index import Row
from xover.model.changes import with_output
from xover.model.preset import Preset
from xover.session import archiving
from xover.tui.dialogs.ask import AskDialog
from xover.tui.dialogs.quit_guard import QuitGuard
from xover.tui.dialogs.save_as import SaveAsDialog
from xover.tui.panes.archive import ArchivePane
from xover.tui.panes.archive_view import compared, lines
from xover.tui.panes.walk import Item, Walk
from xover.tui.readout import cell_at

HOSTILE = "[b]evil[/b] \u202e"


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XOVER_ARCHIVE", str(tmp_path / "archive"))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.chdir(tmp_path)
    return tmp_path / "archive"


def keep(preset: Preset, note: str = "") -> Preset:
    kept = archiving.keep(preset, note, lambda done, total: None)
    archiving.refresh(lambda done, total: None)
    return replace(preset, based_on=kept.id)


def hall() -> Preset:
    return xover.load(xover.default_example())


def louder(preset: Preset, gain_db: float) -> Preset:
    return with_output(preset, "Sub", gain_db=gain_db)


@pytest.fixture
def forked(tmp_path: Path) -> str:
    """The hall with three revisions, two of them heads; the file is based on the first."""
    first = keep(hall(), "first night")
    keep(louder(first, -7.0), f"rain {HOSTILE}")
    keep(louder(first, -9.0), "full house")
    keep(replace(hall(), venue="Barn", title="Other"), "")
    preset_json.save(first, tmp_path / "hall.json", overwrite=False)
    return str(tmp_path / "hall.json")


async def shown(desk: Desk) -> ArchivePane:
    await desk.keys("ctrl+d")
    await desk.until(lambda: desk.app.query(ArchivePane))
    pane = desk.app.query_one(ArchivePane)
    await desk.until(lambda: pane.stock is not None and not pane.is_pending)
    return pane


def texts(pane: ArchivePane) -> list[str]:
    return [item.text.strip() for item in pane.query_one(Walk).items]


async def on_note(desk: Desk, pane: ArchivePane, note: str) -> None:
    """The cursor on the revision with that note, by keys."""
    walk = pane.query_one(Walk)
    await desk.keys("home")
    at = next(k for k, item in enumerate(walk.items) if note in item.text)
    await desk.keys(*["down"] * at)


async def compare(desk: Desk, pane: ArchivePane, note: str) -> None:
    await on_note(desk, pane, note)
    await desk.keys("enter")
    await desk.until(lambda: pane.compared is not None and not pane.is_pending)


def test_the_list_opens_at_the_preset_and_is_walked_by_keys(forked: str) -> None:
    async def steps(desk: Desk) -> None:
        pane = await shown(desk)
        walk = pane.query_one(Walk)
        assert walk.current == ("preset", archiving.key(hall().venue, hall().title))
        lines = texts(pane)
        assert lines[0] == "▾ Barn   1 preset"
        assert "fork: 2 heads" in lines[3]
        assert sum("   head" in line for line in lines) == 2
        assert any("opened here" in line and "first night" in line for line in lines)
        await desk.keys("left")
        assert not any("first night" in line for line in texts(pane))
        await desk.keys("left", "left")
        assert walk.current == ("venue", archiving.key(hall().venue, "")[0])
        assert len(texts(pane)) == 3
        await desk.keys("right", "down", "right")
        await desk.until(lambda: any("first night" in line for line in texts(pane)))
        # Names from files are shown literally, and nothing is wider than the screen.
        await desk.until(lambda: "[b]evil[/b]" in desk.text())
        assert "\u202e" not in desk.text()

    at_desk(steps, forked)


def test_letters_search_wherever_the_cursor_is(forked: str) -> None:
    async def steps(desk: Desk) -> None:
        pane = await shown(desk)
        await desk.type("full hou")
        await desk.until(lambda: pane.stock is not None and pane.stock.presets == 1)
        assert texts(pane)[0].startswith("▾ Harbour Hall")
        await desk.until(lambda: "search full hou" in desk.text())
        await desk.type("x")
        await desk.until(lambda: "nothing has all these words" in desk.text())
        await desk.keys("escape")
        await desk.until(lambda: pane.stock is not None and pane.stock.presets == 2)
        await desk.paste("barn\nmore")
        await desk.until(lambda: pane.stock is not None and pane.stock.presets == 1)
        assert texts(pane)[0].startswith("▾ Barn")

    at_desk(steps, forked)


def test_a_revision_lights_up_where_it_differs_and_both_values_are_read(forked: str) -> None:
    async def steps(desk: Desk) -> None:
        pane = await shown(desk)
        await compare(desk, pane, "rain")
        assert pane.compared is not None
        now = desk.preset.output("Sub").gain_db
        now = f"{desk.preset.output('Sub').gain_db:g}".replace("-", "−")
        sentences = [one.sentence for one in pane.compared.differences]
        assert sentences == [f"Sub, gain: −7 → {now} dB"]
        view = desk.grid._view
        assert view is not None
        lit = [(column.name, row) for column in view.columns for row, cell in column.cells.items()
               if cell.changed]  # fmt: skip
        assert lit == [("Sub", "gain")]
        await desk.keys("enter")  # on the sentence: to the cell
        assert desk.grid.cursor == desk.cell("Sub", "gain")
        assert "in the revision −7.0" in desk.readout
        # An edit is compared anew.
        await desk.type("-7", "enter")
        await desk.until(lambda: pane.compared is not None and not pane.compared.differences)
        # Put away, the sheet shows what is unsaved again.
        await desk.keys("ctrl+d")
        await desk.until(lambda: not desk.app.query(ArchivePane))
        assert desk.app._compared is None
        await desk.keys("up", "down")
        assert "revision" not in desk.readout

    at_desk(steps, forked)


def test_restoring_is_one_step_and_says_where_it_comes_from(forked: str) -> None:
    async def steps(desk: Desk) -> None:
        before = desk.preset
        await desk.type("7", "enter")
        pane = await shown(desk)
        await compare(desk, pane, "full house")
        await desk.keys("ctrl+g")
        assert desk.preset.output("Sub").gain_db == -9.0
        assert desk.preset.based_on is not None
        assert desk.preset.based_on != before.based_on
        session = desk.app.session
        assert session is not None
        assert session.history[-1].name.endswith("full house")
        assert "restored" in desk.readout
        await desk.keys("ctrl+z")
        assert desk.value("Sub", "delay") == 7.0
        assert desk.preset.based_on == before.based_on
        await desk.keys("ctrl+s")

    at_desk(steps, forked)


def test_a_copy_is_a_file_of_its_own_and_opened(forked: str, tmp_path: Path) -> None:
    async def steps(desk: Desk) -> None:
        await desk.type("7", "enter")
        pane = await shown(desk)
        await compare(desk, pane, "full house")
        pane.query_one("#copy", Button).press()
        await desk.dialog(QuitGuard)  # unsaved work is asked about
        await desk.keys("escape")
        await desk.keys("ctrl+z")
        pane.query_one("#copy", Button).press()
        dialog = await desk.dialog(SaveAsDialog)
        dialog.query_one("#path").value = str(tmp_path / "copy.json")
        await desk.keys("enter")
        await desk.until(
            lambda: desk.app.session and str(desk.app.session.path).endswith("copy.json")
        )
        assert desk.preset.output("Sub").gain_db == -9.0
        assert preset_json.load(tmp_path / "copy.json").based_on == desk.preset.based_on

    at_desk(steps, forked)


def test_keeping_saves_first_asks_for_a_note_and_writes_based_on(forked: str) -> None:
    async def steps(desk: Desk) -> None:
        await desk.type("7", "enter")
        await desk.keys("ctrl+x")
        await desk.dialog(AskDialog)
        assert json.loads(Path(forked).read_text())["outputs"][0]["delay_ms"] == 7
        await desk.type("second night", "enter")
        await desk.until(lambda: "kept as" in desk.readout)
        session = desk.app.session
        assert session is not None
        assert session.steps_unsaved == 0
        assert "3 heads" in desk.readout
        rows = archiving.revisions(archiving.key(hall().venue, hall().title))
        (row,) = [row for row in rows if row.note == "second night"]
        assert json.loads(Path(forked).read_text())["based_on"] == row.id == desk.preset.based_on
        # The same again writes nothing, and says so.
        await desk.keys("ctrl+x")
        await desk.dialog(AskDialog)
        await desk.keys("enter")
        await desk.until(lambda: "nothing changed since" in desk.readout)
        assert len(archiving.revisions(archiving.key(hall().venue, hall().title))) == len(rows)

    at_desk(steps, forked)


def test_the_example_gets_a_name_first(tmp_path: Path) -> None:
    async def steps(desk: Desk) -> None:
        await desk.keys("ctrl+x")
        dialog = await desk.dialog(SaveAsDialog)
        dialog.query_one("#path").value = str(tmp_path / "mine.json")
        await desk.keys("enter")
        await desk.dialog(AskDialog)
        await desk.keys("enter")
        await desk.until(lambda: "kept as" in desk.readout)
        assert preset_json.load(tmp_path / "mine.json").based_on is not None

    at_desk(steps)


def test_what_cannot_be_is_said_in_one_sentence(hall_path: str, folder: Path) -> None:
    async def steps(desk: Desk) -> None:
        pane = await shown(desk)
        await desk.until(lambda: "there is no archive at" in desk.text())
        await desk.keys("escape", "ctrl+d")
        await desk.until(lambda: not desk.app.query(ArchivePane))
        folder.write_text("in the way")
        await desk.keys("ctrl+x")
        assert "is no folder" in desk.readout
        await desk.keys("slash")
        await desk.type("restore", "enter")
        assert "choose a revision first" in desk.readout
        assert pane is not None

    at_desk(steps, hall_path)


def test_damage_is_counted_and_not_opened(forked: str, folder: Path) -> None:
    (row,) = archiving.revisions(archiving.key("Barn", "Other"))
    path = folder / row.name
    path.write_bytes(path.read_bytes().replace(b"Other", b"Othen"))
    path.with_name("20200101T000000Z-0123456789abcdef.json").write_bytes(b"{")

    async def steps(desk: Desk) -> None:
        pane = await shown(desk)
        await desk.until(lambda: "1 file is damaged and left out" in desk.text())
        await desk.keys("home", "down", "enter")
        await desk.until(lambda: len(texts(pane)) == 8)
        await desk.keys("down", "enter")
        await desk.until(lambda: "is damaged" in desk.text())
        assert pane.revision is None

    at_desk(steps, forked, size=(100, 40))


def test_what_has_gone_leads_to_where_it_was() -> None:
    """Outputs stand in another order now; one has gone, and an EQ section of another."""
    before = hall()
    sub, top, *rest = before.outputs
    after = replace(
        before, outputs=(*rest[:-1], replace(top, eq=top.eq[:1]), sub),
        groups=(), sources=(), measurements=(), amplifier_channels=(),
    )  # fmt: skip
    row = archiving_row()
    found = compared(archiving.Revision(row, before), after).differences
    by_label = {one.label: one for one in found}
    (eq,) = [one for label, one in by_label.items() if label.startswith(f"{top.name}, EQ 2")]
    cell = cell_at(after, eq.where)
    assert cell is not None
    assert (cell.column, cell.row) == (top.name, ("eq", 1))
    (gone,) = [one for one in found if one.before == f"“{rest[-1].name}”" and one.after is None]
    assert gone.where == ""


def archiving_row(**changed: object) -> Row:
    row = Row("id", "a/b/c.json", "", "", None, "2026-11-25T17:13:00Z", "", "", 1, True, False)
    return row._replace(**changed)


def test_a_preset_that_came_from_another_and_went_on_says_so() -> None:
    key = ("venue", "title")
    titled = archiving.Titled(key, "Title", "2026-11-25T17:13:00Z", 1)
    stock = archiving.Stock("", (archiving.Venue("venue", "Venue", (titled,)),), (), "", 1)
    rows = [
        archiving_row(id="b", parent="a", goes_on=True, note="last"),
        archiving_row(id="a", parent="elsewhere", is_head=False),
    ]
    shown = [
        item.text.strip() for item in lines(stock, frozenset([("preset", key)]), {key: rows}, None)
    ]
    assert shown[2:] == [
        "2026-11-25 17:13   went on under another name   last",
        "2026-11-25 17:13   from another preset",
    ]


def test_ten_thousand_lines_cost_what_is_in_sight() -> None:
    """Only lines in sight are painted, at the end of a long list, too."""
    items = [Item(k, f"line {k}") for k in range(10_000)]
    painted: list[int] = []

    class Counting(Walk):
        def render_line(self, y: int) -> object:
            painted.append(y)
            return super().render_line(y)

    async def steps(app: Host, pilot: object) -> None:
        walk: Walk = app.held
        walk.show(items, at=5000)
        await pilot.pause()
        assert "line 5000" in app.text()
        painted.clear()
        await pilot.press("end", "pageup", "home", "pagedown", "down")
        assert walk.current == 24
        assert len(painted) <= 6 * 24

    run(lambda: Counting(asked=lambda how: None, typed=lambda letter: None), steps)
