"""Work that a session left in its journal when it ended: finding it, saying it, having it back.

Nothing is recovered or thrown away unasked. Where the file has changed since, the work comes back
as a copy without a name, so that neither overwrites the other.
"""

from __future__ import annotations

import hashlib
import os

from msgspec import Struct

from xover.files import preset_json
from xover.files.journal_claim import discard, unclaimed
from xover.files.journal_text import Contents
from xover.files.preset_file import PresetFile
from xover.model import rules
from xover.model.differences import checked_edit, differences, with_changes
from xover.model.names import inert, quoted
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.session.history import History, Step


class Recovery(Struct, frozen=True, eq=False):
    """Unsaved work of a session that has ended; `steps` in their order, what was undone left out.

    `complete` is false where the journal's end
    made no sense and the work comes back as far as it did.
    """

    preset_path: str
    """The preset that the work was about, a real path."""
    contents: Contents
    steps: tuple[Step, ...]
    base: Preset
    base_changed: bool
    """The file has changed, or gone, since: the work comes back as a copy."""
    complete: bool

    @property
    def unnamed(self) -> bool:
        """Whether it comes back without a name, so that saving asks for one."""
        return self.contents.header.unnamed or self.base_changed

    @property
    def last_at(self) -> str:
        """When its last step was made, UTC, ISO 8601."""
        return self.contents.entries[-1].at

    @property
    def message(self) -> str:
        """The offer in one sentence."""
        count = len(self.steps)
        steps = "1 unsaved step" if count == 1 else f"{count} unsaved steps"
        text = (
            f"Recover {steps} to {quoted(os.path.basename(self.preset_path))} from a workbench "
            f"that ended without saving (last: {self.steps[-1].name}, {when(self.last_at)})?"
        )
        if self.base_changed and not self.contents.header.unnamed:
            text += " The file has changed since, so they come back as a copy without a name."
        if not self.complete:
            text += " The journal breaks off; what comes back ends there."
        return text

    def preset(self) -> Preset:
        """The preset with the work in it."""
        return self.steps[-1].after

    def discard(self) -> None:
        """Throw the work away. Raises `Refused` where the journal cannot be removed."""
        for path, contents in unclaimed(self.preset_path):
            if contents == self.contents:  # set aside under another name, perhaps
                discard(path)


def when(at: str) -> str:
    """How long ago a time in UTC was, `4 minutes ago`, or the day; as it stands if it is none."""
    from datetime import UTC, datetime

    try:
        then = datetime.fromisoformat(at)
        spent_s = (datetime.now(UTC) - then).total_seconds()
    except (TypeError, ValueError):
        return inert(at)
    if not 0.0 <= spent_s < 86_400.0:
        return f"{then:%Y-%m-%d %H:%M} UTC"
    for unit, seconds in (("hour", 3600), ("minute", 60)):
        count = int(spent_s // seconds)
        if count:
            return f"{count} {unit}{'s' if count > 1 else ''} ago"
    return "less than a minute ago"


def find_recovery(path: str | None) -> Recovery | None:
    """Unsaved work about a preset (None: the shipped example) whose session has ended, or None.

    The first of several; the others are found when it is decided. Journals without edits, and
    those whose work is in the file, are removed on the way.
    """
    file = PresetFile.of(path)
    real, now_sha256 = file.origin, file.sha256_now()
    for journal_path, contents in unclaimed(real):
        if contents.base is None or rules.faults(contents.base):
            continue
        steps, complete = replayed(contents)
        if complete and (not steps or _is_saved(steps[-1].after, now_sha256)):
            discard(journal_path)
        elif steps:
            changed = now_sha256 != contents.header.base_sha256
            return Recovery(real, contents, steps, contents.base, changed, complete)
    return None


def replayed(contents: Contents) -> tuple[tuple[Step, ...], bool]:
    """The steps of a journal that count, and whether all of it made sense.

    Undone steps are left out; one undone that was made before the journal began is a step itself.
    """
    assert contents.base is not None
    history = History(contents.base)
    complete = not contents.torn
    for entry in contents.entries:
        try:
            after = with_changes(history.preset, entry.changes)
        except Refused:
            complete = False
            break
        back, forth = history.next_undo, history.next_redo
        if entry.do == "undo" and back is not None and not differences(back.before, after):
            history.undo()
        elif entry.do == "redo" and forth is not None and not differences(forth.after, after):
            history.redo()
        else:
            name = f"undo {entry.step}" if entry.do == "undo" else entry.step
            history.do(Step(name, history.preset, after))
    steps = history.done
    if steps and rules.faults(steps[-1].after):
        steps, complete = _legal(steps), False
    return steps, complete


def _legal(steps: tuple[Step, ...]) -> tuple[Step, ...]:
    for count, step in enumerate(steps):
        try:
            checked_edit(step.before, step.after)
        except Refused:
            return steps[:count]
    return steps


def _is_saved(preset: Preset, sha256: str) -> bool:
    return hashlib.sha256(preset_json.dumps(preset)).hexdigest() == sha256
