"""Random edits, undo, redo, saving and pulled plugs: the journal gives back what was there.

The journal is cut at every kind of place; what replaying it gives must be, byte for byte as a file,
the preset that was there when the last whole line was written.
"""

from __future__ import annotations

import os
import shutil
import tempfile

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule
from msgspec.structs import replace

from tests.session.conftest import LR24, PEAK, rig
from tests.session.plug import journal_bytes, pull
from xover.files import journal_text
from xover.files.preset_json import dumps, load
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.session.cells import Cell
from xover.session.recovery import find_recovery, replayed
from xover.session.session import Session

OUTPUTS = st.sampled_from(["Sub", "Top L", "Top R", "Delay"])


class Desk(RuleBasedStateMachine):
    """A session beside a list of what was there after every step."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = tempfile.mkdtemp()
        self.path = os.path.join(self.folder, "yard.json")

    @initialize()
    def begin(self) -> None:
        with open(self.path, "wb") as file:
            file.write(dumps(rig()))
        self.session = Session.open(self.path)
        self.since_saved: list[Preset] = [self.session.preset]
        self.undoable: list[Preset] = []
        self.redoable: list[Preset] = []

    def edit(self, change: object) -> None:
        before = self.session.preset
        try:
            step = change()  # type: ignore[operator]
        except Refused:
            assert self.session.preset is before
            return
        if step is None:
            assert self.session.preset is before
            return
        assert self.session.preset is step.after
        assert step.before is before
        self.undoable.append(before)
        self.redoable.clear()
        self.since_saved.append(self.session.preset)

    @rule(name=OUTPUTS, row=st.sampled_from(["gain", "delay"]), value=st.floats(-1.0, 70.0))
    def type_a_figure(self, name: str, row: str, value: float) -> None:
        self.edit(lambda: self.session.set_value(Cell(name, row), value))  # type: ignore[arg-type]

    @rule(name=OUTPUTS, at=st.integers(0, 3), hz=st.floats(10.0, 30_000.0), clear=st.booleans())
    def type_a_section(self, name: str, at: int, hz: float, clear: bool) -> None:
        section = None if clear else replace(PEAK, frequency_hz=hz)
        self.edit(lambda: self.session.set_value(Cell(name, ("eq", at)), section))

    @rule(name=OUTPUTS, hz=st.none() | st.floats(20.0, 400.0))
    def type_a_filter(self, name: str, hz: float | None) -> None:
        value = None if hz is None else replace(LR24, frequency_hz=hz)
        self.edit(lambda: self.session.set_value(Cell(name, "high_pass"), value))

    @rule(name=OUTPUTS, source=st.sampled_from(["Left", "Aux"]), db=st.none() | st.floats(-9, 0))
    def route(self, name: str, source: str, db: float | None) -> None:
        routes = dict(self.session.preset.output(name).inputs)
        routes.pop(source, None)
        if db is not None:
            routes[source] = db
        self.edit(lambda: self.session.set_value(Cell(name, "route"), routes))

    @rule(first=OUTPUTS, second=OUTPUTS)
    def swap(self, first: str, second: str) -> None:
        self.edit(lambda: self.session.swap_columns(first, second))

    @rule(name=st.sampled_from(["Left", "Aux", "FOH"]), new=st.sampled_from(["Left", "FOH", ""]))
    def rename(self, name: str, new: str) -> None:
        self.edit(lambda: self.session.rename_input(name, new))

    @rule(text=st.text(max_size=12))
    def write_notes(self, text: str) -> None:
        self.edit(lambda: self.session.set_notes(text))

    @rule()
    def undo(self) -> None:
        step = self.session.undo()
        assert (step is None) == (not self.undoable)
        if step is not None:
            self.redoable.append(step.after)
            assert self.session.preset is self.undoable.pop()
            self.since_saved.append(self.session.preset)

    @rule(times=st.integers(2, 4))
    def go_back_behind_what_was_saved(self, times: int) -> None:
        self.save()
        for _ in range(times):
            self.undo()

    @rule()
    def redo(self) -> None:
        step = self.session.redo()
        assert (step is None) == (not self.redoable)
        if step is not None:
            self.undoable.append(step.before)
            assert self.session.preset is self.redoable.pop()
            self.since_saved.append(self.session.preset)

    @rule()
    def save(self) -> None:
        self.session.save()
        assert self.session.steps_unsaved == 0
        self.since_saved = [self.session.preset]
        assert dumps(load(self.path)) == dumps(self.session.preset)

    @precondition(lambda self: len(self.since_saved) > 1)
    @rule(data=st.data())
    def the_journal_cut_anywhere(self, data: st.DataObject) -> None:
        whole = journal_bytes(self.session)
        kept = whole[: data.draw(st.integers(1, len(whole)), label="bytes kept")]
        contents = journal_text.read(kept)
        lines = kept.count(b"\n")
        if lines == 0 and kept.rstrip(b"\n") != whole.split(b"\n")[0]:
            assert contents is None
            return
        assert contents is not None
        if lines < 3:
            assert contents.entries == ()
            return
        steps, complete = replayed(contents)
        there = self.since_saved[lines - 2]
        assert dumps(steps[-1].after if steps else self.since_saved[0]) == dumps(there)
        assert complete == (kept.endswith(b"\n"))

    @rule()
    def pull_the_plug(self) -> None:
        journal_bytes(self.session)
        there = self.session.preset
        pull(self.session)
        recovery = find_recovery(self.path)
        if recovery is None:
            assert dumps(there) == dumps(self.since_saved[0])
            self.session = Session.open(self.path)
        else:
            assert "Recover" in recovery.message
            assert dumps(recovery.preset()) == dumps(there)
            self.session = Session.recovered(recovery)
            assert find_recovery(self.path) is None
        assert dumps(self.session.preset) == dumps(there)
        history = self.session.history
        self.since_saved = [history[0].before if history else there]
        self.since_saved += [step.after for step in history]
        self.undoable = [step.before for step in history]
        self.redoable = []

    @invariant()
    def nothing_saved_is_called_unsaved(self) -> None:
        if hasattr(self, "session") and self.session.steps_unsaved == 0:
            assert dumps(self.session.preset) == dumps(self.since_saved[0])

    def teardown(self) -> None:
        if hasattr(self, "session"):
            self.session.close()
        shutil.rmtree(self.folder)


TestDesk = pytest.mark.filterwarnings("error")(Desk.TestCase)
TestDesk.settings = settings(max_examples=60, stateful_step_count=30, deadline=None)
