"""Every documented spelling, and mutated ones, typed into every kind of cell of the workbench.

What is understood becomes the value, and what is then shown reads in again as the same value;
what is not is refused with a sentence, its text stays in the cell, and the old value stays. Which
spelling means what is checked in tests/model/test_entry.py, against definitions named there.
"""

from __future__ import annotations

import random
import time
from typing import Any

import pytest
from msgspec.structs import replace

import xover
from tests.tui.desk import Desk, at_desk
from xover.files.preset_json import dumps
from xover.model import rules
from xover.model.entry import help_for, kind_of
from xover.model.processing import EqSection
from xover.session.cells import Cell, Row, entry_row
from xover.tui.line_editor import LONGEST

GAINS = ("-3", "−3", "– 3", "+2.5 dB", "3,5", "0", ".5", "-60", "60", "off", "12 dbu")
POLARITIES = ("inv", "INV", "normal", "-", "+", "rev", "Ø", "180")
DELAYS = (
    "3.2", "3.2 ms", "320 us", "320 µs", "0.05 s", "1.10 m", "110 cm", "1m10", "4 ft", "4'",
    "3'7\"", "3′7″", "3' 7 1/2\"", "3'7½\"", "7\"", "1/2\"", "154 samples", "off", "-1", "1,200",
)  # fmt: skip
CROSSOVERS = (
    "LR24 100", "lr24 100", "BW 18", "bw18 1k2", "bes12", "bes12 80", "100", "80", "1k2",
    "1.2 kHz", "LR4 100", "100 lr24", "LR 24 dB/oct 100", "off", "–", "lr25 100", "LR24 100000",
)  # fmt: skip
SECTIONS = (
    "peak 46 -3 q2", "peak 46 −3.0 q2", "ls 100 +4", "hs 8k -2.5", "ap 80 q0.7", "notch 50 q10",
    "ls6 100 +4", "bp 1k q3", "lp 120 q0.71", "hp 30", "peak 1k -3 1/3 oct", "-4.5", "q3",
    "bypass", "on", "off", "peak", "peak 46 -3 q0",
)  # fmt: skip
LIMITS = (
    "+8.3", "8.3 dBu 50/200 ms", "8.3 dBV", "2.01 V", "attack 10", "release 300 ms", "off", "-3",
    "2.84 V peak", "10/100", "loud",
)  # fmt: skip
ROUTES = ("Left 0", "Left 0, Right −3", "aux -6", "left", "-3", "off", "Left=-1.5; aux", "Lef 1")
DOCUMENTED: dict[str, tuple[str, ...]] = {
    "gain": GAINS, "polarity": POLARITIES, "delay": DELAYS, "high_pass": CROSSOVERS,
    "low_pass": CROSSOVERS, "eq": SECTIONS, "rms": LIMITS, "peak": LIMITS, "route": ROUTES,
}  # fmt: skip
ROWS: tuple[Row, ...] = (
    "route", "gain", "polarity", "delay", "high_pass", "low_pass", ("eq", 0), "rms", "peak",
)  # fmt: skip
ODD = "0123456789.,-+−–'\"′″/kKmMdBqQhHzZsSµ½ abxyÄ漢\u202e\u0301;:=%\t"


def examples(row: Row) -> list[str]:
    """What the help of a row's cells names, one by one."""
    return help_for(entry_row(row)).removeprefix("type ").split(", ")


def mutated(chance: random.Random, text: str) -> str:
    """The text with one to three characters changed, put in, taken out or doubled."""
    for _ in range(chance.randint(1, 3)):
        at = chance.randrange(len(text) + 1)
        do = chance.randrange(5)
        if do == 0:
            text = text[:at] + chance.choice(ODD) + text[at:]
        elif do == 1:
            text = text[:at] + chance.choice(ODD) + text[at + 1 :]
        elif do == 2:
            text = text[:at] + text[at + 1 :]
        elif do == 3:
            text = text[:at] + text[max(0, at - 2) :]
        else:
            text = text.swapcase()
    return text


async def judge(desk: Desk, cell: Cell, text: str) -> bool:
    """Type a text over a cell, and hold what came of it against the promise; was it understood?"""
    grid, before = desk.grid, desk.preset
    if grid.cursor != cell:
        await desk.go(cell.column, cell.row, cell.side)
    await desk.type(text, "enter")
    assert not grid.editing
    refused = grid._refused.get(cell)
    if refused is not None:
        assert desk.preset is before, text
        assert refused[0] == text or len(text) > LONGEST
        sentence = refused[1]
        assert sentence == grid.sentence
        assert len(sentence.split()) >= 3, (text, sentence)
        assert desk.readout.startswith(sentence[:20].strip())
        await desk.keys("escape")
        assert not grid._refused
        return False
    value = desk.value(*_address(cell))
    shown = desk.shown(*_address(cell))
    if desk.preset is before:
        return True  # what it held already
    # What was shown is typed where the old value stands again.
    await desk.keys("ctrl+z")
    assert desk.value(*_address(cell)) != value
    await desk.type(shown, "enter")
    assert desk.value(*_address(cell)) == value, (text, shown)
    assert desk.shown(*_address(cell)) == shown
    return True


def _address(cell: Cell) -> tuple[str, Any, Any]:
    return cell.column, cell.row, cell.side


@pytest.fixture
def free_path(hall_path: str) -> str:
    """The hall without groups, so that each cell stands for itself."""
    with open(hall_path, "wb") as file:
        file.write(dumps(replace(xover.load(xover.default_example()), groups=())))
    return hall_path


@pytest.mark.parametrize("row", ROWS, ids=str)
def test_every_spelling_in_every_kind_of_cell(free_path: str, row: Row) -> None:
    own = [*examples(row), *DOCUMENTED[kind_of(row)]]
    others = [text for kind, texts in DOCUMENTED.items() for text in texts[:2] if kind != row]
    chance = random.Random(str(row))
    bent = [mutated(chance, chance.choice(own)) for _ in range(12)]

    async def steps(desk: Desk) -> None:
        cell = Cell("Sub", row)
        for text in examples(row):
            assert await judge(desk, cell, text), f"the help names {text}"
        understood = [
            await judge(desk, cell, text) for text in (*own, *others, *bent) if _types(text)
        ]
        assert True in understood
        assert False in understood
        if row in ("gain", "polarity", "delay") or isinstance(row, tuple):
            name = desk.preset.inputs[0].name
            for text in own[:6]:
                await judge(desk, Cell(name, row, "input"), text)
        while desk.app.session.next_undo is not None:
            assert not rules.faults(desk.preset), desk.app.session.next_undo
            await desk.keys(*["ctrl+z"] * 8)

    at_desk(steps, free_path)


def _types(text: str) -> bool:
    """Whether the first key of a text types, rather than being a command of the sheet."""
    return bool(text) and text.isprintable() and text[0] not in "[]{}?/"


def test_a_value_shown_reads_in_over_another_value(free_path: str) -> None:
    """A crossover or section shown is whole: nothing of it is taken from what the cell held."""

    async def steps(desk: Desk) -> None:
        for row, texts in (
            ("high_pass", ("lr24 100", "bw18 1k2")),
            (("eq", 0), ("peak 46 -3 q2", "ls6 100 +4", "notch 50 q10")),
            ("rms", ("+8.3 dBu 50/200 ms", "2.01 V 10/100")),
        ):
            values = {}
            for text in texts:
                await desk.enter("Sub", row, text)
                values[desk.shown("Sub", row)] = desk.value("Sub", row)
            for shown, value in values.items():
                await desk.enter("Sub", row, shown)
                assert desk.value("Sub", row) == value
        assert isinstance(desk.value("Sub", ("eq", 0)), EqSection)

    at_desk(steps, free_path)


def test_pasted_megabytes(free_path: str) -> None:
    async def steps(desk: Desk) -> None:
        was = desk.preset
        for text in (
            "7" * 3_000_000,
            "\n".join(["3.5"] * 200_000),
            "\x1b[31m" * 500_000,
            "漢" * 10**6,
        ):
            begun = time.process_time()
            await desk.paste(text)
            assert desk.grid.typing is not None
            assert len(desk.grid.typing) <= LONGEST
            assert "too long" in desk.readout
            assert "\x1b" not in desk.text()
            await desk.keys("enter")
            assert desk.preset is was
            await desk.keys("escape", "escape")
            assert time.process_time() - begun < 10.0
        await desk.paste("6.25")
        await desk.keys("enter")
        assert desk.value("Sub", "delay") == 6.25

    at_desk(steps, free_path)
