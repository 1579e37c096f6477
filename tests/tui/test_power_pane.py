"""The pane of limiters and loads: figures of the engine, jumps, one step that can be taken back.

Thresholds by pocket calculator: V = √(P·Z), dBu re 0.7746 V (ITU-R BS.645-2).
"""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from textual.pilot import Pilot
from textual.widgets import Button, OptionList

import xover
from tests.design.rack import box, line_rack, output, rack, source
from tests.tui.desk import Desk
from tests.tui.hosting import Host, run, until
from tests.tui.test_panes import Opened
from xover.design.limits import apply_limits, limits
from xover.model.preset import Preset
from xover.model.processing import Limit, Limiter
from xover.sheets.cells import width_of
from xover.tui.app import Workbench
from xover.tui.panes.base import Pane
from xover.tui.panes.power import PowerPane
from xover.tui.panes.power_view import power_of
from xover.tui.readout import cell_at

HOT = Limiter(
    rms=Limit(threshold_dbu=8.27, attack_ms=50.0, release_ms=200.0),
    peak=Limit(threshold_dbu=5.0, attack_ms=0.5, release_ms=50.0),
)


def texts(preset: Preset) -> list[str]:
    return [entry.content.plain for entry in power_of(preset).entries]


def test_entries_tell_now_and_allowed() -> None:
    """400 W into 8 ohm are 56.57 V, 5.270 dBu at 32 dB; 8.27 are 3.0 dB too much."""
    found = texts(rack(outputs=(output(limiter=HOT),)))
    assert "Top, RMS limit  now +8.27 dBu, allowed +5.27 dBu 3.0 dB too high" in found[1]
    assert "56.57 V at the box, 50/200 ms, held by loudspeaker S" in found[1]
    assert "Top, peak limit  now +5.00 dBu, allowed +8.28 dBu (3.3 dB to spare)" in found[2]
    assert "load 6.40 ohm, may drive 4.00 ohm" in found[4]
    assert "available 1000 W" in found[4]


def test_cautions_and_taps_are_entries_with_places() -> None:
    preset = line_rack(source(loudspeaker="Ceiling", tap_w=10.0, quantity=20))
    power = power_of(preset)
    assert any("taps 200 W" in text for text in texts(preset))
    (caution,) = [one for one in power.entries if one.content.plain.startswith("caution")]
    assert "192 W at most" in caution.content.plain
    assert caution.where == "amplifier_channels[0]"
    cell = cell_at(preset, caution.where)
    assert cell is not None
    assert (cell.column, cell.row) == ("Top", "rms")


def test_what_would_change_is_counted() -> None:
    bare = rack()
    assert power_of(bare).changes == 2
    assert power_of(apply_limits(bare, limits(bare))).changes == 0
    # The shipped thresholds are rounded down to a tenth of a decibel: the same on the sheet.
    assert power_of(xover.load(xover.default_example())).changes == 0


def test_enter_jumps_and_apply_asks() -> None:
    async def steps(app: Host, pilot: Pilot[None]) -> None:
        pane: PowerPane = app.held
        pane.show(Opened(rack(outputs=(output(limiter=HOT),))))
        await until(pilot, lambda: pane.power is not None)
        await pilot.pause()
        app.set_focus(pane.query_one("#entries"))
        await pilot.press("down", "enter")
        await pilot.pause()
        (jump,) = app.of(Pane.JumpTo)
        assert jump.where == "outputs[0].limiter.peak"
        assert not pane.query_one("#apply", Button).disabled
        await pilot.press("tab", "enter")
        await pilot.pause()
        assert len(app.of(PowerPane.Apply)) == 1

    run(PowerPane, steps)


def test_the_highlight_stays_on_its_place() -> None:
    async def steps(app: Host, pilot: Pilot[None]) -> None:
        pane: PowerPane = app.held
        pane.show(Opened(rack()))
        await until(pilot, lambda: pane.power is not None)
        choices = pane.query_one("#entries", OptionList)
        choices.highlighted = 4
        pane.show(Opened(rack(sources=(source(quantity=2),))))
        await until(pilot, lambda: not pane.is_pending)
        assert choices.highlighted == 4
        assert pane.power is not None
        assert pane.power.entries[4].where == "amplifier_channels[0]"

    run(PowerPane, steps)


def test_hostile_names_show_as_themselves() -> None:
    hostile = "[b]evil[/b] \u202e"

    async def steps(app: Host, pilot: Pilot[None]) -> None:
        preset = rack(loudspeakers=(box(hostile),), sources=(source(hostile, loudspeaker=hostile),))
        app.held.show(Opened(preset))
        await until(pilot, lambda: app.held.power is not None)
        await pilot.pause()
        assert "[b]evil[/b] \\u202e" in app.text()
        assert "\u202e" not in app.text()

    run(PowerPane, steps)


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
def test_applied_in_the_workbench_as_one_step(size: tuple[int, int], tmp_path: Path) -> None:
    path = tmp_path / "rack.json"
    xover.save(rack(outputs=(output(limiter=HOT),)), path, overwrite=False)

    async def main() -> None:
        app = Workbench(str(path))
        async with app.run_test(size=size) as pilot:
            desk = Desk(app, pilot)
            await until(pilot, lambda: app.session is not None and app._grid is not None)
            await desk.settle()
            await desk.keys("f10")
            await until(pilot, lambda: any(pane.power is not None for pane in app.query(PowerPane)))
            await desk.settle()
            lines = desk.text().split("\n")
            assert all(width_of(line) <= size[0] for line in lines)
            assert "3.0 dB too high" in " ".join(desk.text().split())
            pane = app.query_one(PowerPane)
            app.set_focus(pane.query_one("#entries"))
            await desk.keys("enter")
            assert app.grid.cursor == desk.cell("Top", "rms")
            app.set_focus(pane.query_one("#apply"))
            await desk.keys("enter")
            limiter = desk.preset.outputs[0].limiter
            assert limiter is not None
            assert limiter.rms is not None
            assert limiter.rms.threshold_dbu == 5.27
            assert limiter.rms.attack_ms == 50.0
            assert "compare them with the data sheets" in desk.readout
            assert app.session is not None
            assert app.session.steps_unsaved == 1
            await desk.keys("ctrl+z")
            assert desk.preset.outputs[0].limiter == HOT
            app.session.close(keep_unsaved=False)

    asyncio.run(main())
