"""Prose folded to a width, and tables, on a character grid."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from xover.sheets.cells import folded, table, width_of


def test_prose_is_broken_at_spaces_and_goes_on_further_in() -> None:
    assert folded(["  Note: one two three four"], 16) == ["  Note: one two", "    three four"]
    assert folded(["short"], 16) == ["short"]
    assert folded(["", "a b"], 16) == ["", "a b"]


def test_what_people_copy_stays_in_one_piece() -> None:
    """A word wider than the lines is not broken, nor is a name, a command or a given text."""
    path = "/home/crew/a-very-long-folder/evening.json"
    assert folded([f"saved in {path} now"], 20) == ["saved in", f"  {path}", "  now"]
    assert folded(["at “Under the gallery” it"], 20) == ["at", "  “Under the gallery”", "  it"]
    assert folded(["see `xover check` for it"], 16) == ["see", "  `xover check`", "  for it"]
    whole = "my own show.json"
    assert folded([f"saved in {whole}"], 14, whole=[whole]) == ["saved in", f"  {whole}"]
    assert folded(["a loss of 3.0 dB more"], 14) == ["a loss of", "  3.0 dB more"]


def test_the_last_cell_of_a_row_goes_on_below_itself() -> None:
    row = "  rms  +5.25 dBu  loudspeaker Sub behind the left column"
    assert folded([row], 48) == [
        "  rms  +5.25 dBu  loudspeaker Sub behind the",
        "                  left column",
    ]


@settings(max_examples=60)
@given(st.text(st.sampled_from("ab “”`3m음 "), max_size=60), st.integers(8, 30))
def test_no_character_is_lost(text: str, width: int) -> None:
    lines = folded([text], width)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")
    for line in lines:
        words = line.split()
        assert width_of(line) <= width or len(words) == 1 or set(line) & set("“`3")


def test_a_table_is_as_wide_as_its_cells() -> None:
    rows = [("", "level"), ("Top", "−3.0 dB"), ("음", "0.0 dB")]
    assert table(rows, "<>") == ["         level", "  Top  −3.0 dB", "  음    0.0 dB"]
