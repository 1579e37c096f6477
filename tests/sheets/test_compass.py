"""The compass as people read it: a table in whole, a plot by its dots, a figure by its words."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import pytest

from xover.design.arrays import endfire, gradient
from xover.model.problems import Refused
from xover.sheets.compass import compass_table, terminal_compass
from xover.sheets.room_figures import compass_figure

GOLDEN = Path(__file__).parent / "golden"


def test_the_table_in_whole() -> None:
    """Golden; the 60 Hz row is |1 − e^(−jkd(1 + cos θ))| at 1.43 m: 6.02, 5.33, 3.01, −2.32."""
    lines = compass_table(gradient(2, 1.43, 343.2), [30.0, 60.0, 120.0])
    assert "\n".join(lines) + "\n" == (GOLDEN / "compass.txt").read_text("utf-8")


@pytest.mark.parametrize("height", [9, 25])
def test_the_front_is_up_and_nothing_stands_outside(height: int) -> None:
    drawn = terminal_compass(gradient(2, 1.43, 343.2), [60.0], height=height, colour_on=False)
    lines = drawn.split("\n")
    assert len(lines) == height + 2
    assert "front" in lines[0]
    assert max(len(line) for line in lines[:height]) <= 2 * height
    assert lines[-2] == "front up; rim +6.0 dB re one of the places alone, rings 6 dB apart"

    def dots(line: str) -> int:
        return sum(bin(ord(sign) - 0x2800).count("1") for sign in line if sign >= "\u2800")

    # A cardioid: the curve runs along the rim in front and is nowhere near it behind.
    if height == 25:
        assert sum(map(dots, lines[1:4])) > 1.2 * sum(map(dots, lines[-6:-3]))
    coloured = terminal_compass(gradient(2, 1.43, 343.2), [60.0], height=height, colour_on=True)
    assert "\x1b[38;2;" in coloured


def test_the_figure_says_what_it_shows() -> None:
    svg = compass_figure(endfire(2, 1.43, 343.2), [40.0, 80.0], format="svg", title="[b]Sub[/b]")
    assert svg == compass_figure(
        endfire(2, 1.43, 343.2), [40.0, 80.0], format="svg", title="[b]Sub[/b]"
    )
    words = {text for text in ElementTree.fromstring(svg).itertext() if text.strip()}
    assert {"40 Hz", "80 Hz", "[b]Sub[/b]", "180°"} <= words
    with pytest.raises(Refused, match="cannot be gif"):
        compass_figure(endfire(2, 1.43, 343.2), [40.0], format="gif")
