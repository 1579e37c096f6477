"""The curves widget under keys and mouse: what stands where, what is read, what is repainted."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from textual import events
from textual.geometry import Region
from textual.pilot import Pilot

from tests.tui.hosting import Host, run
from xover.sheets.curves import CURVE, Curve
from xover.sheets.palette import colour
from xover.tui.plot import CurvePlot, PlotData, Reading
from xover.tui.plot_content import value_at
from xover.tui.plot_readout import readout
from xover.tui.plot_scene import Wish, scene
from xover.tui.plot_span import LOWEST_HZ, NARROWEST, Span, home

FREQUENCY_HZ = 20.0 * 1000.0 ** (np.arange(480) / 479.0)
LIMIT_HZ = 24_000.0
SIZE = (80, 12)


def curves(levels: dict[str, float] | None = None, *, unit: str = "deg", **more: Any) -> PlotData:
    """Flat curves at these levels in dB, phase 44° and group delay 3.41 ms under each."""
    levels = levels or {"flat": 0.0}
    upper, lower, readings = [], [], []
    for order, (label, level) in enumerate(levels.items()):
        magnitude = np.full(480, level)
        phase, delay = np.full(480, 44.0), np.full(480, 3.41)
        upper.append(Curve(label, FREQUENCY_HZ, magnitude, "solid", order))
        values = phase if unit == "deg" else delay
        lower.append(Curve(label, FREQUENCY_HZ, values, "solid", order, wraps=unit == "deg"))
        readings.append(Reading(label, FREQUENCY_HZ, magnitude, phase, delay))
    options = {"title": "at Row 8", "limit_hz": LIMIT_HZ} | more
    return PlotData(tuple(upper), tuple(lower), unit, readings=tuple(readings), **options)


def rows(app: Host) -> list[str]:
    return app.text().splitlines()


def drawn(line: str) -> int:
    """How many cells of a row hold dots of a curve."""
    return sum(0x2800 < ord(cell) < 0x2900 for cell in line)


def put(data: PlotData, size: tuple[int, int] = SIZE) -> tuple[list[str], Any]:
    """The rows of the screen, and the widget, once `data` is shown."""
    seen: list[str] = []

    async def steps(app: Host, pilot: Pilot[None]) -> None:
        app.held.show(data)
        await pilot.pause()
        seen.extend(rows(app))

    return seen, run(CurvePlot, steps, size).held


def under_keys(steps: Any, data: PlotData | None = None, size: tuple[int, int] = SIZE) -> Host:
    """Show `data`, give the widget the keys, and go through the steps with it."""

    async def whole(app: Host, pilot: Pilot[None]) -> None:
        app.held.show(data or curves())
        app.held.focus()
        await pilot.pause()
        await steps(app, app.held, pilot)

    return run(CurvePlot, whole, size)


# What is drawn


@pytest.mark.parametrize("size", [(80, 11), (120, 22), (160, 27), (40, 9)])
def test_a_flat_curve_lies_in_the_row_of_its_figure(size: tuple[int, int]) -> None:
    lines, plot = put(curves({"flat": 0.0}), size)
    upper = plot.scene.upper
    level = [y for y, line in enumerate(lines[: upper.height]) if line.startswith("   0 ┤")]
    with_dots = [
        y
        for y, line in enumerate(lines[: upper.height])
        if drawn(line[upper.left : upper.left + upper.columns]) == upper.columns
    ]
    assert level == with_dots
    assert len(level) == 1


def test_eighty_columns_keep_eight_rows_of_magnitude_and_the_axis_to_20k() -> None:
    # 80×24 leaves 11 rows beside title, read-out, footer and the least sheet.
    lines, plot = put(curves({f"Out {n}": -3.0 * n for n in range(5)}), (80, 11))
    assert plot.scene.upper.rows >= 8
    assert lines[9].split()[0] == "20"
    assert lines[9].split()[-1] == "20k"
    assert plot.scene.lower is None


@pytest.mark.parametrize(("height", "both"), [(14, False), (15, True), (27, True)])
def test_phase_stands_under_the_magnitude_where_there_is_room(height: int, both: bool) -> None:
    lines, plot = put(curves(), (80, height))
    assert (plot.scene.lower is not None) is both
    assert (sum(line.startswith(" deg  phase") for line in lines) == 1) is both
    assert sum("20k" in line for line in lines) == 1
    assert plot.scene.upper.rows >= 8


def test_the_key_goes_through_the_lower_panels_and_round() -> None:
    async def steps(app: Host, plot: CurvePlot, pilot: Pilot[None]) -> None:
        seen = []
        for unit in ("deg", "ms", "γ²", "deg", "deg"):
            plot.next_lower_panel()
            plot.show(curves(unit=unit))
            await pilot.pause()
            seen.append((plot.lower, plot.lower_shown, rows(app)[0].split()[0]))
        assert seen == [
            ("phase", True, "deg"),
            ("group delay", True, "ms"),
            ("coherence", True, "γ²"),
            ("phase", False, "dB"),
            ("phase", True, "deg"),
        ]

    under_keys(steps)


def test_measured_and_predicted_curves_are_told_apart_without_colour() -> None:
    data = curves({"Sub": 0.0, "Sub captured": -6.0})
    upper = (data.upper[0], Curve("Sub captured", FREQUENCY_HZ, np.full(480, -6.0), "dotted", 1))
    lines, _ = put(PlotData(upper, title="at Row 8"), (80, 12))
    labels = [line for line in lines if "Sub" in line]
    assert len(labels) == 2
    samples = {line[line.index("Sub") - 4 : line.index("Sub")] for line in labels}
    assert len(samples) == 2


def test_a_gap_in_the_data_is_a_gap_on_the_screen() -> None:
    magnitude = np.where((FREQUENCY_HZ > 200.0) & (FREQUENCY_HZ < 2000.0), np.nan, 0.0)
    lines, plot = put(PlotData((Curve("flat", FREQUENCY_HZ, magnitude),)))
    upper = plot.scene.upper
    line = next(line for line in lines if line.startswith("   0 ┤"))
    first, last = upper.column_of(210.0), upper.column_of(1900.0)
    assert drawn(line[first + 1 : last]) == 0
    assert drawn(line[upper.left : first - 1]) == first - 1 - upper.left


def test_bands_are_shaded_and_say_what_the_sum_loses_there() -> None:
    async def steps(app: Host, plot: CurvePlot, pilot: Pilot[None]) -> None:
        assert any("loss 0.3 dB" in line for line in rows(app))
        assert plot.scene is not None
        upper = plot.scene.upper
        assert upper is not None
        inside, outside = upper.column_of(100.0), upper.column_of(300.0)
        strip = plot.render_line(upper.top_row + 5)
        ground = [strip.crop(x, x + 1)._segments[0].style for x in (inside, outside)]
        assert ground[0] is not None
        assert ground[1] is not None
        assert ground[0].bgcolor != ground[1].bgcolor

    under_keys(steps, curves(bands=((72.0, 138.0, "Sub / Top: loss 0.3 dB"),)))


def test_curves_have_the_colours_of_the_palette_on_dark_and_light() -> None:
    async def steps(app: Host, plot: CurvePlot, pilot: Pilot[None]) -> None:
        for theme, dark in (("textual-dark", True), ("textual-light", False)):
            app.theme = theme
            await pilot.pause()
            assert plot.scene is not None
            assert plot.scene.upper is not None
            y = int(np.argmax((plot.scene.upper.styles == CURVE).sum(axis=1)))
            strip = plot.render_lines(Region(0, y, 80, 1))[0]
            style = next(piece.style for piece in strip if "⠒" in piece.text)
            assert style is not None
            assert style.color is not None
            assert tuple(style.color.get_truecolor()) == colour(0, dark=dark)

    under_keys(steps)


def test_without_colour_the_shade_is_of_characters(monkeypatch: pytest.MonkeyPatch) -> None:
    # NO_COLOR: https://no-color.org, any value that is not empty; from memory.
    monkeypatch.setenv("NO_COLOR", "1")

    async def steps(app: Host, plot: CurvePlot, pilot: Pilot[None]) -> None:
        assert "░" in app.text()
        for piece in plot.render_line(3):
            assert piece.style is not None
            assert piece.style.color is None or piece.style.color == plot.rich_style.color

    under_keys(steps, curves({"A": 0.0, "B": -6.0}, bands=((72.0, 138.0, "loss"),)))


HOSTILE = ["[bold red]x[/]", "a\x1b[2Jb", "b\u202ec", "舞台左", "e\u0301te", "👩‍🎤 lead", "\x00nul"]


@pytest.mark.parametrize("name", HOSTILE)
@pytest.mark.parametrize("size", [(120, 20), (50, 12)])
def test_names_are_shown_as_they_are_and_do_nothing(name: str, size: tuple[int, int]) -> None:
    async def steps(app: Host, plot: CurvePlot, pilot: Pilot[None]) -> None:
        await pilot.press("left")
        await pilot.pause()
        text = app.text()
        assert not any(
            ord(cell) < 32 or ord(cell) in (0x7F, 0x202E) for cell in text if cell != "\n"
        )
        for line in range(size[1]):
            assert plot.render_line(line).cell_length == size[0]
            assert sum(piece.cell_length for piece in plot.render_line(line)) == size[0]
        if name.startswith("["):
            assert name in text
        if "\x1b" in name:
            assert "a\\u001b[2Jb" in text

    data = curves({name: 0.0, "plain": -6.0}, title=name, bands=((72.0, 138.0, name),))
    under_keys(steps, data, size)


def test_the_title_of_what_is_not_there_is_a_sentence() -> None:
    lines, plot = put(PlotData(problem="nothing to be heard here"))
    assert "nothing to be heard here" in lines[1]
    assert plot.scene.drawing is None
    lines, _ = put(PlotData())
    assert "no curves are shown" in lines[1]


def test_every_size_down_to_one_cell_and_back() -> None:
    async def steps(app: Host, plot: CurvePlot, pilot: Pilot[None]) -> None:
        await pilot.press("left")
        for width, height in [(1, 1), (80, 1), (1, 24), (31, 6), (32, 5), (200, 60), (33, 4)]:
            await pilot.resize_terminal(width, height)
            await pilot.press("right", "up", "left_square_bracket")
            await pilot.pause()
            lines = rows(app)
            assert len(lines) == height
            assert all(len(line) == width for line in lines)
        await pilot.press("home")
        await pilot.resize_terminal(*SIZE)
        await pilot.pause()
        assert any(line.startswith("   0 ┤") for line in rows(app))

    under_keys(steps)


@pytest.mark.parametrize("width", range(1, 34))
def test_words_are_never_cut_where_there_is_no_room(width: int) -> None:
    lines, _ = put(curves(title="electrical responses, dB"), (width, 4))
    words = " ".join(lines).split()
    assert set(words) <= {"electrical", "responses,", "dB"}


# Pending, and what is painted again


def test_pending_keeps_the_curves_and_says_so() -> None:
    async def steps(app: Host, plot: CurvePlot, pilot: Pilot[None]) -> None:
        before = rows(app)
        plot.pending = True
        await pilot.pause()
        assert rows(app)[:-1] == before[:-1]
        assert rows(app)[-1].rstrip().endswith("pending …")
        plot.show(curves({"flat": -6.0}))
        await pilot.pause()
        assert not plot.pending
        assert "pending" not in app.text()

    under_keys(steps)


def test_only_rows_that_changed_are_painted_again(monkeypatch: pytest.MonkeyPatch) -> None:
    async def steps(app: Host, plot: CurvePlot, pilot: Pilot[None]) -> None:
        painted: list[Region] = []
        original = plot.refresh

        def refresh(*regions: Region, **options: bool) -> CurvePlot:
            painted.extend(regions)
            return original(*regions, **options)

        monkeypatch.setattr(plot, "refresh", refresh)
        plot.show(curves({"first": 0.0, "second": -12.5}))
        await pilot.pause()
        touched = {y for region in painted for y in range(region.y, region.bottom)}
        where = {
            y
            for y, line in enumerate(rows(app))
            if "second" in line or (drawn(line) and not line.startswith("   0"))
        }
        assert touched <= where | {y - 1 for y in where} | {y + 1 for y in where}
        assert 0 < len(touched) <= 3
        painted.clear()
        plot.show(curves({"first": 0.0, "second": -12.5}))
        await pilot.pause()
        assert painted == []

    under_keys(steps, curves({"first": 0.0, "second": -12.0}), (80, 14))


def test_many_wishes_in_one_go_are_drawn_once(monkeypatch: pytest.MonkeyPatch) -> None:
    async def steps(app: Host, plot: CurvePlot, pilot: Pilot[None]) -> None:
        counted = []
        original = plot._draw

        def draw() -> list[int]:
            counted.append(plot.data.title)
            return original()

        monkeypatch.setattr(plot, "_draw", draw)
        for number in range(50):
            plot.show(curves({"flat": -0.1 * number}, title=f"number {number}"))
        await pilot.pause()
        assert counted == ["number 49"]
        assert "number 49" in rows(app)[0]

    under_keys(steps)


def test_the_scale_stays_while_curves_sit_well_in_it() -> None:
    wish = Wish(80, 12, Span(), None, False, False)
    before = scene(curves({"a": 0.0, "b": -20.0}), wish)
    assert before.upper is not None
    ranges = []
    for tenths in [*range(0, 30), *range(30, -1, -1)]:
        before = scene(curves({"a": 0.1 * tenths, "b": -20.0}), wish, before)
        assert before.upper is not None
        ranges.append(before.upper.value_range)
        bottom, top = before.upper.value_range
        assert bottom <= -20.0 < 0.1 * tenths < top
    # Three dB up and down again: the scale gives way once at most, and does not come back.
    assert len([1 for a, b in itertools.pairwise(ranges) if a != b]) <= 1
    far = scene(curves({"a": -60.0, "b": -80.0}), wish, before)
    assert far.upper is not None
    assert far.upper.value_range[1] < -50.0


# The cursor and its values


def test_values_between_points_are_read_from_the_arrays() -> None:
    frequency_hz = np.array([100.0, 200.0, 400.0])
    level = np.array([0.0, -6.0, np.nan])
    at = value_at(frequency_hz, level, 100.0 * math.sqrt(2.0))
    assert at == pytest.approx(-3.0)
    assert value_at(frequency_hz, level, 200.0) == -6.0
    assert math.isnan(value_at(frequency_hz, level, 201.0))
    assert math.isnan(value_at(frequency_hz, level, 99.0))
    assert math.isnan(value_at(frequency_hz, level, 401.0))
    phase = np.array([170.0, -170.0, 0.0])
    turned = value_at(frequency_hz, phase, 100.0 * math.sqrt(2.0), wraps=True)
    assert abs(turned) == pytest.approx(180.0)
    silent = np.array([-np.inf, -np.inf, 0.0])
    assert value_at(frequency_hz, silent, 150.0) == -math.inf
    assert value_at(np.array([50.0]), np.array([3.0]), 50.0) == 3.0
    assert math.isnan(value_at(np.array([]), np.array([]), 50.0))


@given(st.floats(20.0, 20_000.0), st.floats(0.0, 20.0))
def test_the_phase_of_a_delay_is_read_exactly(at_hz: float, delay_ms: float) -> None:
    # A pure delay turns by 360° × frequency × time; over half a turn between points is ambiguous,
    # 0.5 ms × 290 Hz (the widest step of 480 points to 20 kHz) is far from that.
    delay_ms /= 40.0
    phase = (-0.36 * FREQUENCY_HZ * delay_ms + 180.0) % 360.0 - 180.0
    read = value_at(FREQUENCY_HZ, phase, at_hz, wraps=True)
    true = -0.36 * at_hz * delay_ms
    # Linear over log frequency against linear over frequency: at most 1/8 of step² / frequency.
    bow = 0.36 * delay_ms * at_hz * (math.log(1000.0) / 479.0) ** 2 / 8.0
    assert abs(math.remainder(read - true, 360.0)) <= 1.1 * bow + 1e-9


def test_the_read_out_tells_hertz_decibels_degrees_and_milliseconds() -> None:
    async def steps(app: Host, plot: CurvePlot, pilot: Pilot[None]) -> None:
        plot.cursor_to(100.0)
        await pilot.pause()
        line = rows(app)[-1]
        assert line.startswith(" 100 Hz")
        assert "Sub −3.0 dB +44° 3.41 ms" in line
        assert plot.scene is not None
        assert plot.scene.upper is not None
        column = plot.scene.upper.column_of(100.0)
        assert any(line[column] == "┊" for line in rows(app))

    app = under_keys(steps, curves({"Sub": -3.0, "Top": 0.0}), (100, 12))
    assert [round(m.frequency_hz) for m in app.of(CurvePlot.CursorMoved)] == [100]


@pytest.mark.parametrize("width", range(32, 200, 4))
@pytest.mark.parametrize("count", [1, 4, 9])
def test_the_read_out_fits_and_names_or_counts_every_curve(width: int, count: int) -> None:
    data = curves({f"Way {n}": -float(n) for n in range(count)})
    for lines in (1, 2):
        for pending in (False, True):
            shown = readout(data, 1234.0, width=width, lines=lines, pending=pending)
            text = ["".join(piece for piece, _ in line) for line in shown]
            assert all(len(line) <= width for line in text)
            whole = " ".join(text)
            assert "1.234 kHz" in whole
            named = sum(f"Way {n} " in whole + " " for n in range(count))
            more = int(whole.split(" more")[0].split()[-1]) if " more" in whole else 0
            assert named + more == count
            assert text[0].endswith("…") is pending


def test_on_eighty_columns_the_first_curve_is_read_whole_and_the_others_in_decibels() -> None:
    data = curves({"sum": 101.2, "Sub": 96.4, "Top L": 94.2, "Delay L": 87.2})
    (line,) = readout(data, 100.0, width=80, lines=1)
    assert "".join(text for text, _ in line) == (
        " 100 Hz    sum 101.2 dB +44° 3.41 ms  Sub 96.4  Top L 94.2  Delay L 87.2"
    )
    assert [style for text, style in line if "Top L" in text] == [CURVE + 2]


def test_values_that_are_not_there_are_told_as_such() -> None:
    nothing, silent = np.full(480, np.nan), np.full(480, -np.inf)
    data = PlotData(
        readings=(
            Reading("unknown", FREQUENCY_HZ, nothing, nothing, nothing),
            Reading("silent", FREQUENCY_HZ, silent, nothing),
            Reading("heard", FREQUENCY_HZ, np.zeros(480), None, None, np.full(480, 0.93)),
        )
    )
    (line,) = readout(data, 50.0, width=120, lines=1)
    assert "".join(text for text, _ in line) == (
        " 50 Hz     unknown –   silent −∞ dB   heard 0.0 dB γ² 0.93"
    )


def test_the_cursor_moves_by_columns_and_takes_the_span_with_it() -> None:
    async def steps(app: Host, plot: CurvePlot, pilot: Pilot[None]) -> None:
        assert plot.cursor_hz is None
        await pilot.press("right")
        assert plot.cursor_hz == pytest.approx(math.sqrt(20.0 * 20_000.0))
        assert plot.scene is not None
        upper = plot.scene.upper
        assert upper is not None
        start = upper.column_of(plot.cursor_hz)
        await pilot.press("right", "right", "left", "shift+right")
        assert upper.column_of(plot.cursor_hz) == start + 9
        plot.action_cursor_by(-8)
        plot.action_cursor_by(1)
        plot.action_cursor_by(-1)
        plot.action_cursor_by(-1)
        assert upper.column_of(plot.cursor_hz) == start
        await pilot.press("up", "up", "up")
        high_hz = plot.span.high_hz
        plot.cursor_to(high_hz * 1.1)
        assert plot.span.high_hz == pytest.approx(high_hz * 1.1)
        await pilot.press("escape")
        assert plot.cursor_hz is None
        await pilot.pause()
        assert "┊" not in app.text()

    app = under_keys(steps)
    assert app.of(CurvePlot.CursorMoved)[-1].frequency_hz is None


# Zoom and pan


def test_zoom_stays_between_one_hertz_and_half_the_rate() -> None:
    async def steps(app: Host, plot: CurvePlot, pilot: Pilot[None]) -> None:
        for _ in range(40):
            plot.zoom_out()
        await pilot.pause()
        assert plot.span.low_hz == pytest.approx(1.0)
        assert plot.span.high_hz == pytest.approx(LIMIT_HZ)
        assert any(line.startswith("   0 ┤") for line in rows(app))
        for _ in range(80):
            plot.zoom_in()
        await pilot.pause()
        assert plot.span.high_hz / plot.span.low_hz == pytest.approx(NARROWEST)
        assert len(rows(app)[-2].split()) >= 3
        for _ in range(200):
            plot.pan(1)
        assert plot.span.high_hz == pytest.approx(LIMIT_HZ)
        assert plot.span.high_hz / plot.span.low_hz == pytest.approx(NARROWEST)
        await pilot.press("home")
        await pilot.pause()
        assert (plot.span.low_hz, plot.span.high_hz) == (20.0, 20_000.0)
        assert rows(app)[-2].split()[-1] == "20k"

    app = under_keys(steps)
    moved = app.of(CurvePlot.SpanMoved)
    assert (moved[-1].low_hz, moved[-1].high_hz) == (20.0, 20_000.0)


STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("zoom"), st.floats(0.01, 100.0), st.floats(1e-3, 1e9)),
        st.tuples(st.just("pan"), st.floats(-50.0, 50.0), st.just(0.0)),
        st.tuples(st.just("limit"), st.floats(20.0, 200_000.0), st.just(0.0)),
    ),
    max_size=30,
)


@settings(max_examples=200)
@given(STEPS)
def test_a_span_is_a_span_whatever_is_done_to_it(steps: list[tuple[str, float, float]]) -> None:
    span, limit_hz = Span(), LIMIT_HZ
    for what, amount, about_hz in steps:
        if what == "zoom":
            span = span.zoomed(amount, about_hz, limit_hz)
        elif what == "pan":
            span = span.panned(amount, limit_hz)
        else:
            limit_hz = max(amount, 30.0)
            span = span.within(limit_hz)
        assert span.low_hz >= LOWEST_HZ * (1 - 1e-9)
        assert span.high_hz <= limit_hz * (1 + 1e-9)
        assert span.high_hz / span.low_hz >= NARROWEST * (1 - 1e-9)
    assert home(limit_hz).high_hz <= limit_hz


@given(st.floats(25.0, 15_000.0))
def test_zooming_keeps_what_is_under_the_pointer(about_hz: float) -> None:
    def share(span: Span) -> float:
        width = math.log(span.high_hz / span.low_hz)
        return math.log(about_hz / span.low_hz) / width

    closer = Span().zoomed(0.5, about_hz, LIMIT_HZ)
    assert share(closer) == pytest.approx(share(Span()), abs=1e-9)
    assert math.log(closer.high_hz / closer.low_hz) == pytest.approx(math.log(1000.0) / 2)


# Mouse


async def wheel(plot: CurvePlot, pilot: Pilot[None], kind: type, x: int, *, shift: bool) -> None:
    plot.post_message(kind(plot, x, 4, 0, 0, 0, shift, False, False))
    await pilot.pause()


def test_the_pointer_reads_and_a_click_stays() -> None:
    async def steps(app: Host, plot: CurvePlot, pilot: Pilot[None]) -> None:
        assert plot.scene is not None
        upper = plot.scene.upper
        assert upper is not None
        await pilot.hover(plot, offset=(40, 4))
        assert plot.cursor_hz == pytest.approx(upper.frequency_at(40))
        await pilot.click(plot, offset=(50, 4))
        await pilot.hover(plot, offset=(60, 4))
        assert plot.cursor_hz == pytest.approx(upper.frequency_at(60))
        plot.post_message(events.Leave(plot))
        await pilot.pause()
        assert plot.cursor_hz == pytest.approx(upper.frequency_at(50))
        await pilot.hover(plot, offset=(2, 4))
        assert plot.cursor_hz == pytest.approx(upper.frequency_at(50))

    under_keys(steps)


def test_the_wheel_zooms_about_the_pointer_and_pans_with_shift() -> None:
    async def steps(app: Host, plot: CurvePlot, pilot: Pilot[None]) -> None:
        assert plot.scene is not None
        assert plot.scene.upper is not None
        about_hz = plot.scene.upper.frequency_at(30)
        await wheel(plot, pilot, events.MouseScrollUp, 30, shift=False)
        assert plot.scene.upper.column_of(about_hz) == 30
        assert plot.span.low_hz > 20.0
        await wheel(plot, pilot, events.MouseScrollDown, 30, shift=False)
        assert plot.span.low_hz == pytest.approx(20.0)
        assert plot.span.high_hz == pytest.approx(20_000.0)
        await wheel(plot, pilot, events.MouseScrollUp, 30, shift=True)
        assert plot.span.low_hz < 20.0
        assert plot.span.high_hz / plot.span.low_hz == pytest.approx(1000.0)
        await wheel(plot, pilot, events.MouseScrollRight, 30, shift=False)
        assert plot.span.low_hz == pytest.approx(20.0)

    under_keys(steps)


def test_dragging_pans_and_leaves_the_cursor_alone() -> None:
    async def steps(app: Host, plot: CurvePlot, pilot: Pilot[None]) -> None:
        plot.zoom_in()
        await pilot.pause()
        assert plot.scene is not None
        assert plot.scene.upper is not None
        held_hz = plot.scene.upper.frequency_at(30)
        await pilot.mouse_down(plot, offset=(30, 4))
        await pilot.hover(plot, offset=(40, 4))
        await pilot.pause()
        assert plot.scene.upper.column_of(held_hz) == 40
        await pilot.mouse_up(plot, offset=(40, 4))
        plot.post_message(events.Leave(plot))
        await pilot.pause()
        assert plot.cursor_hz is None

    under_keys(steps)


def test_keys_before_anything_is_shown_do_no_harm() -> None:
    async def steps(app: Host, pilot: Pilot[None]) -> None:
        app.held.focus()
        await pilot.press(*"[]+-=", "left", "right", "up", "down", "home", "escape", "shift+left")
        await pilot.hover(app.held, offset=(30, 4))
        app.held.next_lower_panel()
        await pilot.pause()
        assert "no curves yet" in app.text()

    run(CurvePlot, steps, SIZE)
