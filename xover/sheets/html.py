"""The entry sheet as one HTML file that needs nothing else, made to be printed and ticked.

Black on white, a page an output, page numbers by the browser. Every text from the preset is
escaped and isolated, so that a name can neither be markup nor turn its neighbours round.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import TYPE_CHECKING

from xover.sheets.drawing import Curve
from xover.sheets.rows import Sheet
from xover.sheets.svg import svg_chart

if TYPE_CHECKING:
    from jinja2 import Template

FIGURE_COLUMNS = 4
"""Columns for figures in a table; a fifth figure stands below the fourth."""


def html_sheet(sheet: Sheet, curves: Sequence[Curve] = ()) -> str:
    """The sheet as a whole HTML document; `curves` are the outputs' magnitudes in dB, or none."""
    from markupsafe import Markup

    chart = svg_chart(curves, title="Electrical magnitude of every output") if curves else ""
    revision = dict(sheet.facts).get("Revision", "")
    footer = f"{sheet.title}  ·  {revision}" if revision else sheet.title
    return _template().render(
        sheet=sheet,
        chart=Markup(chart),
        footer=Markup(_css_string(footer)),
        columns=FIGURE_COLUMNS,
    )


@cache
def _template() -> Template:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("xover.sheets"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    return environment.get_template("sheet.html.j2")


def _css_string(text: str) -> str:
    """`text` inside a CSS string: all but letters and digits as code points (CSS Syntax 3, 4.1)."""
    return "".join(
        character if character.isascii() and character.isalnum() else f"\\{ord(character):06x}"
        for character in text
    )
