"""The pure parts of the settings sheet: the line being typed, the places, the view.

What is expected is what the sheet promises its users. Widths of characters are counted by rich's
own table, which is not ours.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace
from rich.cells import cell_len

from tests.strategies import everything, presets
from xover.files.preset_json import load
from xover.files.shipped import presets_folder
from xover.model.changes import with_output
from xover.model.entry import show
from xover.model.preset import Preset
from xover.model.processing import EqSection, Group, Input, Output
from xover.session.cells import Cell, value_of
from xover.tui.line_editor import LONGEST, LineEditor
from xover.tui.sheet_layout import (
    LEAST,
    LEAST_INPUT,
    column_widths,
    first_in_sight,
    label_width,
    laid_out,
)
from xover.tui.sheet_paint import cell_text, heading, steady
from xover.tui.sheet_view import sheet_view

TEXTS = st.text(
    st.characters(exclude_categories=("Cc", "Cs", "Zl", "Zp"), max_codepoint=0x1FFFF), max_size=30
)
SHIPPED = sorted(presets_folder().glob("*.json"))


# The line being typed


def test_typing_and_editing_keys() -> None:
    line = LineEditor("peak 46 -3")
    line.insert(" q2")
    assert (line.text, line.caret) == ("peak 46 -3 q2", 13)
    for key, text, caret in (
        ("ctrl+left", "peak 46 -3 q2", 11),
        ("left", "peak 46 -3 q2", 10),
        ("backspace", "peak 46 - q2", 9),
        ("home", "peak 46 - q2", 0),
        ("backspace", "peak 46 - q2", 0),
        ("left", "peak 46 - q2", 0),
        ("ctrl+right", "peak 46 - q2", 5),
        ("delete", "peak 6 - q2", 5),
        ("ctrl+u", "6 - q2", 0),
        ("end", "6 - q2", 6),
        ("delete", "6 - q2", 6),
        ("right", "6 - q2", 6),
    ):
        assert line.press(key)
        assert (line.text, line.caret) == (text, caret), key
    assert not line.press("enter")
    assert not line.press("f1")


def test_the_caret_steps_over_combining_marks_and_deletes_them_with_their_letter() -> None:
    line = LineEditor("ae\u0301b")  # e with a combining acute accent
    line.press("left")
    line.press("left")
    line.press("delete")
    assert line.text == "ab"


def test_line_breaks_and_escape_codes_become_blanks_all_else_stays() -> None:
    line = LineEditor()
    line.insert("a\r\nb\x1b[0m\u2028c\u202ed\ud800")
    assert line.text == "a  b [0m c\u202ed "


def test_pasting_is_cut_at_the_limit_and_says_by_how_much() -> None:
    line = LineEditor("x" * (LONGEST - 2))
    assert line.insert("abcd") == 2
    assert line.text.endswith("xab")
    assert line.insert("e") == 1


def test_a_value_longer_than_the_limit_is_edited_whole() -> None:
    text = "y" * (LONGEST + 50)
    line = LineEditor(text)
    assert line.text == text
    line.press("backspace")
    assert len(line.text) == LONGEST + 49


@given(TEXTS, st.lists(st.sampled_from(["left", "right", "home", "end"]), max_size=12),
       st.integers(1, 12))  # fmt: skip
def test_what_is_in_sight_is_exactly_as_wide_as_asked(
    text: str, keys: list[str], width: int
) -> None:
    line = LineEditor(text)
    for key in keys:
        line.press(key)
        before, under, after = line.in_sight(width)
        assert cell_len(steady(before) + steady(under) + steady(after)) == width
        assert under
    assert line.text == text


@given(TEXTS)
def test_a_click_puts_the_caret_on_the_character_shown_there(text: str) -> None:
    line = LineEditor(text)
    line.press("home")
    line.in_sight(200)
    for column in range(0, line.width, 3):
        line.put_caret(column)
        before, under, _ = line.in_sight(200)
        assert cell_len(steady(before)) <= column
        at_the_end = line.caret and line.in_sight(200)[2].strip() == "" and under == " "
        assert cell_len(steady(before + under)) > column or at_the_end


# Places


def rig(names: list[str]) -> Preset:
    return Preset(
        title="Rig",
        inputs=(Input(name="In"),),
        outputs=tuple(Output(name=name, inputs={"In": 0.0}) for name in names),
    )


@pytest.mark.parametrize("width", [80, 120, 160])
@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_columns_fit_their_content_at_three_sizes(path: object, width: int) -> None:
    view = sheet_view(load(str(path)))
    widths = column_widths(view, width)
    room = width - label_width(view.rows, width)
    cut = [
        each
        for column, each in zip(view.columns, widths, strict=True)
        if each < column.natural_width + 2
    ]
    for column, each in zip(view.columns, widths, strict=True):
        assert each >= (LEAST_INPUT if column.side == "input" else LEAST)
    if cut:
        assert min(cut) >= 17, "room for `peak 315 −2.5 …` and both margins"
        assert sum(widths) + len(widths) + len(cut) > room, "one wider each would not fit"
    plan = laid_out(view, widths, width, 0)
    assert all(span.x + span.width <= width for span in plan.spans)
    assert sum(span.width >= widths[span.column] for span in plan.spans) >= 4


def test_columns_do_not_shrink_while_the_sheet_is_worked_on() -> None:
    wide = rig(["A rather long name", "B"])
    view = sheet_view(wide)
    widths = column_widths(view, 120)
    short = sheet_view(rig(["A", "B"]))
    assert column_widths(short, 120, widths) == widths
    assert column_widths(short, 120)[1] == LEAST


@given(st.integers(0, 60), st.integers(0, 7), st.integers(0, 8))
def test_the_column_asked_for_is_seen_as_whole_as_can_be(width: int, first: int, to: int) -> None:
    view = sheet_view(rig([f"Output {at}" for at in range(8)]))
    widths = column_widths(view, width)
    found = first_in_sight(view, widths, width, first, to)
    plan = laid_out(view, widths, width, found)
    if width >= 2:
        span = plan.by_column[to]
        room = width - plan.label_width - 1
        assert span.width >= min(widths[to], room)
        last = plan.spans[-1]
        assert last.x + last.width == width or last.column == len(widths) - 1, "no room is wasted"
        assert last.x + last.width <= width
    if found < first:
        assert found == to, "no further to the left than needed"
    for span in plan.spans:
        for x in range(span.x - 1, span.x + span.width):
            assert plan.column_at(x) == span.column
    assert plan.column_at(-1) is None


# The view


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_every_cell_shows_its_value_in_the_words_that_read_in_again(path: object) -> None:
    from xover.model.entry import Context, parse

    preset = load(str(path))
    view = sheet_view(preset)
    shown = 0
    for column in view.columns:
        for row, cell in column.cells.items():
            where = Cell(column.name, row, column.side)
            assert cell.value == value_of(preset, where)
            assert cell.text == show(row, cell.value)
            context = Context(
                sample_rate_hz=preset.sample_rate_hz,
                speed_of_sound_m_s=343.0,
                inputs=tuple(item.name for item in preset.inputs),
            )
            assert parse(row, cell.text, context=context) == cell.value
            shown += 1
    assert shown > 40


def test_there_is_one_blank_equaliser_row_more_than_is_used() -> None:
    view = sheet_view(everything())
    used = max(len(item.eq) for item in everything().outputs)
    assert [row.label for row in view.rows if row.label.startswith("EQ")] == [
        f"EQ {number}" for number in range(1, used + 2)
    ]
    assert [row.label for row in view.rows][:4] == ["Route", "Gain", "Polarity", "Delay"]
    assert [row.unit for row in view.rows][:4] == ["", "dB", "", "ms"]


def test_inputs_come_first_and_have_only_their_own_rows() -> None:
    view = sheet_view(everything())
    assert [column.side for column in view.columns] == ["input", "input", "output", "output"]
    assert view.first_output == 2
    left = view.columns[0]
    assert {row for row in left.cells if isinstance(row, str)} == {"gain", "polarity", "delay"}
    assert view.at(Cell("Left", "gain", "input")) is left.cells["gain"]
    assert view.at(Cell("Left", "gain")) is None, "there is no output of that name"


def test_an_input_and_an_output_may_share_a_name() -> None:
    preset = rig(["In"])
    changed = with_output(preset, "In", gain_db=-6.0)
    view = sheet_view(changed, saved=preset)
    output, both = view.at(Cell("In", "gain")), view.at(Cell("In", "gain", "input"))
    assert output is not None
    assert both is not None
    assert (output.value, output.changed, both.value, both.changed) == (-6.0, True, 0.0, False)


def test_locks_changes_faults_and_ghosts_stand_in_their_cells() -> None:
    preset = rig(["A", "B"])
    preset = with_output(preset, "A", locked=("limiter", "delay"))
    edited = with_output(preset, "B", gain_db=-3.0, muted=True)
    view = sheet_view(
        edited,
        saved=preset,
        faults={Cell("B", "delay"): "Too late."},
        ghosts={Cell("A", "gain"): "−0.5"},
    )
    a, b = view.columns[1], view.columns[2]
    assert {row for row, cell in a.cells.items() if cell.locked} == {"rms", "peak", "delay"}
    assert {row for row, cell in b.cells.items() if cell.changed} == {"gain"}
    assert (a.changed, b.changed, a.muted, b.muted) == (False, True, False, True)
    assert b.cells["delay"].fault == "Too late."
    assert cell_text("gain", a.cells["gain"], 12) == "0.0→−0.5    "
    assert cell_text("gain", a.cells["gain"], 6) == "−0.5  "


def test_a_renamed_output_is_compared_with_what_it_was() -> None:
    preset = rig(["A", "B"])
    renamed = replace(preset, outputs=(preset.outputs[0], replace(preset.outputs[1], name="C")))
    view = sheet_view(renamed, saved=preset)
    assert view.columns[2].changed
    assert not any(cell.changed for cell in view.columns[2].cells.values())
    added = replace(preset, outputs=(*preset.outputs, Output(name="New")))
    fresh = sheet_view(added, saved=preset).columns[3]
    assert all(cell.changed for cell in fresh.cells.values())


def test_groups_stand_over_outputs_with_inert_names() -> None:
    preset = replace(rig(["In", "B"]), groups=(Group(name="\u202eg", outputs=("In",)),))
    view = sheet_view(preset)
    assert [column.groups for column in view.columns] == [(), ("\\u202eg",), ()]


@pytest.mark.parametrize(
    ("width", "shown"),
    [(20, " Top L      muted ≡ "), (15, " Top L muted ≡ "), (14, " Top L    M ≡ "),
     (11, " Top L M ≡ "), (9, " To… M ≡ "), (6, " Top… "), (2, "  "), (1, "…"), (0, "")],
)  # fmt: skip
def test_headings_say_as_much_as_there_is_room_for(width: int, shown: str) -> None:
    preset = rig(["Top L", "B"])
    preset = with_output(preset, "Top L", muted=True)
    preset = replace(preset, groups=(Group(name="g", outputs=("Top L",)),))
    assert heading(sheet_view(preset).columns[1], width) == shown


def test_only_columns_that_changed_are_made_again() -> None:
    preset = everything()
    first = sheet_view(preset, saved=preset)
    same = sheet_view(preset, saved=preset, previous=first)
    assert all(a is b for a, b in zip(first.columns, same.columns, strict=True))
    edited = with_output(preset, "Delay", gain_db=-1.0)
    second = sheet_view(edited, saved=preset, previous=first)
    assert [a is b for a, b in zip(first.columns, second.columns, strict=True)] == [
        True, True, True, False,
    ]  # fmt: skip
    other_air = replace(edited, sample_rate_hz=48_000.0)
    third = sheet_view(other_air, saved=preset, previous=second)
    assert all(a is b for a, b in zip(second.columns, third.columns, strict=True))
    back = sheet_view(preset, saved=preset, previous=third)
    assert not back.columns[3].cells["gain"].changed


def test_a_view_made_from_another_is_the_same_as_a_fresh_one() -> None:
    section = EqSection(kind="notch", frequency_hz=50.0, q=10.0)
    preset = everything()
    steps = [
        with_output(preset, "Sub", eq=(section,)),
        with_output(preset, "Sub", locked=()),
        with_output(preset, "Delay", delay_ms=5.0, muted=True),
        replace(preset, outputs=preset.outputs[::-1]),
        replace(preset, groups=()),
        preset,
    ]
    view = sheet_view(preset, saved=preset)
    for step in steps:
        view = sheet_view(step, saved=preset, previous=view)
        fresh = sheet_view(step, saved=preset)
        assert view.rows == fresh.rows
        for one, two in zip(view.columns, fresh.columns, strict=True):
            assert (one.name, one.groups, one.muted, one.changed, one.cells) == (
                two.name, two.groups, two.muted, two.changed, two.cells
            )  # fmt: skip


@given(presets())
def test_any_legal_preset_has_a_view_of_whole_cells(preset: Preset) -> None:
    view = sheet_view(preset)
    for column in view.columns:
        assert column.natural_width >= 0
        for row, cell in column.cells.items():
            for width in (0, 1, 9):
                assert cell_len(cell_text(row, cell, width)) == width
