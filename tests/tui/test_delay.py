"""Delays by distance in a dialog: against the engine's own figures, and c of ISO 9613-1."""

from __future__ import annotations

import pytest
from textual.pilot import Pilot

import xover
from tests.tui.desk import Desk, at_desk
from tests.tui.hosting import UNANSWERED, Host, run, until
from xover.design.distance import delay_by_distance
from xover.model.changes import with_output
from xover.model.drive import drive_of
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.sheets.cells import width_of
from xover.tui.dialogs.delay import (
    DelayDialog,
    Delayed,
    DelayRequest,
    answer_lines,
    read_lift_db,
    read_offset_ms,
    worked_out,
)
from xover.tui.field import Field


def hall() -> Preset:
    return with_output(xover.load(xover.default_example()), "Delay L", delay_ms=0.0)


def dialog() -> DelayDialog:
    preset = hall()
    return DelayDialog(preset, drive_of(preset), move=("Delay L",), to="Top L", listener="Row 24")


def put(app: Host, name: str, text: str) -> None:
    app.screen.query_one(f"#{name}", Field).value = text


def test_what_is_worked_out_is_what_the_engine_says() -> None:
    async def steps(app: Host, pilot: Pilot[None]) -> None:
        put(app, "offset", "10 ms")
        put(app, "then", "15")
        put(app, "lift", "3")
        await pilot.press("ctrl+g")
        await until(pilot, lambda: app.held.found is not None)
        await pilot.pause()
        assert "Delay L to Top L at Row 24" in app.text()
        assert "lifts Row 24 by 3.0 dB" in " ".join(app.text().split())
        await pilot.press("ctrl+g")
        await until(pilot, lambda: app.answer is not UNANSWERED)

    answer = run(dialog, steps, size=(100, 40)).answer
    assert isinstance(answer, Delayed)
    own = delay_by_distance(
        hall(), move=["Delay L"], to="Top L", listener="Row 24", offset_ms=10.0,
        show_temperature_c=15.0, lift_db=3.0,
    )  # fmt: skip
    assert answer.after.output("Delay L").delay_ms == own.settings["Delay L"].delay_ms
    assert answer.after.output("Delay L").gain_db == own.gains_db["Delay L"]
    assert answer.name == "delay Delay L to Top L"
    # 26.28 m less 11.91 m at 22.5 °C, and 10 ms: the shipped hall reads 51.70 ms.
    assert answer.after.output("Delay L").delay_ms == pytest.approx(51.70, abs=0.01)


def test_set_for_show_time_and_measured_ways() -> None:
    preset = hall()
    request = DelayRequest(
        ("Delay L",), "Top L", "Row 24", drive_of(preset),
        measured=(("Top L", "Row 24", 30.0), ("Delay L", "Row 24", 13.0)),
        show_temperature_c=20.0, set_for="show",
    )  # fmt: skip
    found = worked_out(preset, request)
    expected = 17.0 / 343.2 * 1e3  # at 20 °C
    assert found.after.output("Delay L").delay_ms == pytest.approx(expected, abs=1e-4)
    lines = answer_lines(found, 60)
    assert max(width_of(one.plain) for one in lines) <= 60
    assert "(measured)" in " ".join(one.plain for one in lines)


def test_what_is_missing_or_no_figure_is_said() -> None:
    async def steps(app: Host, pilot: Pilot[None]) -> None:
        for name, text, words in (
            ("offset", "soon", "“soon” is no time"),
            ("then", "warm", "is no temperature"),
            ("lift", "loud", "is not a gain"),
            ("lift", "-3", "the lift must be above 0"),
            ("measured", "Delay L=3", "write OUTPUT=LISTENER=LENGTH"),
        ):
            field = app.screen.query_one(f"#{name}", Field)
            before, field.value = field.value, text
            await pilot.press("ctrl+g")
            await until(pilot, lambda words=words: words in " ".join(app.text().split()))
            field.value = before
        await pilot.press("escape")
        await until(pilot, lambda: app.answer is None)

    run(dialog, steps, size=(100, 30))


def test_figures_as_people_type_them() -> None:
    assert read_offset_ms("−3,5 ms") == -3.5
    assert read_offset_ms("") == 0.0
    assert read_lift_db(" ") is None
    assert read_lift_db("3 dB") == 3.0
    for text in ("nan", "1e9"):
        with pytest.raises(Refused):
            read_offset_ms(text)


@pytest.mark.parametrize("size", [(60, 16)])
def test_it_fits_the_screen(size: tuple[int, int]) -> None:
    async def steps(app: Host, pilot: Pilot[None]) -> None:
        assert "Delay by distance" in app.text()
        await pilot.press("ctrl+g")
        await until(pilot, lambda: app.held.found is not None)
        await pilot.pause()
        assert "Apply" in app.text()
        await pilot.press("escape")
        assert app.held.found is None
        assert app.answer is UNANSWERED

    run(dialog, steps, size=size)


def test_in_the_workbench_it_is_one_step() -> None:
    async def steps(desk: Desk) -> None:
        await desk.go("Delay L", "delay")
        await desk.keys("f12")
        await desk.dialog(DelayDialog)
        opened = desk.app.screen
        opened.query_one("#to").choose(["Top L"])  # type: ignore[attr-defined]
        opened.query_one("#at").choose(["Row 16"])  # type: ignore[attr-defined]
        await desk.keys("ctrl+g")
        await desk.until(lambda: opened.found is not None)  # type: ignore[attr-defined]
        await desk.keys("ctrl+g")
        await desk.until(lambda: desk.app.screen is not opened)
        session = desk.app.session
        assert session is not None
        assert session.next_undo == "delay Delay L to Top L"
        preset = xover.load(xover.default_example())
        own = delay_by_distance(preset, move=["Delay L"], to="Top L", listener="Row 16")
        assert desk.value("Delay L", "delay") == own.settings["Delay L"].delay_ms
        assert desk.value("Delay R", "delay") == own.settings["Delay R"].delay_ms  # its group
        assert "^Z takes it back" in desk.readout
        await desk.keys("ctrl+z")
        assert desk.value("Delay L", "delay") == preset.output("Delay L").delay_ms

    at_desk(steps, size=(100, 34))
