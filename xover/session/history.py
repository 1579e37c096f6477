"""Steps back and forth without limit, and how far the work is from what was saved.

Presets are frozen and share what did not change, so that a step costs next to nothing to keep.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property

from msgspec import Struct

from xover.model.differences import Change, differences
from xover.model.preset import Preset


class Step(Struct, frozen=True, eq=False, dict=True):
    """One named step from one preset to another."""

    name: str
    before: Preset
    after: Preset

    @cached_property
    def changes(self) -> tuple[Change, ...]:
        """Where the two differ, in order: place, old and new value."""
        return differences(self.before, self.after)


class History:
    """The steps done and undone since a preset was opened."""

    def __init__(self, preset: Preset) -> None:
        self.preset = preset
        self._done: list[Step] = []
        self._undone: list[Step] = []
        self._saved_at = 0
        self._lost = 0
        """Steps between what was saved and where a new way branched off from it."""

    @property
    def done(self) -> tuple[Step, ...]:
        """The steps that can be undone, the oldest first."""
        return tuple(self._done)

    @property
    def next_undo(self) -> Step | None:
        """What `undo` would take back."""
        return self._done[-1] if self._done else None

    @property
    def next_redo(self) -> Step | None:
        """What `redo` would do again."""
        return self._undone[-1] if self._undone else None

    @property
    def steps_unsaved(self) -> int:
        """How many steps lie between here and what was saved, back or forth."""
        return abs(len(self._done) - self._saved_at) + self._lost

    def do(self, step: Step) -> None:
        """Go one new step; what was undone before is forgotten."""
        self._undone.clear()
        if self._saved_at > len(self._done):
            self._lost += self._saved_at - len(self._done)
            self._saved_at = len(self._done)
        self._done.append(step)
        self.preset = step.after

    def undo(self) -> Step | None:
        """Take the last step back; None where there is none."""
        if not self._done:
            return None
        step = self._done.pop()
        self._undone.append(step)
        self.preset = step.before
        return step

    def redo(self) -> Step | None:
        """Do again what was undone last; None where there is nothing."""
        if not self._undone:
            return None
        step = self._undone.pop()
        self._done.append(step)
        self.preset = step.after
        return step

    def rebase(self, change: Callable[[Preset], Preset]) -> None:
        """Make the same change to every preset there was and is, as if it had always been so."""
        made: dict[int, tuple[Preset, Preset]] = {}

        def changed(preset: Preset) -> Preset:
            if id(preset) not in made:
                made[id(preset)] = (preset, change(preset))
            return made[id(preset)][1]

        for steps in (self._done, self._undone):
            steps[:] = [Step(one.name, changed(one.before), changed(one.after)) for one in steps]
        self.preset = changed(self.preset)

    def mark_saved(self) -> None:
        """What is here now is what the file holds."""
        self._saved_at, self._lost = len(self._done), 0
