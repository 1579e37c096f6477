"""The plot on characters: what stands in which cell, at every documented size."""

from __future__ import annotations

import itertools
import re
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from xover.model.problems import Refused
from xover.sheets.cells import width_of
from xover.sheets.curves import CURVE, GUTTER, Curve, Drawing, magnitude_over_phase, plot, stack
from xover.sheets.drawing import SHADE
from xover.sheets.palette import DASHES, OKABE_ITO
from xover.sheets.raster import Grid, raster

FREQUENCY_HZ = 20.0 * 1000.0 ** (np.arange(480) / 479.0)
WIDTHS = range(40, 201)


def flat(level: float, label: str = "flat", **more: object) -> Curve:
    return Curve(label, FREQUENCY_HZ, np.full(480, level), **more)  # type: ignore[arg-type]


def braille(drawing: Drawing) -> np.ndarray:
    """(rows, columns) the dots of each cell of the plot as bits, 0 for other characters."""
    area = drawing.characters[
        drawing.top_row : drawing.top_row + drawing.rows,
        drawing.left : drawing.left + drawing.columns,
    ]
    codes = np.array([[ord(cell) for cell in row] for row in area.tolist()])
    return np.where((codes >= 0x2800) & (codes < 0x2900), codes - 0x2800, 0)


def row_of(drawing: Drawing, figure: str) -> int:
    """The row whose tick reads `figure`."""
    return next(
        row for row, line in enumerate(drawing.lines()) if line.startswith(f"{figure:>4} ┤")
    )


@pytest.mark.parametrize("width", WIDTHS)
def test_a_flat_line_lies_in_the_row_of_its_tick_across_the_whole_plot(width: int) -> None:
    drawing = plot([flat(0.0)], width=width, height=12)
    dots = braille(drawing)
    zero = row_of(drawing, "0") - drawing.top_row
    assert (dots[zero] > 0).all()
    assert not np.delete(dots, zero, axis=0).any()
    assert len(np.unique(dots[zero])) == 1


@pytest.mark.parametrize("level", [6.0, 0.0, -12.0, -18.0])
@pytest.mark.parametrize("height", [8, 12, 24, 48])
def test_levels_stand_at_their_ticks_at_every_height(level: float, height: int) -> None:
    drawing = plot([flat(level)], width=80, height=height, value_range=(-24.0, 12.0))
    row = int(np.flatnonzero(braille(drawing).any(axis=1))[0])
    per_row = 36.0 / (drawing.rows - 1)
    assert abs(drawing.value_at(drawing.top_row + row) - level) <= 0.5 * per_row + 1e-9


@pytest.mark.parametrize("width", WIDTHS)
def test_frequency_figures_are_whole_and_reach_from_20_to_20k(width: int) -> None:
    drawing = plot([flat(0.0)], width=width, height=9)
    figures = drawing.lines()[-1].split()
    known = ["20", "50", "100", "200", "500", "1k", "2k", "5k", "10k", "20k"]
    assert figures[0] == "20"
    assert figures[-1] == "20k"
    assert [figure for figure in known if figure in figures] == figures
    assert {"100", "1k"} <= set(figures)
    if width >= 70:
        assert figures == known
    assert all(len(line) == width for line in drawing.lines())


@pytest.mark.parametrize("frequency_hz", [20.0, 50.0, 100.0, 1000.0, 7300.0, 20000.0])
@pytest.mark.parametrize("width", [40, 80, 133, 200])
def test_a_peak_stands_over_its_frequency(frequency_hz: float, width: int) -> None:
    distance = np.abs(np.log(FREQUENCY_HZ / frequency_hz))
    curve = Curve("peak", FREQUENCY_HZ, np.where(distance == distance.min(), 12.0, -100.0))
    drawing = plot([curve], width=width, height=12, value_range=(-12.0, 12.0))
    columns = np.flatnonzero(braille(drawing)[0])
    # By hand: 20 Hz in the first column, 20 kHz in the last, equal ratios equally wide.
    share = np.log(frequency_hz / 20.0) / np.log(1000.0)
    assert abs(columns.mean() - share * (drawing.columns - 1)) <= 1.0
    assert drawing.left + columns.mean() == pytest.approx(drawing.column_of(frequency_hz), abs=1.0)


def test_a_notch_between_two_columns_is_not_lost() -> None:
    frequency_hz = 20.0 * 1000.0 ** (np.arange(20_000) / 19_999.0)
    values = np.zeros(20_000)
    values[10_001] = -30.0
    drawing = plot(
        [Curve("notch", frequency_hz, values)], width=60, height=20, value_range=(-36, 6)
    )
    deep = row_of(drawing, "−30") - drawing.top_row
    assert np.count_nonzero(braille(drawing)[deep]) == 1


def test_a_curve_joins_without_gaps_and_keeps_to_its_values() -> None:
    grid = Grid(200, 96, 20.0, 20000.0, 10.0, -10.0, 0.0, 95.0)
    values = 8.0 * np.sin(np.linspace(0.0, 40.0, 480))
    _, rows, columns = raster(grid, [FREQUENCY_HZ], [values], ["solid"], [None])
    assert set(columns.tolist()) == set(range(200))
    # A naive reading of the same curve at each column's centre, by numpy's own interpolation.
    centre_hz = 20.0 * 1000.0 ** (np.arange(200) / 199.0)
    expected = (10.0 - np.interp(np.log(centre_hz), np.log(FREQUENCY_HZ), values)) / 20.0 * 95.0
    for column in range(200):
        mine = rows[columns == column]
        # Half a dot of rounding, and one that the column leaves to its neighbour to draw.
        assert mine.min() - 1.5 <= expected[column] <= mine.max() + 1.5


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(-200.0, 200.0), min_size=2, max_size=60),
    st.integers(20, 120),
    st.integers(8, 96),
)
def test_neighbouring_columns_touch_whatever_the_curve(
    values: list[float], columns: int, rows: int
) -> None:
    # Values reach far outside the range: what is seen of a line must still hang together.
    grid = Grid(columns, rows, 20.0, 20000.0, 300.0, -300.0, 0.0, rows - 1.0)
    frequency_hz = 20.0 * 1000.0 ** (np.arange(len(values)) / (len(values) - 1))
    _, row, column = raster(grid, [frequency_hz], [np.array(values)], ["solid"], [None])
    spans = [row[column == index] for index in range(columns)]
    assert all(span.size for span in spans)
    for left, right in itertools.pairwise(spans):
        assert max(left.min(), right.min()) - min(left.max(), right.max()) <= 1
    for span in spans:
        assert span.max() - span.min() + 1 == np.unique(span).size


def test_crossing_curves_keep_all_their_dots() -> None:
    slope = np.linspace(-20.0, 20.0, 480)
    first = Curve("up", FREQUENCY_HZ, slope, "solid", 0)
    second = Curve("down", FREQUENCY_HZ, -slope, "dotted", 1)
    options: dict[str, object] = {"width": 80, "height": 16, "value_range": (-24, 24)}
    options |= {"labels": "none", "margin": 0}
    both = braille(plot([first, second], **options))  # type: ignore[arg-type]
    alone = [braille(plot([curve], **options)) for curve in (first, second)]  # type: ignore[arg-type]
    assert (both == alone[0] | alone[1]).all()
    assert (alone[0] & ~alone[1] & both).any()


def test_a_gap_stays_a_gap() -> None:
    values = np.zeros(480)
    values[(FREQUENCY_HZ > 200.0) & (FREQUENCY_HZ < 2000.0)] = np.nan
    values[np.argmin(np.abs(FREQUENCY_HZ - 630.0))] = 0.0
    drawing = plot([Curve("gap", FREQUENCY_HZ, values)], width=120, height=12, value_range=(-6, 6))
    drawn = braille(drawing).any(axis=0)
    at = [drawing.column_of(hz) - drawing.left for hz in (210.0, 600.0, 630.0, 660.0, 1900.0)]
    assert not drawn[at[0] + 1 : at[1]].any()
    assert drawn[at[2]]
    assert not drawn[at[3] + 1 : at[4]].any()
    assert drawn[: at[0] - 1].all()
    assert drawn[at[4] + 2 :].all()


def test_a_silent_output_draws_nothing_and_breaks_nothing() -> None:
    silent = Curve("muted", FREQUENCY_HZ, np.full(480, -np.inf), "solid", 1)
    drawing = plot([flat(0.0), silent], width=80, height=12)
    assert not (drawing.styles[:, : drawing.left + drawing.columns] == CURVE + 1).any()
    assert "muted" in drawing.to_text(colour=False)


def test_a_phase_wrap_is_not_joined() -> None:
    phase = (-np.linspace(0.0, 1500.0, 480) + 180.0) % 360.0 - 180.0
    curve = Curve("phase", FREQUENCY_HZ, phase, "solid", 0, wraps=True)
    drawing = plot([curve], width=120, height=20, unit="deg", labels="none", margin=0)
    dots = braille(drawing)
    assert (drawing.value_range) == (-180.0, 180.0)
    # 1,500 degrees over 114 columns fall by 13 degrees a column, less than one row of 20.
    assert (np.count_nonzero(dots, axis=0) <= 3).all()
    assert dots.any(axis=0).all()
    joined = Curve("phase", FREQUENCY_HZ, phase, "solid", 0)
    tall = plot([joined], width=120, height=20, unit="deg", value_range=(-180, 180), margin=0)
    assert (np.count_nonzero(braille(tall), axis=0) > 10).any()


def test_labels_stand_at_the_ends_of_their_curves_and_never_on_each_other() -> None:
    curves = [flat(0.0, f"Output {n}", order=n) for n in range(4)]
    curves.append(flat(-24.0, "Low one", order=4))
    drawing = plot(curves, width=100, height=16)
    lines = drawing.lines()
    where = {name: next(r for r, line in enumerate(lines) if name in line) for name in
             ("Output 0", "Output 1", "Output 2", "Output 3", "Low one")}  # fmt: skip
    assert len(set(where.values())) == 5
    zero = row_of(drawing, "0")
    assert all(abs(where[f"Output {n}"] - zero) <= 4 for n in range(4))
    assert where["Low one"] == row_of(drawing, "−24")
    for n in range(4):
        column = lines[where[f"Output {n}"]].index("Output")
        assert drawing.styles[where[f"Output {n}"], column] == CURVE + n


@pytest.mark.parametrize("width", [40, 50, 59, 60, 80, 120, 200])
@pytest.mark.parametrize("count", [1, 4, 9, 16])
def test_every_curve_is_named_or_counted_at_every_size(width: int, count: int) -> None:
    curves = [flat(float(-n), f"Way {n}", order=n) for n in range(count)]
    text = plot(curves, width=width, height=14).to_text(colour=False)
    named = {int(number) for number in re.findall(r"Way (\d+)", text)}
    more = re.search(r"and (\d+) more", text)
    assert len(named) + (int(more[1]) if more else 0) == count
    if width >= 60 and count <= 9:
        assert more is None


def test_a_long_title_leaves_the_count_of_curves_whole() -> None:
    """Half a word beside the title would tell nothing; the title gives way and is marked."""
    curves = [flat(float(-n), f"Output {n}", order=n) for n in range(5)]
    title = "at Mix, dB SPL for 0.0 dBu; phase less 50.40 ms"
    for width in (56, 58, 60, 64):
        first = plot(curves, title=title, width=width, height=5, labels="legend").lines()[0]
        assert first.rstrip().endswith("   and 5 more"), first
        assert width_of(first.rstrip()) <= width


def test_dashes_differ_and_draw_their_share_of_dots() -> None:
    shares = {}
    for name, lengths in DASHES.items():
        drawing = plot([flat(0.0, dash=name)], width=200, height=8, labels="none", margin=0)
        dots = sum(int(code).bit_count() for code in braille(drawing).ravel())
        whole = 2 * drawing.columns
        shares[name] = dots
        expected = sum(lengths[::2]) / sum(lengths) if lengths else 1.0
        assert dots / whole == pytest.approx(expected, abs=0.03)
    lines = {
        name: plot([flat(0.0, dash=name)], width=100, height=8, labels="none").to_text(colour=False)
        for name in DASHES
    }
    assert len(set(lines.values())) == len(DASHES)


def test_colours_are_those_that_colour_blind_readers_can_separate() -> None:
    # Okabe and Ito, "Color Universal Design", 2008: hexadecimal values as reprinted in
    # B. Wong, "Points of view: Color blindness", Nature Methods 8 (2011) 441; from memory.
    published = {"000000", "E69F00", "56B4E9", "009E73", "F0E442", "0072B2", "D55E00", "CC79A7"}
    assert {"{:02X}{:02X}{:02X}".format(*rgb) for rgb in OKABE_ITO} == published
    drawing = plot([flat(0.0, order=n) for n in range(7)], width=80, height=12)
    coloured = drawing.to_text(colour=True)
    found = {tuple(map(int, rgb)) for rgb in re.findall(r"38;2;(\d+);(\d+);(\d+)", coloured)}
    assert found - {(128, 128, 128)} <= set(OKABE_ITO)
    assert len(found) == 8
    plain = "".join(
        line.rstrip() + "\n" for line in re.sub(r"\x1b\[[0-9;]*m", "", coloured).splitlines()
    )
    assert plain == drawing.to_text(colour=False)
    assert "\x1b" not in drawing.to_text(colour=False)


def test_a_band_is_shaded_from_edge_to_edge_and_labelled() -> None:
    drawing = plot([flat(0.0)], width=120, height=14, bands=[(72.0, 138.0, "overlap 0.3 dB")])
    columns = np.flatnonzero(drawing.shaded.any(axis=0))
    assert columns[0] == drawing.column_of(72.0)
    assert columns[-1] == drawing.column_of(138.0)
    assert drawing.shaded[drawing.top_row : drawing.top_row + drawing.rows, columns].all()
    assert "overlap 0.3 dB" in drawing.to_text(colour=False)
    assert (drawing.styles == SHADE).any()
    outside = plot([flat(0.0)], width=120, height=14, low_hz=200.0, bands=[(72.0, 138.0, "")])
    assert not outside.shaded.any()


def test_runs_say_of_every_cell_what_it_shows_and_whether_it_is_shaded() -> None:
    curves = [flat(0.0, "舞台左"), flat(-6.0, "e\u0301te", order=1), flat(-12.0, order=2)]
    drawing = plot(curves, width=90, height=12, bands=[(72.0, 138.0, "loss"), (1e3, 2e3, "")])
    for row in range(drawing.height):
        styles, shades = [], []
        for text, style, shaded in drawing.runs(row):
            width = width_of(text)
            styles += [style] * width
            shades += [shaded] * width
        cells = drawing.characters[row].tolist()
        assert "".join(text for text, _, _ in drawing.runs(row)) == "".join(cells)
        assert shades == drawing.shaded[row].tolist()
        seen = [at for at, cell in enumerate(cells) if cell != " "]
        assert [styles[at] for at in seen] == drawing.styles[row, seen].tolist()


def test_parts_unlike_put_over_the_other_give_this() -> None:
    """Signs, styles and shade, with a wide name in one of the two."""
    names = ("Sub", "低音", "Top L")
    drawings = [
        plot(
            [flat(level), replace(flat(-level), label=name, dash="long-dash", order=order)],
            width=90, height=14, bands=bands,
        )
        for level, name, order, bands in zip(
            (0.0, 1.5, 7.0), names, (1, 1, 2), ((), (), ((100.0, 300.0, "band"),)), strict=True
        )
    ]  # fmt: skip
    for now in drawings:
        for before in drawings:
            put = [list(zip(*row, strict=True)) for row in _cells(before)]
            for row, start, stop in now.parts_unlike(before):
                assert now.is_simple(row) or (start, stop) == (0, 90)
                put[row][start:stop] = list(zip(*_cells(now)[row], strict=True))[start:stop]
                if now.is_simple(row):
                    texts, looks = now.cut(row, start, stop)
                    assert "".join(texts) == "".join(now.characters[row, start:stop])
                    assert len(looks) == len(texts)
            assert put == [list(zip(*row, strict=True)) for row in _cells(now)]
        assert now.parts_unlike(now) == []


def _cells(drawing: Drawing) -> list[tuple[list[str], list[int], list[bool]]]:
    return [
        (drawing.characters[row].tolist(), drawing.styles[row].tolist(),
         drawing.shaded[row].tolist())
        for row in range(drawing.height)
    ]  # fmt: skip


def test_a_scale_is_kept_while_the_curves_sit_well_in_it() -> None:
    options: dict[str, object] = {"width": 90, "height": 12}
    first = plot([flat(0.0), flat(-20.0)], **options)  # type: ignore[arg-type]
    near = plot([flat(-1.5), flat(-20.5)], like=first, **options)  # type: ignore[arg-type]
    assert near.value_range == first.value_range
    assert [line[:6] for line in near.lines()] == [line[:6] for line in first.lines()]
    above = plot([flat(first.value_range[1] + 0.1)], like=first, **options)  # type: ignore[arg-type]
    assert above.value_range[1] > first.value_range[1] + 0.1
    small = plot([flat(0.0), flat(-5.0)], like=first, **options)  # type: ignore[arg-type]
    assert small.value_range == plot([flat(0.0), flat(-5.0)], **options).value_range  # type: ignore[arg-type]
    taller = plot([flat(0.0)], width=90, height=20, like=first)
    assert taller.value_range == plot([flat(0.0)], width=90, height=20).value_range


def test_an_axis_changed_in_place_is_noticed() -> None:
    axis = FREQUENCY_HZ.copy()
    slope = np.linspace(-20.0, 20.0, 480)
    before = plot([Curve("a", axis, slope)], width=90, height=12).lines()
    axis[:] = axis**1.05 / 20.0**0.05
    after = plot([Curve("a", axis, slope)], width=90, height=12).lines()
    assert after == plot([Curve("a", axis.copy(), slope)], width=90, height=12).lines() != before


def test_cells_and_figures_translate_back_and_forth() -> None:
    drawing = plot([flat(0.0)], width=133, height=20, low_hz=30.0, high_hz=16000.0)
    for column in range(drawing.left, drawing.left + drawing.columns):
        assert drawing.column_of(drawing.frequency_at(column)) == column
    assert drawing.value_at(drawing.top_row) == drawing.value_range[1]
    last = drawing.top_row + drawing.rows - 1
    assert drawing.value_at(last) == pytest.approx(drawing.value_range[0])


def test_magnitude_over_phase_shares_one_frequency_axis() -> None:
    phase = Curve("flat", FREQUENCY_HZ, np.full(480, 90.0), wraps=True)
    both = magnitude_over_phase([flat(0.0)], [phase], width=80, height=24, title="at Row 8")
    lines = both.lines()
    assert len(lines) == 24
    figures = [line for line in lines if line.split()[:1] == ["20"]]
    assert len(figures) == 2
    assert figures[0] == figures[1]
    assert [line[:6] for line in lines if "180" in line[:6]] == ["+180 ┤", "−180 ┤"]
    assert "at Row 8" in lines[0]
    with pytest.raises(ValueError, match="do not stack"):
        stack(plot([flat(0.0)], width=80, height=10), plot([flat(0.0)], width=81, height=10))


def test_the_eighty_by_twenty_four_screen_has_eight_rows_of_magnitude() -> None:
    assert plot([flat(0.0, f"Out {n}") for n in range(4)], width=80, height=10).rows >= 8


@pytest.mark.parametrize(
    ("low_hz", "high_hz"), [(20, 20000), (60, 150), (95, 105), (1000, 1100), (5, 40), (100, 101)]
)
def test_a_zoomed_axis_still_has_figures(low_hz: float, high_hz: float) -> None:
    figures = plot([flat(0.0)], width=90, height=9, low_hz=low_hz, high_hz=high_hz).lines()[-1]
    assert len(figures.split()) >= 3
    assert len(set(figures.split())) == len(figures.split())


def test_group_delay_and_coherence_scales_follow_their_data() -> None:
    delay = Curve("delay", FREQUENCY_HZ, np.linspace(4.0, 12.0, 480))
    drawing = plot([delay], width=80, height=14, unit="ms")
    bottom, top = drawing.value_range
    assert bottom <= 4.0 < 12.0 <= top
    assert top - bottom < 25.0
    assert drawing.lines()[0].startswith("  ms")


def test_names_can_do_nothing_to_a_terminal_and_wide_ones_keep_their_columns() -> None:
    evil = flat(0.0, "a\x1b[2Jb\u202ec\x07")
    drawing = plot([evil, flat(-6.0, "舞台左"), flat(-12.0, "e\u0301te")], width=90, height=12)
    text = drawing.to_text(colour=False)
    assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]", text)
    assert "舞台左" in text
    assert "e\u0301te" in text
    wide = next(row for row in drawing.characters.tolist() if "舞" in row)
    assert wide[wide.index("舞") + 1] == ""
    assert len(wide) == 90


def test_no_room_is_refused_with_the_remedy() -> None:
    with pytest.raises(Refused, match="at least 32 columns and 5 rows, here are 31 and 12; widen"):
        plot([flat(0.0)], width=31, height=12)
    with pytest.raises(Refused, match="has no width"):
        plot([flat(0.0)], width=80, height=12, low_hz=100.0, high_hz=100.0)
    with pytest.raises(Refused, match="has no height"):
        plot([flat(0.0)], width=80, height=12, value_range=(3.0, 3.0))


def test_nothing_to_draw_still_has_axes() -> None:
    text = plot([], width=60, height=8).to_text(colour=False)
    assert "20k" in text
    assert "┤" in text
    dot = Curve("one point", np.array([1000.0]), np.array([0.0]))
    assert braille(plot([dot], width=60, height=8)).any()


def test_the_gutter_is_the_same_for_every_unit() -> None:
    for unit in ("dB", "deg", "ms"):
        drawing = plot([flat(0.0)], width=60, height=10, unit=unit)
        assert {line[GUTTER - 1] for line in drawing.lines()[1:-1]} <= {"│", "┤"}


def test_the_plot_needs_numpy_alone() -> None:
    script = (
        "import sys, xover.sheets.curves; "
        "print([n for n in ('scipy', 'matplotlib', 'rich', 'textual', 'jinja2', 'click') "
        "if n in sys.modules])"
    )
    answer = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert answer.stdout.strip() == "[]"
