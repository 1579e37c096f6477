"""Curves of the workbench under zoom, pan and edits: how fine they are, and what stays put.

Curves are held against `Viewer` on the frequencies of the window, whose own tests have sources.
"""

from __future__ import annotations

import numpy as np
import pytest
from msgspec.structs import replace

from tests.tui.desk import Desk, at_desk
from xover.session.views import POINTS, Request, Viewer
from xover.sheets.palette import UNSURE
from xover.tui.dialogs.align import AlignDialog
from xover.tui.dialogs.ask import AskDialog
from xover.tui.plot_content import values_at


def within(desk: Desk, label: str = "sum") -> np.ndarray:
    """The frequencies of a curve that lie in what is looked at."""
    curve, span = desk.curve(label), desk.app.plot.span
    frequency_hz = curve.frequency_hz
    return frequency_hz[(frequency_hz >= span.low_hz * 0.999) & (frequency_hz <= span.high_hz)]


def test_a_closer_look_is_computed_anew() -> None:
    async def steps(desk: Desk) -> None:
        plot = desk.app.plot
        assert desk.curve("sum").frequency_hz.size == POINTS
        await desk.keys("f8")
        await desk.keys(*["up"] * 6)
        await desk.drawn()
        span, columns = plot.span, plot.scene.drawing.columns
        assert span.high_hz / span.low_hz < 5.0
        assert abs(within(desk).size - 4 * columns) <= 4
        # the same values as a viewer finds that never saw another window
        preset, heard = desk.preset, desk.app.listening.listener
        points = within(desk).size
        ask = Request(
            listener=heard, sum=True, points=points, low_hz=span.low_hz, high_hz=span.high_hz
        )
        expected = Viewer().view(preset, ask).curve("sum", heard).magnitude_db
        shown = desk.curve("sum")
        inside = np.isin(shown.frequency_hz, within(desk))
        assert np.allclose(shown.values[inside][-points:], expected, atol=1e-9)
        # an edit keeps the window, home gives the whole axis again
        await desk.keys("f8")
        await desk.enter("Top L", "gain", "-6")
        await desk.drawn()
        assert abs(within(desk).size - 4 * columns) <= 4
        plot.home()
        await desk.drawn()
        assert desk.curve("sum").frequency_hz.size == POINTS

    at_desk(steps)


def test_one_may_look_up_to_half_the_sample_rate() -> None:
    async def steps(desk: Desk) -> None:
        assert desk.app.plot.data.limit_hz == pytest.approx(0.49 * 48_000.0)
        await desk.keys("f8")
        await desk.keys(*["]"] * 12)
        await desk.drawn()
        assert desk.app.plot.span.high_hz == pytest.approx(23_520.0)
        assert desk.curve("sum").frequency_hz[-1] == pytest.approx(23_520.0)

    at_desk(steps)


def test_a_slow_window_is_computed_beside_the_screen(monkeypatch: pytest.MonkeyPatch) -> None:
    async def steps(desk: Desk) -> None:
        app, plot = desk.app, desk.app.plot
        app._slow_window = True
        asked: list[Request] = []
        real = app.viewer.view

        def view(preset, request):  # type: ignore[no-untyped-def]
            asked.append(request)
            return real(preset, request)

        monkeypatch.setattr(app.viewer, "view", view)
        await desk.keys("f8")
        before = desk.curve("sum")
        for _ in range(8):
            plot.zoom_in()
        assert desk.curve("sum") is before
        await desk.until(lambda: asked and asked[-1].window == plot.window() and not plot.pending)
        assert len(asked) < 8, "windows passed through are left out"

    at_desk(steps)


def test_the_flight_stays_through_edits_and_can_be_chosen() -> None:
    async def steps(desk: Desk) -> None:
        app = desk.app
        first = app.flight_ms()
        assert f"phase less {first:.2f} ms" in app.plot.data.title
        await desk.enter("Top L", "delay", "40")
        await desk.drawn()
        assert app.flight_ms() == first
        await desk.keys("ctrl+f")
        dialog = await desk.dialog(AskDialog)
        await desk.keys("ctrl+u", *"nonsense", "enter")
        assert "not a delay" in str(dialog.query_one("#problem").render())
        await desk.keys("ctrl+u", *"12.5", "enter")
        await desk.drawn()
        assert app.flight_ms() == 12.5
        assert "phase less 12.50 ms" in app.plot.data.title
        await desk.enter("Top L", "delay", "41")
        await desk.drawn()
        assert app.flight_ms() == 12.5
        await desk.keys("ctrl+f")
        await desk.keys("ctrl+u", *"fit", "enter")
        await desk.drawn()
        assert app.flight_ms() > first + 20.0  # the tops are the loud top, and they came later

    at_desk(steps, size=(120, 40))


def test_electrical_responses_keep_their_delay() -> None:
    async def steps(desk: Desk) -> None:
        await desk.keys("f7", "f7")
        assert desk.app.heard is None
        assert desk.app.flight_ms() == 0.0
        assert "less" not in desk.app.plot.data.title
        await desk.keys("ctrl+f")
        await desk.keys("ctrl+u", *"3.42", "enter")
        assert "phase less 3.42 ms" in desk.app.plot.data.title

    at_desk(steps)


def test_the_aligned_sum_reads_degrees_and_ms() -> None:
    async def steps(desk: Desk) -> None:
        await desk.keys("f8")
        await desk.keys("right")
        await desk.drawn()
        await desk.keys("f8")
        await desk.go("Sub", "delay")
        await desk.keys("ctrl+a")
        dialog = await desk.dialog(AlignDialog)
        await desk.keys("ctrl+g")
        await desk.until(lambda: dialog.found is not None)
        await desk.until(lambda: desk.app.plot.data.readings[-1].label == "sum aligned")
        data = desk.app.plot.data
        at_hz = float(data.upper[-1].frequency_hz[120])
        aligned = values_at(data.readings[-1], at_hz)
        after, heard = dialog.found.chosen.after, desk.app.heard
        ask = Request(listener=heard, sum=True, group_delay=True)
        curve = Viewer().view(after, ask).curve("sum", heard)
        less_deg = curve.phase_deg[120] + 0.36 * at_hz * desk.app.flight_ms()
        assert aligned.phase_deg == pytest.approx((less_deg + 180.0) % 360.0 - 180.0, abs=1e-6)
        assert aligned.delay_ms == pytest.approx(float(curve.group_delay_ms[120]), abs=1e-6)
        assert data.lower[-1].label == "sum aligned"

    at_desk(steps, size=(120, 40))


def test_a_capture_is_grey_where_its_coherence_is_low() -> None:
    async def steps(desk: Desk) -> None:
        session, preset = desk.app.session, desk.preset
        held = preset.measurement("Top L", "Row 8")
        coherence = tuple(0.1 if each < 200.0 else 0.9 for each in held.trace.frequency_hz)
        poor = replace(held, trace=replace(held.trace, coherence=coherence))
        others = [each if each is not held else poor for each in preset.measurements]
        session.apply("poor", replace(preset, measurements=tuple(others)))
        desk.app.show_all()
        await desk.keys("f7")
        await desk.until(lambda: any("captured" in each.label for each in desk.app.plot.data.upper))
        sure, unsure = desk.curve("Top L captured"), desk.curve("γ² < ½, Top L captured")
        assert np.isnan(sure.values[sure.frequency_hz < 190.0]).all()
        assert np.isfinite(unsure.values[unsure.frequency_hz < 190.0]).any()
        assert np.isnan(unsure.values[unsure.frequency_hz > 220.0]).all()
        assert unsure.order == UNSURE
        (reading,) = [each for each in desk.app.plot.data.readings if "Top L c" in each.label]
        at_150 = values_at(reading, 150.0)
        assert at_150.coherence == pytest.approx(0.1)
        assert np.isfinite(at_150.level_db), "the cursor reads what was captured there too"

    at_desk(steps, size=(120, 40))
