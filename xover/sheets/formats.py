"""One entry sheet, as any of the files people ask for.

Chooses the writer by format and gives bytes; where they go is for `files.safe_write` and the
doors. A format that is not known is refused with the list of those that are.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePath

from xover.model.problems import Refused
from xover.sheets.drawing import Curve
from xover.sheets.rows import Sheet

FORMATS = ("html", "pdf", "md", "csv", "txt")


def sheet(rows: Sheet, format: str, *, curves: Sequence[Curve] = ()) -> bytes:
    """The sheet as UTF-8 text or PDF; `curves` are charted in HTML and PDF where given.

    `format` is one of `FORMATS`; raises `Refused` for any other.
    """
    if format == "html":
        from xover.sheets.html import html_sheet

        return html_sheet(rows, curves).encode()
    if format == "pdf":
        from xover.sheets.pdf import pdf_sheet

        return pdf_sheet(rows, curves)
    if format == "md":
        from xover.sheets.markdown import markdown_sheet

        return markdown_sheet(rows).encode()
    if format == "csv":
        from xover.sheets.csv_sheet import csv_sheet

        return csv_sheet(rows).encode()
    if format == "txt":
        from xover.sheets.text import text_sheet

        return text_sheet(rows).encode()
    raise Refused.at("", f"a sheet cannot be {format}; it can be {', '.join(FORMATS)}")


def format_of(path: str) -> str:
    """The format that a file's name asks for; raises `Refused` where it asks for none."""
    ending = PurePath(path).suffix.lower().lstrip(".")
    ending = {"htm": "html", "markdown": "md", "text": "txt"}.get(ending, ending)
    if ending not in FORMATS:
        known = ", ".join(f".{name}" for name in FORMATS)
        raise Refused.at(
            "", f"cannot tell from the name what sheet to write; end it in {known}, or use --as"
        )
    return ending
