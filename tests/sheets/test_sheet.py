"""The entry sheet: what is on it, in every format, and that names in it do nothing."""

from __future__ import annotations

import csv
import io
import re
import shutil
import subprocess
import unicodedata
from html.parser import HTMLParser
from pathlib import Path

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.sheets.paper import pages_of
from tests.sheets.scenario import AUX, FORMULA, SCRIPT, rig
from tests.sheets.write_golden import GOLDEN, TEXT_FORMATS, written
from tests.strategies import everything, presets
from xover.model import places
from xover.model.names import inert
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import Input, Output
from xover.sheets.csv_sheet import COLUMNS, defused
from xover.sheets.formats import FORMATS, format_of, sheet
from xover.sheets.html import html_sheet
from xover.sheets.markdown import escaped
from xover.sheets.rows import Sheet, sheet_of, show_exact_hz
from xover.sheets.text import text_sheet

CHROMIUM = "/usr/bin/chromium"


def rows_of(preset: Preset) -> Sheet:
    return sheet_of(preset, date="17 May 2025", revision="a1b2c3d4e5f6")


def entry(sheet_: Sheet, output: int, label: str) -> str:
    """The words of one output's row, figures then note."""
    found = next(item for item in sheet_.outputs[output].entries if item.label == label)
    return ", ".join([figure.words for figure in found.figures] + [found.note] * bool(found.note))


@pytest.mark.parametrize("format", TEXT_FORMATS)
def test_sheets_are_byte_for_byte_as_kept(format: str) -> None:
    # After a wanted change: python -m tests.sheets.write_golden, and read the diff.
    assert written(format) == (GOLDEN / f"sheet.{format}").read_bytes()


def test_figures_read_in_signal_order_with_metres_samples_and_volts() -> None:
    made = rows_of(rig())
    assert [item.label for item in made.outputs[0].entries] == [
        "Mute", "From Left", "From Right", f"From {AUX}", "Gain", "Polarity", "Delay", "High-pass",
        "Low-pass", "EQ 1", "EQ 2", "EQ 3", "RMS limit", "RMS limit, trial", "Peak limit",
        "Peak limit, trial",
    ]  # fmt: skip
    # By hand: 343.2·√(297.15/293.15) = 345.53 m/s (ISO 9613-1, A.5) · 3.4217 ms = 1.182 m;
    # 48 samples a millisecond · 3.4217 = 164.24.
    assert entry(made, 1, "Delay") == "3.4217 ms, = 1.18 m at 24.0 °C = 164.24 samples"
    # 0.7746 V · 10^(8.3/20) = 2.014 V; 0.7746 V · 10^(11.25/20) · √2 = 4.000 V peak.
    assert entry(made, 0, "RMS limit") == "+8.3 dBu, attack 50 ms, release 500 ms, = 2.014 V rms"
    assert entry(made, 0, "Peak limit") == (
        "+11.25 dBu, attack 0.3 ms, release 5 ms, = rms of the sine with this peak, 4.000 V peak"
    )
    assert entry(made, 0, "High-pass") == "Butterworth, 24 dB/oct, 32 Hz"
    assert entry(made, 0, "EQ 1") == "peak, 46 Hz, −3.0 dB, Q 2, BYPASSED"
    assert entry(made, 1, "EQ 1") == "low shelf, 1st order, 250 Hz, +1.5 dB"
    assert entry(made, 1, "Polarity") == "INVERTED"
    assert entry(made, 2, "Mute") == "MUTED"
    assert entry(made, 1, "Low-pass") == "off"
    assert made.outputs[0].facts == (("Physical output", "1"), ("Patch", "Snake 3, line 1"))
    locked = [item.label for item in made.outputs[0].entries if item.locked]
    assert locked == ["High-pass", "RMS limit", "Peak limit"]
    assert "group Mains: gain, delay" in made.outputs[0].remarks[0]
    assert made.matrix.rows[0] == ("Sub", ("−6.0206 dB", "−6.0206 dB", "0.0 dB"))
    assert made.matrix.rows[1][1] == ("0.0 dB", "–", "–")


@pytest.mark.parametrize(
    ("value", "shown"),
    [(-3.25, "−3.25 dB"), (-3.0, "−3.0 dB"), (0.125, "+0.125 dB"), (-0.0, "0.0 dB"),
     (-6.0206, "−6.0206 dB"), (1 / 3, "+0.3333 dB")],
)  # fmt: skip
def test_a_figure_to_type_is_never_rounded_to_the_look_of_it(value: float, shown: str) -> None:
    preset = Preset(
        title="t",
        inputs=(Input(name="In"),),
        outputs=(Output(name="Out", inputs={"In": 0.0}, gain_db=value),),
    )
    assert entry(rows_of(preset), 0, "Gain") == shown


def test_frequencies_are_given_as_finely_as_they_can_be_typed() -> None:
    typed = [80.0, 112.5, 506.25, 999.999, 1000.0, 1250.0, 12543.0, 16000.0]
    assert [show_exact_hz(value) for value in typed] == [
        "80 Hz", "112.5 Hz", "506.25 Hz", "1000 Hz", "1 kHz", "1.25 kHz", "12.543 kHz", "16 kHz",
    ]  # fmt: skip


def test_the_usual_cautions_and_the_definitions_are_on_every_sheet() -> None:
    for format in ("html", "md", "csv", "txt"):
        text = " ".join(written(format).decode().split())
        text = text.replace("&#39;", "'")
        for words in ("Hearing: mute", "70.7 V or 100 V lines can carry dangerous voltage",
                      "Local codes", "can destroy a driver", "half the dB gain",
                      "−6.02 dB point for Linkwitz-Riley",
                      "rms of the sine that has that peak"):  # fmt: skip
            assert words in text.replace(" ! ", " "), (format, words)


def test_every_value_to_enter_has_a_box() -> None:
    made = rows_of(rig())
    blocks = [*made.inputs, *made.outputs]
    count = sum(len(item.figures) for block in blocks for item in block.entries)
    assert count > 60
    assert written("txt").decode().count("[ ]") == count
    assert written("md").decode().count("☐") == count
    assert written("html").decode().count('class="box"') == count


def figures_at_places(preset: Preset) -> int:
    """Every figure equals what stands in the preset at its place; how many were compared."""
    made, count = rows_of(preset), 0
    for block in (*made.inputs, *made.outputs):
        for item in block.entries:
            for figure in item.figures:
                if figure.value == "none" or item.is_trial:
                    continue
                stored = places.value_at(preset, figure.where)
                if isinstance(stored, bool):
                    stored = str(stored).lower()
                assert figure.value == stored, figure.where
                count += 1
    return count


def test_no_figure_differs_from_the_preset_it_came_from() -> None:
    assert figures_at_places(rig()) > 50
    assert figures_at_places(everything()) > 20


@settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck))
@given(presets())
def test_any_preset_has_a_sheet_in_every_text_format(preset: Preset) -> None:
    figures_at_places(preset)
    made = rows_of(preset)
    text = text_sheet(made)
    assert all(_columns(line) <= 80 for line in text.splitlines())
    for format in TEXT_FORMATS:
        shown = sheet(made, format).decode()
        assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]", shown)


def _columns(line: str) -> int:
    """Columns by Unicode Standard Annex 11, counted afresh."""
    return sum(
        0 if unicodedata.category(c) in ("Mn", "Me", "Cf") else
        1 + (unicodedata.east_asian_width(c) in ("W", "F"))
        for c in line
    )  # fmt: skip


def test_sixteen_long_names_and_nine_inputs_stay_whole_within_eighty_columns() -> None:
    inputs = tuple(Input(name=f"Input {n} " + "x" * 100) for n in range(9))
    outputs = tuple(
        Output(name=f"Output {n} " + "long name " * 10 + "end", inputs={inputs[n % 9].name: -1.0})
        for n in range(16)
    )
    text = text_sheet(rows_of(Preset(title="T" * 120, inputs=inputs, outputs=outputs)))
    assert max(map(len, text.splitlines())) <= 80
    packed = re.sub(r"\s", "", text)
    for item in (*inputs, *outputs):
        assert re.sub(r"\s", "", item.name) in packed
    assert "…" not in text


class _Page(HTMLParser):
    """What a browser would see: element names, attributes and text, by Python's own parser."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.elements: set[str] = set()
        self.attributes: list[tuple[str, str | None]] = []
        self.text = ""
        self.isolated: list[str] = []
        self._depth = 0
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.add(tag)
        self.attributes += attrs
        if tag == "bdi":
            self.isolated.append("")
            self._depth += 1

    def handle_endtag(self, tag: str) -> None:
        self._depth -= tag == "bdi"

    def handle_data(self, data: str) -> None:
        self.text += data
        if self._depth:
            self.isolated[-1] += data


def test_html_stands_alone_and_names_are_only_text() -> None:
    page = _Page(written("html").decode())
    assert "script" not in page.elements
    assert "b" in page.elements  # our own, for facts; the file's <b> is text
    outside = {"src", "href", "srcset", "data", "action", "style", "background"}
    assert not outside & {name for name, _ in page.attributes}
    assert not any(name.startswith("on") for name, _ in page.attributes)
    assert not re.search(r"url\((?!#)|@import|https?:(?!//www\.w3\.org/2000/svg)", page.text)
    for name in (SCRIPT, inert(FORMULA), AUX, "<b>Harbour</b> Hall"):
        assert name in page.isolated
    assert "\u202e" not in page.text
    assert r"\u202e" in page.text


@settings(max_examples=60, deadline=None)
@given(st.text(min_size=1, max_size=40).filter(lambda t: "\r" not in t and t.isprintable()))
def test_no_title_can_leave_its_place_in_html(title: str) -> None:
    made = msgspec.structs.replace(rows_of(rig()), title=title, outputs=(), inputs=())
    page = _Page(html_sheet(made))
    assert title in page.isolated
    assert page.elements == _Page(html_sheet(msgspec.structs.replace(made, title="x"))).elements
    style = re.search(r'@bottom-left \{ content: "([^"]*)"', html_sheet(made))
    assert style is not None
    assert re.fullmatch(r"[A-Za-z0-9]*(\\[0-9a-f]{6}[A-Za-z0-9]*)*", style[1])


HOSTILE = (
    SCRIPT, "*bold* _it_ `code` ~~no~~", "[a](http://x.example)", "![i](x.png)", "<b>x</b>",
    "&lt;b", "a | b", "# heading", "- item", "+ item", "1. one", "2) two", "= x", "trailing #",
    "www.example.com", "http://example.com/a", "mail@example.com", "example.org", "\\*", "$x$",
    ":smile:", "~", "> quote", "12.5",
)  # fmt: skip


@pytest.mark.parametrize("text", HOSTILE)
def test_markdown_shows_a_name_as_itself(text: str) -> None:
    # markdown-it-py, a CommonMark parser with tables and bare links, as the outside judge.
    markdown_it = pytest.importorskip("markdown_it")
    parser = markdown_it.MarkdownIt("gfm-like")
    for source, kind in (
        (f"| a | b |\n| --- | --- |\n| {escaped(text)} | c |\n", "td_open"),
        (f"{escaped(text)}\n", "paragraph_open"),
        (f"# Entry sheet: {escaped(text)}\n", "heading_open"),
    ):
        tokens = parser.parse(source)
        assert kind in {token.type for token in tokens}
        cells = [token for token in tokens if token.type == "inline"]
        seen = ["".join(child.content for child in cell.children or ()) for cell in cells]
        kinds = {child.type for cell in cells for child in cell.children or ()}
        assert kinds <= {"text", "text_special"}
        assert any(content.removeprefix("Entry sheet: ") == text for content in seen)


def test_the_whole_markdown_sheet_holds_no_html_and_no_links() -> None:
    markdown_it = pytest.importorskip("markdown_it")
    tokens = markdown_it.MarkdownIt("gfm-like").parse(written("md").decode())
    kinds = {token.type for token in tokens}
    kinds |= {child.type for token in tokens for child in token.children or ()}
    assert not kinds & {"html_block", "html_inline", "link_open", "image", "em_open"}
    assert "table_open" in kinds


def test_csv_reads_back_exactly_and_nothing_in_it_is_a_formula() -> None:
    lines = list(csv.reader(io.StringIO(written("csv").decode())))
    assert tuple(lines[0]) == COLUMNS
    assert all(len(line) == len(COLUMNS) for line in lines)
    for line in lines[1:]:
        for cell in line:
            if cell[:1] in ("=", "+", "-", "@", "\t", "\r"):
                float(cell)
    table = {(line[-1], line[3]): line[4] for line in lines[1:] if line[-1]}
    assert float(table["outputs[1].delay_ms", "delay_ms"]) == 3.4217
    assert float(table["outputs[0].eq[0].gain_db", "gain_db"]) == -3.0
    assert table["outputs[0].muted", "muted"] == "false"
    names = {line[0] for line in lines[1:] if line[1] == "output"}
    assert names == {"Sub", SCRIPT, "'" + inert(FORMULA)}


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@A1", "\t=1", "\r=1", "  =1", "＝1"])
def test_formulas_in_text_are_defused(text: str) -> None:
    # What spreadsheets evaluate: OWASP, "CSV Injection" (from memory).
    assert defused(text) == "'" + text
    assert defused("Sub −3") == "Sub −3"


def test_the_format_follows_the_name_of_the_file() -> None:
    assert [format_of(f"a.b/sheet.{name}") for name in FORMATS] == list(FORMATS)
    assert format_of("SHEET.HTML") == "html"
    with pytest.raises(Refused, match=r"end it in \.html, \.pdf, \.md, \.csv, \.txt, or use --as"):
        format_of("sheet.doc")
    with pytest.raises(Refused, match="cannot be doc; it can be html, pdf, md, csv, txt"):
        sheet(rows_of(rig()), "doc")


@pytest.mark.skipif(not Path(CHROMIUM).exists(), reason="chromium is not installed")
@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext is not installed")
def test_a_browser_prints_the_html_with_numbered_pages(tmp_path: Path) -> None:
    source, target = tmp_path / "sheet.html", tmp_path / "sheet.pdf"
    source.write_bytes(written("html"))
    subprocess.run(
        [CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer",
         f"--user-data-dir={tmp_path / 'profile'}", f"--print-to-pdf={target}", source.as_uri()],
        capture_output=True, check=True, timeout=120,
    )  # fmt: skip
    pages = pages_of(target.read_bytes(), tmp_path, layout=True)
    text = "\f".join(pages)
    assert len(pages) == 5
    for number, page in enumerate(pages, start=1):
        assert f"Page {number} of 5" in page
        assert "Harbour Hall, main rig" in page
    for number in range(1, 4):
        assert sum(f"Output {number} of 3" in page for page in pages) == 1
    for words in ("3.4217 ms", "Linkwitz-Riley", "−6.0206 dB", "20k", "LOCKED", "BYPASSED"):
        assert words in text
