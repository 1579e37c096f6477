"""The PDF sheet: all of the rows on the pages, nothing off them, and names that are only text."""

from __future__ import annotations

import hashlib
import os
import re
import subprocess
import sys
from pathlib import Path

import msgspec
import numpy as np
import pytest
import typst
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy import ndimage

from tests.sheets.paper import pages_of, picture_of, squeezed, words_on
from tests.sheets.scenario import curves, rig
from xover.model.preset import Preset
from xover.model.processing import EqSection, Group, Input, Output
from xover.sheets.drawing import Curve
from xover.sheets.formats import sheet
from xover.sheets.pdf import pdf_sheet
from xover.sheets.rows import Block, Sheet, sheet_of

A4_PT = (595.276, 841.890)
"""210 by 297 mm, ISO 216, at 72 points an inch."""
MARGIN_PT = 36.0
HOSTILE = (
    '#read("/etc/hostname")', "$x^2$ `raw` *bold* _it_", "] } ) #[", "= heading", "// note",
    "/* a */ b", '"quote" \'single\'', "\\u{41} \\ \\n", "<label> @ref", "-- --- ~ ...",
    "#pagebreak()",
    '#image("x.svg")', "{{ x }} {% y %}", "</svg><script>", "&amp; &lt;",
    "https://example.org/a?b=c",
    '","loud":"', "#{panic()}", "#sys.inputs",
)  # fmt: skip


def rows_of(preset: Preset) -> Sheet:
    return sheet_of(preset, date="17 May 2025", revision="a1b2c3d4e5f6")


@pytest.fixture(scope="module")
def made() -> bytes:
    return sheet(rows_of(rig()), "pdf", curves=curves())


def in_order(block: Block) -> list[str]:
    """Everything of one block as it must be read, row by row."""
    texts = [block.name, *(part for fact in block.facts for part in fact), *block.remarks]
    for item in block.entries:
        texts.append(item.label)
        texts += ["LOCKED"] * item.locked
        texts += [figure.words for figure in item.figures]
        texts += [item.note] * bool(item.note)
    return texts


def assert_in_order(text: str, expected: list[str]) -> None:
    place = 0
    for words in expected:
        found = text.find(squeezed(words), place)
        assert found >= 0, f"{words!r} is not where it belongs"
        place = found + len(squeezed(words))


def test_every_figure_and_sentence_is_there_in_signal_order(made: bytes, tmp_path: Path) -> None:
    rows = rows_of(rig())
    pages = [squeezed(page) for page in pages_of(made, tmp_path)]
    whole = "".join(re.sub(r"Date17May2025,.*$", "", page) for page in pages)
    expected = ["Entry sheet", rows.title, *(part for fact in rows.facts for part in fact)]
    expected += ["Before you start", *rows.cautions, "Notes", *rows.notes]
    expected += ["Electrical magnitude, limiters excluded", "Matrix"]
    expected += [part for name, gains in rows.matrix.rows for part in (name, *gains)]
    expected += ["Groups, set together", *(part for group in rows.groups for part in group)]
    expected += ["Inputs", *(text for block in rows.inputs for text in in_order(block))]
    for number, block in enumerate(rows.outputs, start=1):
        expected += [f"Output {number} of 3", *in_order(block), "Entered by", "Read back by"]
    expected += ["What the figures mean", *rows.definitions]
    assert sum(len(item.figures) for block in rows.outputs for item in block.entries) > 45
    assert_in_order(whole, expected)
    for sentence in (*rows.cautions, *rows.definitions):
        assert whole.count(squeezed(sentence)) == 1


def test_every_page_says_which_sheet_and_which_page_it_is(made: bytes, tmp_path: Path) -> None:
    pages = pages_of(made, tmp_path)
    assert len(pages) == 5
    for number, page in enumerate(pages, start=1):
        assert f"Page {number} of 5" in page
        for words in ("Harbour Hall, main rig", "Revision a1b2c3d4e5f6", "Date 17 May 2025"):
            assert words in page
    # Each of these outputs needs more than half a page.
    for number in range(1, 4):
        assert [f"Output {number} of 3" in page for page in pages].index(True) == number + 1
    bare = pages_of(pdf_sheet(sheet_of(rig())), tmp_path)
    assert "Page 1 of" in bare[0]
    assert "Date" not in bare[0].replace("Date and time", "")
    assert "Revision" not in bare[0]


def test_every_value_to_enter_has_a_box_of_its_own(made: bytes, tmp_path: Path) -> None:
    """Boxes are counted on the rendered page: white squares of 3.7 mm closed in by black."""
    rows, dpi = rows_of(rig()), 120
    count = 0
    for page in range(1, 6):
        areas, _ = ndimage.label(picture_of(made, tmp_path, page, dpi) > 160)
        for found in ndimage.find_objects(areas):
            sides_mm = [(part.stop - part.start) / dpi * 25.4 for part in found]
            count += all(2.9 < side < 3.8 for side in sides_mm)
    blocks = (*rows.inputs, *rows.outputs)
    assert count == sum(len(item.figures) for block in blocks for item in block.entries)


def test_the_same_sheet_gives_the_same_bytes_anywhere_and_any_day(
    made: bytes, tmp_path: Path
) -> None:
    script = (
        "import hashlib, os\nfrom tests.sheets.test_pdf import *\n"
        "os.mkdir('gone'); os.chdir('gone'); os.rmdir('../gone')\n"
        "print(hashlib.sha256(sheet(rows_of(rig()), 'pdf', curves=curves())).hexdigest())"
    )
    root = Path(__file__).parents[2]
    elsewhere = {
        **os.environ, "TZ": "Pacific/Auckland", "SOURCE_DATE_EPOCH": "86400", "LANG": "de_DE.UTF-8",
        "HOME": str(tmp_path), "XDG_DATA_HOME": str(tmp_path), "PYTHONHASHSEED": "7",
        "PYTHONPATH": str(root),
    }  # fmt: skip
    answer = subprocess.run(
        [sys.executable, "-c", script],
        capture_output=True, text=True, check=True, env=elsewhere, cwd=tmp_path,
    )  # fmt: skip
    assert answer.stdout.strip() == hashlib.sha256(made).hexdigest()
    assert b"CreationDate" not in made
    assert b"ModDate" not in made


def test_only_typsts_own_fonts_are_in_it(made: bytes, tmp_path: Path) -> None:
    names = set(re.findall(rb"/FontName */[A-Z]{6}\+([A-Za-z]+)", made))
    assert names
    assert names <= {b"LibertinusSerif", b"DejaVuSansMono"}


@pytest.fixture
def warnings(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What typst warns of while sheets are made (an unknown font, pages that never settle)."""
    heard: list[str] = []

    def compile_aloud(*given: object, **options: object) -> object:
        document, spoken = typst.compile_with_warnings(*given, **options)  # type: ignore[call-overload]
        heard.extend(warning.message for warning in spoken)
        return document

    monkeypatch.setattr(typst, "compile", compile_aloud)
    return heard


def hostile_rig(texts: tuple[str, ...]) -> Preset:
    names = tuple(text.strip() for text in texts)
    inputs = tuple(Input(name=name) for name in names[:3])
    outputs = tuple(
        Output(name=name, patch=name, inputs={inputs[n % 3].name: 0.0})
        for n, name in enumerate(names)
    )
    return Preset(
        title=names[0], venue=names[1], author=names[2], notes="\n".join(texts), tags=names[:2],
        processor=names[3], inputs=inputs, outputs=outputs,
        groups=tuple(Group(name=n, outputs=(n, names[0]), follow=("gain",)) for n in names[1:]),
    )  # fmt: skip


def test_markup_in_names_and_notes_is_text(tmp_path: Path, warnings: list[str]) -> None:
    rows = rows_of(hostile_rig(HOSTILE))
    drawn = [
        Curve(text, np.array([20.0, 20000.0]), np.zeros(2), "solid", n)
        for n, text in enumerate(HOSTILE)
    ]
    document = pdf_sheet(rows, drawn)
    text = squeezed("".join(pages_of(document, tmp_path)))
    assert_in_order(text, [rows.title, *rows.facts[0], *rows.facts[1], "Notes", *rows.notes])
    chart = text[text.index("Electricalmagnitude") : text.index("Matrix")]
    for name in HOSTILE:
        assert squeezed(name[:21]) in chart or squeezed(name[:20]) + "…" in chart
    for number, block in enumerate(rows.outputs, start=1):
        start = text.index(squeezed(f"Output {number} of {len(HOSTILE)}"))
        assert_in_order(text[start:], in_order(block)[:4])
    assert b"/URI" not in document
    assert not warnings


@settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.text("".join(map(chr, range(33, 127))), min_size=1, max_size=40))
def test_no_title_or_name_can_leave_its_place(
    tmp_path_factory: pytest.TempPathFactory, text: str
) -> None:
    preset = Preset(
        title=text, venue=text, inputs=(Input(name=text),),
        outputs=(Output(name=text, inputs={text: 0.0}),),
    )  # fmt: skip
    pages = pages_of(pdf_sheet(rows_of(preset)), tmp_path_factory.mktemp("page"))
    assert len(pages) == 2
    assert_in_order(
        squeezed(pages[0]), ["Entry sheet", text, "Venue", text, "Inputs", text, "Stage"]
    )
    assert_in_order(squeezed(pages[1]), ["Output 1 of 1", text, "Physical", f"From {text}", "Gain"])


def test_signs_that_no_font_has_are_spelled_and_the_rest_is_shown(
    tmp_path: Path, warnings: list[str]
) -> None:
    name = "Zürich Ωδ Москва 舞台 😀 \ue000"
    preset = Preset(
        title=name, venue="\u202eevil", inputs=(Input(name="שלום"),),
        outputs=(Output(name="舞台"),),
    )  # fmt: skip
    flat = Curve("舞\u202eb", np.array([20.0, 20000.0]), np.zeros(2))
    text = "".join(pages_of(pdf_sheet(rows_of(preset), [flat]), tmp_path))
    assert "Zürich Ωδ Москва \\u821e\\u53f0 \\U0001f600 \\ue000" in text
    assert "\\u202eevil" in text
    assert "\\u821e\\u202eb" in text
    assert "שלום" in text
    assert not set(text) & set("舞台😀\ue000\u202e\ufffd")
    assert not warnings


def sixteen(bands: int) -> Preset:
    """Nine inputs and sixteen outputs with names as long as names may be; output 6 has `bands`."""
    inputs = tuple(Input(name=f"Input {n} " + "x" * 111) for n in range(9))
    section = EqSection(kind="peak", frequency_hz=12543.0, gain_db=-1.0625, q=1.4142, bypassed=True)
    return Preset(
        title="W" * 120,
        notes="n" * 300,
        inputs=inputs,
        outputs=tuple(
            Output(
                name=f"{n} " + ("long name " * 11 if n % 2 else "W" * 110) + "end",
                channel=n + 1, patch="P" * 200 if n == 1 else "",
                inputs={inputs[n % 9].name: -6.0206},
                eq=(section,) * (bands if n == 5 else n % 3),
            )
            for n in range(16)
        ),
    )  # fmt: skip


def test_sixteen_outputs_stay_on_the_pages_and_whole_where_they_can(
    tmp_path: Path, warnings: list[str]
) -> None:
    rows = rows_of(sixteen(bands=40))
    document = pdf_sheet(rows)
    assert not warnings
    pages = pages_of(document, tmp_path)
    flat = [squeezed(page) for page in pages]
    for number, page in enumerate(pages, start=1):
        assert f"Page {number} of {len(pages)}" in page
    for number, block in enumerate(rows.outputs, start=1):
        first = next(n for n, p in enumerate(flat) if f"Output{number}of16" in p)
        after = flat[first][flat[first].index(f"Output{number}of16") :]
        if number != 6:
            assert_in_order(after, [*in_order(block), "Entered by", "Read back by"])
            continue
        # Forty bands need more than a page: the name and the columns' heads are said again.
        assert squeezed(block.name + ", continued") in flat[first + 1]
        assert squeezed("Stage Enter, and tick when read back Initials") in flat[first + 1]
        assert squeezed(block.name + ", continued") not in flat[first]
        assert_in_order(after + "".join(flat[first + 1 : first + 4]), [
            text for item in block.entries for text in (
                item.label, *(figure.words for figure in item.figures))
        ])  # fmt: skip
        # A row is never cut: each page that has a band has the whole of it.
        for page in flat[first : first + 3]:
            assert page.count("12.543kHz") == page.count("BYPASSED") > 0
    for words in words_on(document, tmp_path):
        assert min(word[0] for word in words) >= MARGIN_PT
        assert max(word[2] for word in words) <= A4_PT[0] - MARGIN_PT + 1.0
        assert min(word[1] for word in words) >= 14.2  # 5 mm, what printers reach
        assert max(word[3] for word in words) <= A4_PT[1] - 20.0


def test_words_do_not_run_into_one_another(tmp_path: Path, made: bytes) -> None:
    preset = sixteen(bands=2)
    for document in (made, pdf_sheet(rows_of(preset))):
        for words in words_on(document, tmp_path):
            for index, (left, top, right, bottom, _) in enumerate(words):
                for other in words[index + 1 :]:
                    wide = min(right, other[2]) - max(left, other[0])
                    high = min(bottom, other[3]) - max(top, other[1])
                    # Poppler's boxes hold the whole ascent, so lines may touch by a few points.
                    assert wide < 1.0 or high < 5.0, (words[index], other)


def test_outputs_share_a_page_only_whole(tmp_path: Path) -> None:
    bare = tuple(Output(name=f"Box {n}") for n in range(4))
    preset = Preset(title="t", inputs=(Input(name="In"),), outputs=bare)
    rows = rows_of(preset)
    short = tuple(
        msgspec.structs.replace(block, entries=block.entries[: 3 + 9 * (number == 1)])
        for number, block in enumerate(rows.outputs)
    )
    pages = pages_of(pdf_sheet(msgspec.structs.replace(rows, outputs=short)), tmp_path)
    starts = [re.findall(r"Output (\d) of 4", page) for page in pages]
    assert starts[1:] == [["1", "2"], ["3", "4"]]
    assert [page.count("Read back by") for page in pages[1:]] == [2, 2]
    full = pages_of(pdf_sheet(rows), tmp_path)
    assert [page.count("Read back by") for page in full[1:]] == [1, 1, 1, 1]


def test_a_reader_for_the_blind_finds_headings_tables_and_the_charts_words() -> None:
    """The rig's sheet passes typst's own check of ISO 14289-1 (PDF/UA-1)."""
    compiled: list[bytes] = []
    real = typst.compile

    def strictly(*given: object, **options: object) -> object:
        compiled.append(real(*given, pdf_standards="ua-1", **options))  # type: ignore[call-overload]
        return compiled[-1]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(typst, "compile", strictly)
        sheet(rows_of(rig()), "pdf", curves=curves())
    assert b"pdfuaid" in compiled[0]


def test_a_sheet_without_anything_optional_is_still_a_sheet(tmp_path: Path) -> None:
    made = msgspec.structs.replace(
        rows_of(rig()), facts=(), notes=(), groups=(), inputs=(), outputs=()
    )
    text = "".join(pages_of(pdf_sheet(made), tmp_path))
    assert "Before you start" in text
    for absent in ("Notes", "Groups", "Electrical", "Revision", "Output 1 of"):
        assert absent not in text
