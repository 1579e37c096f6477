"""The curves of the workbench: from the session's preset to what the plot shows.

What can be computed within a frame is computed at once; the rest is computed beside the screen,
newest wish last, and the old curve stands until then, marked as pending.
"""

from __future__ import annotations

import asyncio
import time
from typing import TYPE_CHECKING

from msgspec.structs import replace
from textual import work

from xover.tui.painting import Painted

if TYPE_CHECKING:
    from xover.design.crossings import Crossing
    from xover.model.drive import Drive
    from xover.model.preset import Preset
    from xover.session.session import Session
    from xover.session.views import Request, View, Viewer, Window
    from xover.tui.dialogs.align import AlignDialog
    from xover.tui.listening import Listening
    from xover.tui.plot import CurvePlot
    from xover.tui.plot_content import PlotData

FRAME_S = 0.02
"""What may be computed on the way to the screen."""
CROSSINGS_S = 0.08
"""How long overlaps and losses wait for a key to be painted, and for the next one."""


class Drawing(Painted):
    """The part of the app that draws curves."""

    session: Session | None
    viewer: Viewer | None = None
    listening: Listening
    _plot: CurvePlot | None = None
    _slow: bool = False
    _window: Window | None = None
    """The part of the axis that is looked at closely; None: 20 Hz to 20 kHz."""
    _slow_window: bool = False
    flights_ms: dict[str | None, float]
    """What is taken out of the phase at each listener, None for electrical responses."""
    _reading: bool = False
    _busy: bool = False
    _wanted: bool = False
    _drawn: View | None = None
    _crossings: tuple[Crossing, ...] = ()
    _crossed: tuple[Preset, Listening] | None = None
    """What the crossings that are known are of."""
    _crossing_busy: bool = False

    def begin_listening(self, preset: Preset) -> None:
        """Start where a preset opens."""
        from xover.tui.listening import Listening

        self.listening = Listening.first(preset)
        self._slow = self._slow_window = self._busy = self._wanted = False
        self.flights_ms = {}
        self._drawn, self._crossings, self._crossed = None, (), None

    def drive_now(self, preset: Preset) -> Drive:
        """What is played now."""
        from xover.model.drive import drive_of

        return self.listening.drive or drive_of(preset)

    @property
    def plot(self) -> CurvePlot:
        """The curves, once there are any."""
        assert self._plot is not None
        return self._plot

    def draw(self, *, beside: bool = False) -> None:
        """Draw the present preset: at once where that fits a frame, else `beside` the screen."""
        session, viewer = self.session, self.viewer
        if session is None or viewer is None or self._plot is None:
            return
        self.listening = self.listening.within(session.preset)
        if beside or self._slow or self._busy:
            self._wanted = True
            self.plot.pending = True
            if not self._busy:
                self._busy, self._wanted = True, False
                self._compute(viewer, session.preset, self.listening)
            return
        self._wanted, begun = False, time.perf_counter()
        view = self._computed_view(viewer, session.preset, self.listening)
        self._slow = time.perf_counter() - begun > FRAME_S and self._drawn is not None
        self._show(view)

    @work(thread=True, group="curves", description="curves")
    def _compute(self, viewer: Viewer, preset: Preset, listening: Listening) -> None:
        begun = time.perf_counter()
        view = self._computed_view(viewer, preset, listening)
        self.call_from_thread(self._computed, viewer, view, time.perf_counter() - begun)

    def _computed(self, viewer: Viewer, view: View, spent_s: float) -> None:
        if viewer is not self.viewer:
            return  # of a preset that is open no more
        self._busy = False
        self._slow = spent_s > FRAME_S
        if self._wanted:
            self.draw(beside=self._slow_window)
        if not self._busy:
            self._show(view)

    def _computed_view(self, viewer: Viewer, preset: Preset, at: Listening) -> View:
        """The curves, and where it is not known yet, the flight to take out of their phase."""
        view = viewer.view(preset, self._request(preset, at))
        heard = at.listener if at.what == "sum" else None
        if heard is not None and heard not in self.flights_ms:
            from xover.tui.plot_data import fitted_flight_ms

            whole = view if self._window is None else viewer.view(preset, at.request(preset))
            flight_ms = fitted_flight_ms(whole)
            if flight_ms is not None:
                self.flights_ms[heard] = flight_ms
        return view

    def _request(self, preset: Preset, listening: Listening) -> Request:
        """What to compute: group delay too where the cursor reads it out."""
        request = listening.request(preset)
        if self._reading:
            request = replace(request, group_delay=True)
        return request if self._window is None else replace(request, window=self._window)

    def on_curve_plot_cursor_moved(self, message: CurvePlot.CursorMoved) -> None:
        """A cursor that comes wants group delays, one that goes wants them no more."""
        reading = message.frequency_hz is not None
        if reading != self._reading:
            self._reading = reading
            if reading and self.listening.lower != "group delay":
                self.draw()

    def on_curve_plot_span_moved(self, message: CurvePlot.SpanMoved) -> None:
        """Curves of the part looked at, as fine as it shows them; the old ones until then."""
        self._window = self.plot.window()
        if self.session is not None:
            self._draw_window()

    def _draw_window(self) -> None:
        if self._slow_window:
            self.draw(beside=True)
            return
        begun, was_slow = time.perf_counter(), self._slow
        self.draw()
        # What is new with a window takes longer than an edit in it; each is remembered by itself.
        self._slow_window = self._slow_window or time.perf_counter() - begun > FRAME_S
        self._slow = was_slow

    @property
    def heard(self) -> str | None:
        """The listener whose curves are shown; None: electrical responses."""
        return self.listening.listener if self.listening.what == "sum" else None

    def flight_ms(self) -> float:
        """What is taken out of the phase that is shown, in ms."""
        return self.flights_ms.get(self.heard, 0.0)

    def _plot_data(self, view: View) -> PlotData:
        from xover.tui.plot_data import plot_data

        assert self.session is not None
        return plot_data(
            view,
            self.listening,
            self._crossings,
            less_ms=self.flight_ms(),
            sample_rate_hz=self.session.preset.sample_rate_hz,
        )

    def _show(self, view: View) -> None:
        self._drawn = view
        self.plot.show(self._plot_data(view))
        self._cross()

    def _cross(self) -> None:
        """Have the overlaps found in a moment, when keys and frames leave room for it."""
        if not self._crossing_busy:
            self._crossing_busy = True
            # The loop's own timer: one of textual's costs a task, on the way to the frame.
            asyncio.get_running_loop().call_later(CROSSINGS_S, self.call_later, self._cross_now)

    def _cross_now(self) -> None:
        """Find the overlaps and their losses beside the screen, for the newest preset."""
        self._crossing_busy = False
        session = self.session
        if session is None:
            return
        at = self.listening
        wish = (session.preset, at)
        crossed = self._crossed
        if crossed is not None and crossed[0] is session.preset and crossed[1] == at:
            return
        if at.listener is None or at.what == "outputs":
            self._crossed = wish
            if self._crossings:
                self._crossings = ()
                self._repaint()
            return
        self._crossing_busy = True
        self._find_crossings(*wish)

    @work(thread=True, group="crossings", description="crossings")
    def _find_crossings(self, preset: Preset, at: Listening) -> None:
        from xover.design.crossings import crossings
        from xover.model.drive import drive_of

        assert at.listener is not None
        drive = at.drive or drive_of(preset)
        found = crossings(preset, at.listener, drive) if drive.correlated else ()
        self.call_from_thread(self._crossings_found, preset, at, found)

    def _crossings_found(self, preset: Preset, at: Listening, found: tuple[Crossing, ...]) -> None:
        self._crossing_busy = False
        self._crossed = (preset, at)
        if found != self._crossings:
            self._crossings = found
            self._repaint()
        self._cross()

    def _repaint(self) -> None:
        if self._drawn is not None and self._plot is not None:
            self.plot.show(self._plot_data(self._drawn))

    def on_align_dialog_compared(self, message: AlignDialog.Compared) -> None:
        """Behind the dialog: the sum as it is, and as it would be."""
        viewer = self.viewer
        if viewer is None or self._busy or self._drawn is None or self._plot is None:
            return
        from xover.tui.plot_data import with_other_sum

        after = message.proposal.after
        at = self.listening
        view = viewer.view(after, self._request(after, at))
        data = self._plot_data(self._drawn)
        self.plot.show(with_other_sum(data, view, "sum aligned", at, less_ms=self.flight_ms()))

    # Actions about curves

    def do_lower(self) -> None:
        """Phase, group delay, coherence, or nothing under the magnitude."""
        self.plot.next_lower_panel()
        self.listening = replace(self.listening, lower=self.plot.lower)
        self.draw()
