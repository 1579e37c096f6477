"""Names: their legal form, matching, and showing them without effect."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from xover.model.names import clean, find, fold, inert, nearest, quoted, text_problem
from xover.model.problems import Refused


def test_clean_trims_and_composes():
    # U+0065 U+0301 composes to U+00E9 (The Unicode Standard, canonical decomposition of é).
    assert clean("  Cafe\u0301 \t") == "Caf\u00e9"


@pytest.mark.parametrize(
    ("typed", "sentence"),
    [
        ("", "is empty"),
        ("   ", "is empty"),
        ("a" * 121, "has 121 characters; at most 120"),
        ("Sub\x07", r"control character \\u0007"),
        ("Sub\x00", r"control character \\u0000"),
        ("a\nb", r"control character \\u000a"),
        ("a\x85b", r"control character \\u0085"),
        ("a\x7fb", r"control character \\u007f"),
        ("a\ud800b", r"half a character, \\ud800"),
    ],
)
def test_clean_refuses(typed, sentence):
    with pytest.raises(Refused, match=sentence):
        clean(typed)


def test_120_characters_are_allowed():
    assert len(clean("ä" * 120)) == 120


def test_bidi_and_markup_are_legal_names():
    assert clean("\u202eabc <b>[red]") == "\u202eabc <b>[red]"


def test_find_matches_folded():
    assert find(["Sub", "Top"], " sUB ", kind="output") == "Sub"
    # ß folds to ss (Unicode CaseFolding.txt, status F).
    assert find(["Straße"], "STRASSE", kind="listener") == "Straße"
    assert find(["Caf\u00e9"], "CAFE\u0301", kind="listener") == "Caf\u00e9"


def test_find_prefers_the_exact_name():
    assert find(["sub", "Sub"], "Sub", kind="output") == "Sub"


def test_find_lists_what_there_is_and_the_nearest():
    with pytest.raises(Refused) as caught:
        find(["Sub", "Top left", "Top right"], "Top lft", kind="output")
    assert str(caught.value) == (
        "there is no output “Top lft”; did you mean “Top left”?; "
        "there is “Sub”, “Top left”, “Top right”"
    )


def test_find_in_nothing():
    with pytest.raises(Refused, match="there is no listener “Row 7”; there are none at all"):
        find([], "Row 7", kind="listener")


def test_nearest_takes_a_beginning_only_where_it_means_one_thing():
    assert nearest(["gain_db", "delay_ms"], "gain") == "gain_db"
    assert nearest(["sensitivity_db", "sensitivity_dbu", "x"], "se") is None
    assert nearest(["gain_db"], "zzz") is None


# Explicit formatting characters: UAX #9, table 4.
@pytest.mark.parametrize("code", [0x202A, 0x202B, 0x202C, 0x202D, 0x202E, 0x2066, 0x2069, 0x200F])
def test_direction_marks_are_shown_as_escapes(code):
    assert inert(f"a{chr(code)}b") == f"a\\u{code:04x}b"


def test_terminal_escapes_are_shown_as_escapes():
    assert inert("\x1b[31mred\x1b[0m\n") == "\\u001b[31mred\\u001b[0m\\u000a"
    assert inert("\U000e0041") == "\\U000e0041"
    assert inert("Ünï – 音 ok") == "Ünï – 音 ok"


@given(st.text())
def test_inert_text_holds_nothing_that_acts(text):
    shown = inert(text)
    categories = {unicodedata.category(character) for character in shown}
    assert not categories & {"Cc", "Cf", "Cs", "Zl", "Zp"}
    shown.encode("utf-8")


def test_quoted_is_short():
    assert quoted("x" * 1000) == "“" + "x" * 59 + "…”"


@given(st.text(st.characters(exclude_categories=("Cs",))))
def test_fold_is_canonical_caseless_matching(text):
    # Unicode 3.13, D145: two strings match if NFD(casefold(NFD(x))) are equal.
    same = unicodedata.normalize("NFC", text)
    assert fold(text) == fold(same)
    assert fold(fold(text)) == fold(text)


def test_text_kinds():
    assert text_problem("a\nb\tc", "prose") == ""
    assert "u000a" in text_problem("a\nb", "line")
    assert text_problem(" a ", "line") == ""
    assert "blanks" in text_problem(" a", "name")
    assert "NFC" in text_problem("e\u0301", "name")
    assert text_problem("e\u0301", "line") == ""
