"""Every key and action of the workbench: each does something, is told, and harms nothing."""

from __future__ import annotations

import random
from collections import Counter
from pathlib import Path

import pytest
from msgspec.structs import replace

import xover
from tests.tui.desk import Desk, at_desk
from xover.files.preset_json import dumps
from xover.model import rules
from xover.model.changes import rename_listed
from xover.sheets.cells import width_of
from xover.tui.actions import ACTIONS, BY_ID, CURVE_KEYS, bindings, footer_text, help_lines
from xover.tui.app import Workbench
from xover.tui.dialogs.find import FindDialog, found
from xover.tui.dialogs.help import HelpDialog
from xover.tui.plot import CurvePlot
from xover.tui.reflow import Reflowed
from xover.tui.sheet import SHEET_KEYS


class TestTheTable:
    def test_no_two_actions_share_a_key_or_a_name(self) -> None:
        keys = [key for action in ACTIONS for key in action.keys.split(",") if key]
        assert [key for key, count in Counter(keys).items() if count > 1] == []
        assert len(BY_ID) == len(ACTIONS)
        assert len({action.label for action in ACTIONS}) == len(ACTIONS)
        assert len({action.shown for action in ACTIONS}) == len(ACTIONS)

    def test_every_action_has_its_method(self) -> None:
        for action in ACTIONS:
            assert callable(getattr(Workbench, f"do_{action.id}"))
        made = {binding.action for binding in bindings()}
        assert made == {f"do('{action.id}')" for action in ACTIONS if action.keys}

    def test_keys_are_control_or_function_keys_and_shown_as_they_are(self) -> None:
        """So that every printing character can be typed over a cell."""
        for action in ACTIONS:
            key = action.keys.split(",")[0]
            if key.startswith("ctrl+"):
                assert action.shown == f"^{key[-1].upper()}"
            elif key.startswith("f"):
                assert action.shown == key.upper()
            elif not key:
                assert action.shown == f"/ {action.label}"
            else:
                assert (key, action.shown) in (("question_mark", "?"), ("slash", "/"))

    @pytest.mark.parametrize("width", range(1, 200, 3))
    def test_the_footer_cuts_no_word(self, width: int) -> None:
        text = footer_text(width)
        assert width_of(text) <= max(width, len(" ? help"))
        assert text.endswith("? help")
        words = {f"{action.shown} {action.label}" for action in ACTIONS}
        assert set(text.strip().split("   ")) <= words

    def test_help_and_labels_are_plain_words(self) -> None:
        for action in ACTIONS:
            assert action.help[0].isupper()
            assert not action.help.endswith(".")
            assert action.help.isprintable()
            assert len(action.help) <= 56

    def test_help_tells_every_key(self) -> None:
        lines = [line for _, found in help_lines() for line in found]
        for action in ACTIONS:
            assert (action.shown, action.help) in lines
        for key in SHEET_KEYS:
            assert (key.shown, key.help) in lines
        told = " ".join(key for key, _ in CURVE_KEYS).split()
        said = {"left": "←", "right": "→", "up": "↑", "down": "↓", "home": "Home",
                "left_square_bracket": "[", "right_square_bracket": "]"}  # fmt: skip
        bound = {str(binding.key).split(",")[0] for binding in CurvePlot.BINDINGS}
        assert {key for key in bound if not key.startswith("shift+")} - {"escape"} == set(said)
        assert sorted(told) == sorted(said.values())


def test_help_shows_every_action_and_what_the_cell_takes() -> None:
    async def steps(desk: Desk) -> None:
        await desk.keys("?")
        dialog = await desk.dialog(HelpDialog)
        text = dialog.query_one(Reflowed).text()
        flat = " ".join(text.split())
        for action in ACTIONS:
            assert " ".join(action.help.split()) in flat
        assert "type 3.5, 1.2 m, 4 ft" in flat
        await desk.type("undo")  # narrowed by words of the heading, the key or the help
        await desk.keys("escape")
        await desk.until(lambda: len(desk.app.screen_stack) == 1 and desk.grid.has_focus)

    at_desk(steps)


def test_actions_are_found_by_their_words() -> None:
    for action in ACTIONS:
        assert found(ACTIONS, action.help)[0] is action
        assert not action.keys or found(ACTIONS, action.shown)[0] is action
        assert found(ACTIONS, action.label.upper())[0] is action
    assert [each.id for each in found(ACTIONS, "mute")] == ["mute"]
    assert found(ACTIONS, "no such thing") == ()
    assert found(ACTIONS, "  ") == ACTIONS

    async def steps(desk: Desk) -> None:
        await desk.keys("/")
        dialog = await desk.dialog(FindDialog)
        assert {each.id for each in dialog.found} == {*BY_ID} - {"palette"}
        assert "Search" not in desk.text()
        await desk.type("xyz", "enter")
        await desk.until(lambda: "nothing is called that" in desk.text())
        await desk.keys("ctrl+u")
        await desk.type("undo", "down", "up", "pagedown", "enter")
        assert "nothing to undo" in desk.readout
        await desk.keys("ctrl+p")
        await desk.dialog(FindDialog)
        await desk.type("mute")
        assert "^K" in desk.text()
        await desk.keys("enter", "enter")  # once is enough
        await desk.until(lambda: desk.preset.output("Sub").muted)
        assert len(desk.app.screen_stack) == 1

    at_desk(steps)


def test_every_action_on_a_fresh_app(hall_path: str) -> None:
    async def steps(desk: Desk) -> None:
        app = desk.app
        for action in ACTIONS:
            if action.id == "quit":
                continue
            before = desk.preset
            await desk.keys(action.keys.split(",")[0])
            await desk.drawn()
            for _ in range(4):
                if len(app.screen_stack) > 1:
                    await desk.keys("escape")
                    await desk.pilot.pause()
            assert len(app.screen_stack) == 1, action.id
            if action.id not in ("mute", "undo", "redo"):
                assert desk.preset == before, action.id
        await desk.keys("ctrl+q")
        await desk.until(lambda: not app.is_running or len(app.screen_stack) > 1)

    at_desk(steps, hall_path)


def test_nothing_happens_before_a_preset_is_open(tmp_path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    broken = tmp_path / "broken.json"
    broken.write_text("{")

    async def steps(desk: Desk) -> None:
        app = desk.app
        assert app.session is None
        assert "nothing is open" in desk.title
        assert "broken.json" in desk.readout
        await desk.until(lambda: "broken.json" in desk.text())
        await desk.keys("escape")
        for action in ACTIONS:
            if action.id in ("quit", "open", "palette"):
                continue
            await desk.keys(action.keys.split(",")[0])
            await desk.keys("escape")
        await desk.keys("a", "enter", "]", "ctrl+c")
        assert app.session is None
        assert app.is_running

    at_desk(steps, "broken.json")


def test_themes_and_screens_without_colour(monkeypatch: pytest.MonkeyPatch) -> None:
    async def dark_and_light(desk: Desk) -> None:
        await desk.drawn()
        await desk.until(lambda: "Top L" in desk.text() and "High-pass" in desk.text())
        before = desk.text()
        colours = _colours(desk)
        assert desk.app.current_theme.dark
        await desk.keys("f9")
        await desk.drawn()
        await desk.pilot.pause()
        assert not desk.app.current_theme.dark
        assert desk.text() == before
        assert _colours(desk) != colours
        await desk.keys("f9")
        assert desk.app.current_theme.dark

    at_desk(dark_and_light)
    monkeypatch.setenv("NO_COLOR", "1")

    async def plain(desk: Desk) -> None:
        await desk.drawn()
        await desk.pilot.pause()
        assert all(red == green == blue for red, green, blue in _colours(desk))
        for label in ("sum", "Sub", "Top L", "Delay L"):
            assert label in desk.text()

    at_desk(plain)


def _colours(desk: Desk) -> set[tuple[int, int, int]]:
    found = set()
    for strip in desk.app.screen._compositor.render_strips():
        for piece in strip:
            colour = piece.style.color if piece.style else None
            if colour is not None and not colour.is_default:
                found.add(tuple(colour.get_truecolor()))
    return found


def test_mouse(hall_path: str) -> None:
    async def steps(desk: Desk) -> None:
        await desk.drawn()
        grid, plot = desk.grid, desk.app.plot
        y = 1 + grid._view.row_numbers["gain"] - grid._top_row
        span = next(
            each for each in grid._plan.spans if grid._view.columns[each.column].name == "Top L"
        )
        await desk.pilot.click(grid, offset=(span.x + 2, y))
        assert grid.cursor == desk.cell("Top L", "gain")
        assert desk.readout.startswith("Top L, gain")
        await desk.pilot.click(plot, offset=(30, 4))
        assert plot.has_focus
        assert plot.cursor_hz is not None
        assert 20.0 < plot.cursor_hz < 20_000.0
        await desk.keys("escape")
        assert plot.cursor_hz is None
        await desk.keys("f8")
        assert not plot.has_focus

    at_desk(steps, hall_path)


def test_curves_by_keys(hall_path: str) -> None:
    async def steps(desk: Desk) -> None:
        plot = desk.app.plot
        plot.focus()
        await desk.settle()
        await desk.keys("up", "up")
        assert plot.span.low_hz > 20.0
        assert plot.span.high_hz < 20_000.0
        await desk.keys("home")
        assert (plot.span.low_hz, plot.span.high_hz) == (20.0, 20_000.0)

    at_desk(steps, hall_path)


def test_sizes_down_to_nothing_and_back(hall_path: str) -> None:
    async def steps(desk: Desk) -> None:
        await desk.drawn()
        await desk.until(lambda: "Top L" in desk.text() and "High-pass" in desk.text())
        before = desk.text().split("\n")
        for width, height in ((1, 1), (200, 3), (3, 60), (40, 10), (1, 24), (80, 1), (160, 48)):
            await desk.pilot.resize_terminal(width, height)
            await desk.keys("down", "f3")
            await desk.settle()
            await desk.keys("f3", "up")
            await desk.settle()
        await desk.pilot.resize_terminal(80, 24)
        await desk.until(lambda: desk.app.size == (80, 24) and not desk.app.query("ArrivalsPane"))
        await desk.drawn()
        await desk.pilot.pause()
        await desk.until(lambda: len(desk.text().split("\n")) == 24 and "Route" in desk.text())
        after = desk.text().split("\n")
        assert after[0] == before[0]
        assert after[-11:-2] == before[-11:-2]
        assert after[-1] == before[-1]

    at_desk(steps, hall_path)


def test_what_is_whole_at_80_by_24() -> None:
    """Title, eight rows of magnitude, the axis to 20k, nine rows of sheet, footer."""

    async def steps(desk: Desk) -> None:
        await desk.drawn()
        await desk.pilot.pause()
        rows = desk.text().split("\n")
        assert rows[0].startswith(" Harbour Hall")
        axis = next(n for n, row in enumerate(rows) if "20k" in row)
        assert "20 " in rows[axis]
        assert sum("┤" in row or "│" in row for row in rows[1:axis]) >= 8
        labels = ("Route", "Gain", "Polarity", "Delay", "High-pass", "Low-pass", "EQ 1", "EQ 2")
        for label in labels:
            assert any(row.startswith(label) for row in rows[axis:])
        assert rows[-1].strip().endswith("? help")

    at_desk(steps)


def test_what_was_typed_is_in_what_is_saved_at_once(hall_path: str) -> None:
    """Keys that come in one burst, as a paste of a terminal or a macro sends them."""

    async def steps(desk: Desk) -> None:
        await desk.keys("9", "enter", "ctrl+s")
        await desk.until(lambda: desk.value("Sub", "delay") == 9.0)
        await desk.settle()
        assert desk.title.endswith(" saved")
        assert xover.load(hall_path).output("Sub").delay_ms == 9.0

    at_desk(steps, hall_path)


KEYS = (
    *(key for action in ACTIONS for key in action.keys.split(",") if action.id != "quit"),
    *"0123456789.-+'\"kqlrbwpsoin[]{}()<>,;:=§ßé漢",
    "space", "enter", "enter", "enter", "escape", "escape", "tab", "shift+tab", "backspace",
    "delete", "left", "right", "up", "down", "home", "end", "pageup", "pagedown", "ctrl+home",
    "ctrl+end", "shift+left", "shift+right", "ctrl+left", "ctrl+right", "ctrl+c", "ctrl+v",
    "ctrl+u", "ctrl+g", "f12", "ctrl+x", "insert",
)  # fmt: skip


@pytest.mark.parametrize("seed", [1])
def test_any_key_in_any_place(hall_path: str, tmp_path, monkeypatch, seed: int) -> None:
    """Five hundred keys: no crash, never an illegal preset, and undo leads back to the start."""
    monkeypatch.chdir(tmp_path)
    chance = random.Random(seed)

    async def steps(desk: Desk) -> None:
        app = desk.app
        pressed, judged = 0, desk.preset
        while pressed < 500 and app.is_running:
            burst = chance.choices(KEYS, k=chance.randint(1, 12))
            pressed += len(burst)
            await desk.keys(*burst)
            if desk.preset is not judged:
                judged = desk.preset
                assert not rules.faults(judged), app.session.next_undo
            if chance.random() < 0.3:
                await desk.keys(*["escape"] * 5)
        await desk.settle()
        assert app._exception is None
        assert not rules.faults(desk.preset)

    at_desk(steps, hall_path)


def test_hostile_names_stand_on_the_screen_as_they_are(hall_path: str) -> None:
    """Markup is no markup, marks that turn or erase the line are shown by their code."""
    evil = "[red]evil[/] \u202e$[@click=app.bell]"
    preset = xover.load(hall_path)
    named = replace(
        rename_listed(preset, "outputs", "Top L", evil), title="[b]title[/b]", notes="[u]notes[/u]"
    )
    named = replace(
        rename_listed(named, "listeners", "Row 8", "[i]there[/i]"),
        groups=(replace(preset.groups[0], name="[/]", outputs=(evil, "Top R")),),
    )
    Path(hall_path).write_bytes(dumps(named))

    async def steps(desk: Desk) -> None:
        await desk.drawn()
        await desk.until(lambda: "[red]evil[/]" in desk.text())
        assert desk.title.startswith("[b]title[/b]")
        assert "at [i]there[/i]" in desk.text()
        for keys, seen in (
            ("f3", "[i]there[/i]"), ("f4", "Advice"), ("f5", "[u]notes[/u]"), ("f5", "[red]evil"),
            ("ctrl+a", "[red]evil"), ("ctrl+l", "[i]there"), ("ctrl+t", "Import"),
            ("ctrl+w", "Save"), ("f1", "Help"),
        ):  # fmt: skip
            await desk.keys(keys)
            await desk.until(lambda seen=seen: seen in desk.text())
            assert "\u202e" not in desk.text()
            if keys.startswith("ctrl") or keys == "f1":
                await desk.keys("escape")
                await desk.until(lambda: len(desk.app.screen_stack) == 1)
        await desk.enter(evil, "gain", "-2")
        assert desk.app.session.next_undo.startswith("[red]evil[/]")
        await desk.keys("ctrl+q")
        await desk.until(lambda: "[b]title[/b]" in desk.text())
        await desk.keys("escape")

    at_desk(steps, hall_path, size=(120, 40))


@pytest.mark.parametrize("name", ["hillside-chapel", "lantern-cafe"])
def test_the_other_examples_open(name: str) -> None:
    async def steps(desk: Desk) -> None:
        await desk.drawn()
        assert desk.app.plot.data.upper
        assert not desk.app.plot.data.problem
        assert desk.grid.cursor == desk.cell(desk.preset.outputs[0].name, "delay")

    at_desk(steps, f"presets/{name}.json")
