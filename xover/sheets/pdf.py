"""The entry sheet as PDF, set on A4 by typst: vector, black on white, pages numbered.

Everything shown is handed over as data and never as markup. Only the fonts that typst carries are
used and no time is written, so the same sheet gives the same bytes. The template reads no files.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from pathlib import Path

import msgspec
from msgspec.structs import replace

from xover.model.names import inert
from xover.sheets.drawing import Curve
from xover.sheets.rows import Sheet
from xover.sheets.svg import svg_chart

_TEMPLATES = Path(__file__).with_name("templates")
"""The only folder typst may read; without one it takes the current folder, which may be gone."""
_CHART_FONT, _CHART_FONT_SIZE = "DejaVu Sans Mono", 9.0
"""Of one width, so that the longest label the chart allows fits beside it."""


def pdf_sheet(sheet: Sheet, curves: Sequence[Curve] = ()) -> bytes:
    r"""The sheet as the bytes of a PDF; `curves` are the outputs' magnitudes in dB, or none.

    A sign that no font of typst's has is spelled as `\uXXXX` rather than shown as a blank box.
    """
    import typst

    drawn = [replace(curve, label=inert(curve.label)) for curve in curves]
    text = msgspec.json.encode(sheet).decode()
    spelt = _spelt("".join([text, *(curve.label for curve in drawn)]))
    drawn = [replace(curve, label=curve.label.translate(spelt)) for curve in drawn]
    chart = svg_chart(drawn, font=_CHART_FONT, font_size=_CHART_FONT_SIZE) if drawn else ""
    # Signs beyond ASCII stand only inside JSON's strings, where a backslash is written twice.
    in_json = {sign: name.replace("\\", "\\\\") for sign, name in spelt.items()}
    inputs = {"sheet": text.translate(in_json), "chart": chart}
    return typst.compile(
        str(_TEMPLATES / "sheet.typ"),
        format="pdf",
        root=str(_TEMPLATES),
        ignore_system_fonts=True,
        sys_inputs=inputs,
    )


def _spelt(text: str) -> dict[int, str]:
    """What is written in place of each sign of `text` that cannot be shown, by code point."""
    import typst

    signs = sorted({sign for sign in text if not sign.isascii()})
    answer = typst.query(
        str(_TEMPLATES / "signs.typ"),
        "<lacking>",
        field="value",
        one=True,
        root=str(_TEMPLATES),
        ignore_system_fonts=True,
        sys_inputs={"signs": msgspec.json.encode(signs).decode()},
    )
    lacking = msgspec.json.decode(answer, type=list[str])
    # A private code point has no agreed sign, whatever a font draws for it.
    lacking += [sign for sign in signs if unicodedata.category(sign) == "Co"]
    return {ord(sign): ascii(sign)[1:-1] for sign in lacking}
