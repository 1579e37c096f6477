"""Figures in files: the same bytes twice, the right scales, and names that are only text."""

from __future__ import annotations

import re
import struct
import subprocess
import sys
from xml.etree import ElementTree

import numpy as np
import pytest
from scipy import signal

from tests.sheets.scenario import SCRIPT, curves, rig
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import Crossover, Input, Output
from xover.sheets.curves import Curve
from xover.sheets.electrical import electrical_curves
from xover.sheets.figures import FORMATS, response_figure, shown
from xover.sheets.scales import automatic_range, frequency_name, frequency_ticks, show_tick
from xover.sheets.svg import HEIGHT, WIDTH, svg_chart

SVG = "{http://www.w3.org/2000/svg}"


def panels() -> list[tuple[str, list[Curve]]]:
    frequency_hz = curves()[0].frequency_hz
    phase = (-np.linspace(0.0, 1500.0, frequency_hz.size) + 180.0) % 360.0 - 180.0
    delay = np.full(frequency_hz.size, 3.42)
    return [
        ("dB", list(curves())),
        ("deg", [Curve("Sub", frequency_hz, phase, wraps=True)]),
        ("ms", [Curve("Sub", frequency_hz, delay)]),
    ]


@pytest.mark.parametrize("format", FORMATS)
def test_a_figure_is_the_same_twice_and_of_its_format(format: str) -> None:
    one = response_figure(panels(), format=format, title="Harbour Hall", bands=[(72, 138, "")])
    two = response_figure(panels(), format=format, title="Harbour Hall", bands=[(72, 138, "")])
    assert one == two
    start = {"svg": b"<?xml", "png": b"\x89PNG\r\n", "pdf": b"%PDF-"}[format]
    assert one.startswith(start)
    assert b"CreationDate" not in one
    assert b"dc:date" not in one
    if format == "png":
        width, height = struct.unpack(">II", one[16:24])
        assert 1000 < width < 2000
        assert 800 < height < 2000


def test_an_svg_figure_names_axes_ticks_and_curves_as_text() -> None:
    document = response_figure(panels(), format="svg", title="Sub & <top> $x$")
    texts = [node.text or "" for node in ElementTree.fromstring(document).iter(f"{SVG}text")]
    for figure in ("20", "50", "100", "200", "500", "1k", "2k", "5k", "10k", "20k"):
        assert figure in texts
    for words in ("Magnitude in dB", "Phase in degrees", "Group delay in ms", "Frequency in Hz",
                  "Sub & <top> $x$", "Sub"):  # fmt: skip
        assert words in texts
    assert any(text.startswith("<script>alert('Top')") for text in texts)
    assert "+180" in texts
    assert "−48" in texts or "−42" in texts


def test_a_wrap_is_not_drawn_as_a_line() -> None:
    document = response_figure(panels()[1:2], format="svg").decode()
    # 1,500 degrees from 0 downwards pass −180 four times: five strokes, each a move.
    strokes = [path for path in re.findall(r'd="(M[^"]*)"', document) if path.count("L") > 20]
    assert sum(path.count("M") for path in strokes) == 5


def test_what_cannot_be_drawn_is_refused() -> None:
    with pytest.raises(Refused, match="a figure cannot be gif; it can be svg, png, pdf"):
        response_figure(panels(), format="gif")
    silent = Curve("Sub", np.array([20.0, 40.0]), np.array([-np.inf, np.nan]))
    with pytest.raises(Refused, match="nothing to draw"):
        response_figure([("dB", [silent])], format="svg")


def test_signs_that_the_font_lacks_are_spelled_out() -> None:
    assert shown("Zürich −3") == "Zürich −3"
    assert shown("舞台") == "\\u821e\\u53f0"
    assert shown("a\u202eb") == "a\\u202eb"
    odd = Curve("_舞台", np.array([20.0, 20000.0]), np.zeros(2))
    assert b"_\\u821e" in response_figure([("dB", [odd])], format="svg")


def test_the_inline_chart_puts_values_where_its_own_ticks_say() -> None:
    chart = ElementTree.fromstring(svg_chart(curves(), title="<t>"))
    assert chart.attrib["viewBox"] == f"0 0 {WIDTH} {HEIGHT}"
    assert chart.findtext(f"{SVG}title") == "<t>"
    x_of, y_of = {}, {}
    for node in chart.iter(f"{SVG}text"):
        if node.attrib.get("text-anchor") == "middle":
            x_of[node.text] = float(node.attrib["x"])
        elif node.attrib.get("text-anchor") == "end":
            y_of[node.text] = float(node.attrib["y"])
    lines = [n.attrib["d"] for n in chart.iter(f"{SVG}path") if "clip-path" in n.attrib]
    points = [tuple(map(float, pair)) for pair in re.findall(r"([\d.]+) ([\d.-]+)", lines[0])]
    # The falling line: 0 dB up to 100 Hz, −24 dB at 200 Hz, by construction.
    at = {round(x, 1): y for x, y in points}
    assert at[round(x_of["20"], 1)] == pytest.approx(y_of["0"], abs=0.02)
    assert min(at.items(), key=lambda item: abs(item[0] - x_of["200"]))[1] == pytest.approx(
        y_of["−24"], abs=2.0
    )
    # The rising line has a gap of ten points: two strokes.
    assert lines[1].count("M") == 2
    assert lines[0].count("M") == 1
    names = [node.text for node in chart.iter(f"{SVG}text") if "unicode-bidi" in node.attrib]
    assert names[0] == "<script>alert('Top')…"
    assert "Sub" in names
    dashes = [n.attrib.get("stroke-dasharray") for n in chart.iter(f"{SVG}path")
              if "clip-path" in n.attrib]  # fmt: skip
    assert dashes == [None, "6.5 3.9"]


def test_sixteen_labels_of_the_inline_chart_do_not_touch() -> None:
    frequency_hz = np.array([20.0, 20000.0])
    flat = [Curve(f"Out {n}", frequency_hz, np.zeros(2), "solid", n) for n in range(30)]
    chart = ElementTree.fromstring(svg_chart(flat))
    height = float(chart.attrib["viewBox"].split()[-1])
    places = sorted(
        float(n.attrib["y"]) for n in chart.iter(f"{SVG}text") if "unicode-bidi" in n.attrib
    )
    assert len(places) == 30
    assert min(np.diff(places)) >= 11.9
    assert places[0] > 0.0
    assert places[-1] < height


def test_outputs_curves_are_the_filters_that_are_set() -> None:
    preset = Preset(
        title="t",
        inputs=(Input(name="In"),),
        outputs=(
            Output(
                name="Top",
                inputs={"In": -6.0},
                high_pass=Crossover(
                    family="butterworth", slope_db_per_octave=24, frequency_hz=100.0
                ),
            ),
            Output(name="Mute", inputs={"In": 0.0}, muted=True),
            Output(name="Not routed"),
        ),
    )
    (curve,) = electrical_curves(preset)
    assert curve.label == "Top"
    # scipy.signal as the outside judge: bilinear Butterworth of order 4, prewarped at 100 Hz.
    sections = signal.butter(4, 100.0, "highpass", fs=48000.0, output="sos")
    _, response = signal.sosfreqz(sections, worN=curve.frequency_hz, fs=48000.0)
    expected = 20.0 * np.log10(np.abs(response)) - 6.0
    assert np.abs(curve.values - expected).max() < 1e-6
    assert [c.label for c in electrical_curves(rig())] == ["Sub", SCRIPT]


def test_scales_hold_their_data_and_count_in_the_trades_steps() -> None:
    rng = np.random.default_rng(5)
    for _ in range(300):
        least, most = np.sort(rng.uniform(-90.0, 40.0, 2))
        rows = int(rng.integers(4, 60))
        bottom, top, step = automatic_range(float(least), float(most), rows, "dB")
        assert top >= most
        assert bottom <= max(least, most - min(18.0 + 1.5 * rows, 72.0))
        assert step in (0.1, 0.2, 0.5, 1, 2, 3, 6, 12, 24, 48, 96, 192, 384, 1200)
        per_row = (top - bottom) / (rows - 1)
        # Ticks lie on row centres: the top is a whole number of rows from a tick.
        assert (top / per_row) == pytest.approx(round(top / per_row), abs=1e-6)
        assert (step / per_row) == pytest.approx(round(step / per_row), abs=1e-6)
    assert [frequency_name(f) for f in (20.0, 31.5, 1000.0, 12500.0)] == [
        "20",
        "31.5",
        "1k",
        "12.5k",
    ]
    assert show_tick(-12.0, "dB", 6.0) == "−12"
    assert show_tick(0.5, "dB", 0.5) == "+0.5"
    assert show_tick(0.25, "ms", 0.05) == "0.25"
    flat = sorted(f for level in frequency_ticks(20.0, 20000.0) for f in level)
    assert flat == [20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000]


def test_sheets_load_matplotlib_jinja_and_typst_only_when_they_draw() -> None:
    script = (
        "import sys, xover.sheets.formats, xover.sheets.figures, xover.sheets.html, "
        "xover.sheets.pdf, xover.sheets.electrical, xover.sheets.text; print([n for n in "
        "('scipy', 'matplotlib', 'jinja2', 'soundfile', 'typst') if n in sys.modules])"
    )
    answer = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert answer.stdout.strip() == "[]"
