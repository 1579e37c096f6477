"""Outputs, inputs and listeners that come and go in the workbench, as steps to be taken back."""

from __future__ import annotations

from tests.tui.desk import Desk, at_desk
from xover.session.cells import Cell
from xover.tui.dialogs.ask import AskDialog
from xover.tui.dialogs.find import FindDialog


async def found(desk: Desk, words: str) -> None:
    """Choose an action of the palette by its words."""
    await desk.keys("slash")
    await desk.until(lambda: len(desk.app.screen_stack) == 2)
    await desk.type(words, "enter")
    await desk.until(lambda: len(desk.app.screen_stack) == 1 or named(desk))


def named(desk: Desk) -> bool:
    return isinstance(desk.app.screen, AskDialog)


def test_an_output_comes_and_goes(hall_path: str) -> None:
    async def steps(desk: Desk) -> None:
        before = desk.preset
        await desk.go("Top L", "delay")
        await found(desk, "add input output")
        await desk.dialog(AskDialog)
        await desk.keys("enter")
        await desk.until(lambda: len(desk.app.screen_stack) == 1)
        assert [item.name for item in desk.preset.outputs][1:3] == ["Top L", "Top L 2"]
        await desk.go("Top L 2", "delay")
        await desk.type("7", "enter")
        assert desk.preset.output("Top L 2").delay_ms == 7.0
        assert desk.preset.output("Top R").delay_ms == before.output("Top R").delay_ms

        await desk.go("Sub", "delay")
        await found(desk, "take out input output")
        await desk.until(lambda: "Sub" not in [item.name for item in desk.preset.outputs])
        assert "taken out; ^Z brings it back" in desk.readout
        assert "3 captures" in desk.readout
        await desk.drawn()
        assert "Sub" not in [each.label for each in desk.app.plot.data.upper]
        await desk.keys("ctrl+z", "ctrl+z", "ctrl+z")
        assert desk.preset == before
        await desk.go("Sub", "delay")
        assert desk.grid.cursor == Cell("Sub", "delay")

    at_desk(steps, hall_path)


def test_an_output_comes_with_boxes_that_are_then_moved(hall_path: str) -> None:
    async def steps(desk: Desk) -> None:
        before = desk.preset
        await desk.go("Top L", "delay")
        await found(desk, "add with boxes")
        await desk.dialog(AskDialog)
        await desk.keys("ctrl+u")
        await desk.type("Fill", "enter")
        await desk.until(lambda: len(desk.app.screen_stack) == 1)
        (source,) = [one for one in desk.preset.sources if one.output == "Fill"]
        assert source.loudspeaker == next(
            one.loudspeaker for one in before.sources if one.output == "Top L"
        )
        await desk.drawn()
        await desk.keys("ctrl+z")
        assert desk.preset == before
        await desk.go(before.inputs[0].name, "gain", "input")
        await found(desk, "add with boxes")
        assert "put the cursor on an output" in desk.readout

    at_desk(steps, hall_path)


def test_what_the_arrows_chose_is_what_enter_does(hall_path: str) -> None:
    async def steps(desk: Desk) -> None:
        await desk.go("Top L", "delay")
        await desk.keys("slash")
        dialog = await desk.dialog(FindDialog)
        await desk.type("add")
        await desk.until(lambda: [one.id for one in dialog.found][:2] == ["add", "add_with_boxes"])
        assert "add with boxes  Add" in desk.text()
        await desk.keys("down", "enter")
        await desk.dialog(AskDialog)
        await desk.keys("enter")
        await desk.until(lambda: len(desk.app.screen_stack) == 1)
        assert any(one.output == "Top L 2" for one in desk.preset.sources)

    at_desk(steps, hall_path)


def test_a_listener_comes_and_goes(hall_path: str) -> None:
    async def steps(desk: Desk) -> None:
        before = desk.preset
        at = desk.app.listening.listener
        await found(desk, "add listener")
        await desk.dialog(AskDialog)
        await desk.keys("ctrl+u")
        await desk.type("Desk", "enter")
        await desk.until(lambda: len(desk.app.screen_stack) == 1)
        assert "Desk" in [item.name for item in desk.preset.listeners]
        await found(desk, "take out listener")
        await desk.until(lambda: at not in [item.name for item in desk.preset.listeners])
        await desk.drawn()
        assert desk.app.listening.listener != at
        await desk.keys("ctrl+z", "ctrl+z")
        assert desk.preset == before

    at_desk(steps, hall_path)
