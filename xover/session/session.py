"""One open preset without a screen: edits as named steps, undo, journal, saving.

The preset lives here and nowhere else; doors show it and ask for steps. Nothing is ever written
over in silence, and nothing that is refused leaves a trace.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, cast

from msgspec.structs import replace

from xover.acoustics.air import speed_of_sound_m_s
from xover.files import preset_json
from xover.files.journal import Journal
from xover.files.journal_claim import Held, claim
from xover.files.paths import shown_path
from xover.files.preset_file import OnDisk, PresetFile
from xover.model import entry
from xover.model.differences import checked_edit
from xover.model.lists import Listed, with_boxes_like, with_further, without
from xover.model.names import clean, inert
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.words import Captured
from xover.session import cells as sheet
from xover.session.cells import Cell, Row, Value
from xover.session.history import History, Step
from xover.session.naming import name_of_change, name_of_values
from xover.session.recovery import Recovery

if TYPE_CHECKING:
    from xover.dsp.captured import CapturedResponse
    from xover.model.rig import Provenance
    from xover.session.proposals import Proposal
    from xover.session.views import Request, View, Viewer


class Session:
    """One open preset. Made by `open` or `recovered`; `close` it at the end.

    For one thread: presets given out are frozen and may go to any other.
    """

    def __init__(self, preset: Preset, file: PresetFile) -> None:
        self._history = History(preset)
        self._file = file
        self._journal: Journal | None = None
        self._read_only = ""
        self._warnings: tuple[str, ...] = ()
        self._viewer: Viewer | None = None
        try:
            self._journal, self._warnings = claim(
                file.origin, sha256=file.sha256, unnamed=file.path is None
            )
        except Held as held:
            self._read_only = _held_words(file.shown, held)
        if file.is_protected:
            protected = f"{file.shown} is write-protected; save under another name"
            self._warnings = (*self._warnings, protected)

    # Opening and closing

    @classmethod
    def open(cls, path: str | None = None) -> Session:
        """Open a preset; None is the shipped example, which stays as it is: saving asks for a name.

        `presets/NAME.json` stands for the shipped file where there is no such file. Where somebody
        else edits the preset already it is opened read-only. Unsaved work of a session that ended
        is set aside, see `find_recovery`. Raises `Refused` where the file cannot be read.
        """
        file = PresetFile.of(path)
        return cls(file.read(), file)

    @classmethod
    def recovered(cls, recovery: Recovery) -> Session:
        """Open the preset of a recovery with its work in it, every step undoable again.

        As a copy without a name where the file has changed since. The old journal goes once the
        new one is on the disk. Raises `Refused` where somebody else edits the preset by now.
        """
        path = None if recovery.unnamed else recovery.preset_path
        sha256 = recovery.contents.header.base_sha256
        session = cls(recovery.base, PresetFile(path, recovery.preset_path, sha256))
        if session._read_only:
            raise Refused.at("", session._read_only)
        for step in recovery.steps:
            session._take(step)
        if session._journal is not None and session._journal.flush():
            recovery.discard()
        return session

    def close(self, *, keep_unsaved: bool = True) -> None:
        """Let go of the preset; unsaved steps stay in the journal to be recovered, or go."""
        if self._journal is not None:
            self._journal.close(keep=keep_unsaved and self.steps_unsaved > 0)
            self._journal = None
        self._read_only = "this preset has been closed; open it again"

    def __enter__(self) -> Session:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # What there is

    @property
    def preset(self) -> Preset:
        """The preset as it is now."""
        return self._history.preset

    @property
    def path(self) -> str | None:
        """Where `save` writes; None while the work has no name."""
        return self._file.path

    @property
    def origin(self) -> str:
        """The real path of the file that the work began from."""
        return self._file.origin

    @property
    def suggested_name(self) -> str:
        """A file name to offer where the work has none yet."""
        return f"{Path(self._file.origin).stem}-copy.json"

    @property
    def title(self) -> str:
        """The preset's title, inert."""
        return inert(self.preset.title)

    @property
    def read_only(self) -> str:
        """Why nothing can be edited here, as a sentence; "" where it can."""
        return self._read_only

    @property
    def warnings(self) -> tuple[str, ...]:
        """What stands in the way of saving or of keeping unsaved work, as sentences."""
        problem = "" if self._journal is None else self._journal.problem
        return (*self._warnings, problem) if problem else self._warnings

    @property
    def steps_unsaved(self) -> int:
        """How many steps lie between now and what the file holds, back or forth."""
        return self._history.steps_unsaved

    @property
    def history(self) -> tuple[Step, ...]:
        """The steps that can be undone, the oldest first."""
        return self._history.done

    @property
    def next_undo(self) -> str | None:
        """The name of the step that `undo` takes back, or None."""
        step = self._history.next_undo
        return None if step is None else step.name

    @property
    def next_redo(self) -> str | None:
        """The name of the step that `redo` does again, or None."""
        step = self._history.next_redo
        return None if step is None else step.name

    @property
    def context(self) -> entry.Context:
        """What reading and nudging cells needs to know of this preset."""
        preset = self.preset
        return entry.Context(
            sample_rate_hz=preset.sample_rate_hz,
            speed_of_sound_m_s=speed_of_sound_m_s(preset.air),
            inputs=tuple(item.name for item in preset.inputs),
        )

    def view(self, request: Request) -> View:
        """Curves of the preset as it is now; an edit costs what it touched.

        Raises `Refused` for an unknown name.
        """
        if self._viewer is None:
            from xover.session.views import Viewer

            self._viewer = Viewer()
        return self._viewer.view(self.preset, request)

    # Steps

    def apply(self, name: str, preset: Preset) -> Step | None:
        """Make `preset`, an edit of the present one, the present one, as a step of this name.

        None where nothing changes. Raises `Refused`, with nothing changed, where the result is not
        a legal preset or the session is read-only.
        """
        return self._do(name, self._checked(preset))

    def undo(self) -> Step | None:
        """Take the last step back, and give it; None where there is none."""
        return self._move("undo", self._history.undo)

    def redo(self) -> Step | None:
        """Do again what was undone last, and give it; None where there is nothing."""
        return self._move("redo", self._history.redo)

    def set_value(self, where: str | Cell | Iterable[Cell], value: object) -> Step | None:
        """Set cells and their followers to one value, or the value at a place in the file.

        A place in a column's cells (`outputs[1].eq[0].gain_db`) follows its group as cells do; a
        `name` of an input or output is renamed with its references. None where nothing changes.
        Raises `Refused` with nothing changed.
        """
        if isinstance(where, str):
            checked = self._checked(sheet.with_value_at(self.preset, where, value))
            return self._do(name_of_change(self.preset, checked), checked)
        wanted = [where] if isinstance(where, Cell) else list(where)
        return self._set_cells(dict.fromkeys(wanted, cast("Value", value)))

    def paste(self, values: Mapping[Cell, Value]) -> Step | None:
        """Set several cells to values of their own, in one step."""
        return self._set_cells(values)

    def nudge(
        self,
        cells: Cell | Iterable[Cell],
        steps: int,
        *,
        coarse: bool = False,
        part: entry.Part = "frequency",
    ) -> Step | None:
        """Change cells and their followers by musical steps, each from its own value.

        Steps, `coarse` ones and the `part` of a filter that moves are those of `entry.nudge`.
        Raises `Refused` where one of a group would meet its limit and the others would not.
        """
        wanted = [cells] if isinstance(cells, Cell) else list(cells)
        context = self.context

        def change(row: Row, value: Value) -> Value:
            return entry.nudge(row, value, steps, coarse=coarse, context=context, part=part)

        return self._edit_cells(wanted, sheet.nudged(self.preset, wanted, change))

    def toggle_mute(self, outputs: Iterable[str]) -> Step | None:
        """Mute outputs; where all of them are muted, open them."""
        wanted = [Cell(name, "mute") for name in outputs]
        muted = not all(sheet.value_of(self.preset, cell) for cell in wanted)
        return self._set_cells(dict.fromkeys(wanted, muted))

    def swap_columns(self, first: str, second: str) -> Step | None:
        """Exchange all that is entered into two outputs; names, channels and locks stay."""
        name = f"swap {inert(first)} and {inert(second)}"
        return self.apply(name, sheet.swapped(self.preset, first, second))

    def set_notes(self, text: str) -> Step | None:
        """Replace the free text kept with the preset."""
        return self.apply("notes", replace(self.preset, notes=text))

    def rename_output(self, old: str, new: str) -> Step | None:
        """Rename an output together with every reference to it; `new` as typed."""
        return self._rename("outputs", old, new)

    def rename_input(self, old: str, new: str) -> Step | None:
        """Rename an input together with every reference to it; `new` as typed."""
        return self._rename("inputs", old, new)

    def add(self, key: Listed, beside: str | None, typed: str) -> Step | None:
        """One more input, output or listener behind another; see `model.lists.with_further`."""
        edited = with_further(self.preset, key, beside, typed)
        return self.apply(f"add {key.removesuffix('s')} {inert(clean(typed))}", edited)

    def add_with_boxes(self, beside: str, typed: str) -> Step | None:
        """One more output, with boxes and amplifier channels like those of the one beside it."""
        name = clean(typed)
        edited = with_further(self.preset, "outputs", beside, name)
        return self.apply(
            f"add output {inert(name)} with boxes", with_boxes_like(edited, beside, name)
        )

    def take_out(self, key: Listed, name: str) -> Step | None:
        """Take an item out, with what rests on it; see `model.lists.without`."""
        edited = without(self.preset, key, name)
        return self.apply(f"take out {key.removesuffix('s')} {inert(name)}", edited)

    # Larger steps

    def accept(self, proposal: Proposal) -> Step | None:
        """Take a proposal as one step. Raises `Refused` where the preset has changed since."""
        if proposal.before is not self.preset:
            raise Refused.at("", "the preset has changed since this was worked out; do it again")
        return self.apply(proposal.name, proposal.after)

    def set_limits(self) -> Step | None:
        """Set every limiter to what boxes and amplifiers bear, as one step; None where it is so.

        As `design.limits.apply_limits`: locked limiters stay, groups get their smallest.
        """
        from xover.design.limits import apply_limits, limits

        return self.apply("limiters from ratings", apply_limits(self.preset, limits(self.preset)))

    def attach(
        self,
        capture: tuple[CapturedResponse, Provenance],
        *,
        output: str,
        listener: str,
        captured: Captured,
        session: str | None = None,
        full: bool = False,
        **options: Any,
    ) -> Step | None:
        """Put a capture that `files.captures.read_capture` read into the preset, as one step.

        `session` names its capture chain, as typed; `options` are those of
        `design.captures.attach_measurement`. Raises `Refused` as that does.
        """
        from xover.design.captures import attach_measurement, to_trace

        response, provenance = capture
        chain = clean(session) if session else None
        trace = to_trace(response, session=chain, provenance=provenance, full=full)
        edited = attach_measurement(
            self.preset, output=output, listener=listener, trace=trace, captured=captured, **options
        )
        return self.apply(f"capture of {inert(output)} at {inert(listener)}", edited)

    # The archive

    def restore(self, words: str, preset: Preset) -> Step | None:
        """Make a revision's preset the present one, as one step; None where it is the same.

        `preset` is based on that revision already (`archiving.Revision.preset`), and legal.
        """
        self._refuse_read_only()
        return self._do(f"restore {words}", preset)

    def kept(self, preset: Preset, revision: str) -> None:
        """Note that `preset` is in the archive now under this name: its `based_on`.

        Where it is still the present one and saved, the file is written and no step is made;
        steps undone later stay based on the revision, too. Otherwise, or where the file cannot be
        written, it is one unsaved step. Raises `Refused` where the file could not be written.
        """
        self._refuse_read_only()
        if self.preset.based_on == revision:
            return
        based = replace(self.preset, based_on=revision)
        if self.preset is preset and self.path is not None and not self.steps_unsaved:
            try:
                self._file.write(preset_json.dumps(based), overwrite_changed=False)
            except Refused:
                self._do("based on the revision", based)
                raise
            self._history.rebase(lambda one: replace(one, based_on=revision))
            self._saved()
        else:
            self._do("based on the revision", based)

    # Files

    def changed_on_disk(self) -> OnDisk:
        """What has become of the file since it was read or written here; cheap to ask often."""
        return self._file.state()

    def save(self, *, overwrite_changed: bool = False) -> None:
        """Write the preset to its file, all or nothing; the journal begins anew.

        Raises `NeedsName` where it has none, `ChangedOnDisk` where somebody else has changed the
        file (unless told to overwrite that), and `Refused` where the system does not let it be
        written; the work then stays unsaved, and in the journal.
        """
        self._refuse_read_only()
        data = preset_json.dumps(self.preset)
        self._file.write(data, overwrite_changed=overwrite_changed)
        self._saved()

    def save_as(self, path: str, *, overwrite: bool = False) -> None:
        """Write the preset under another name and go on there; a read-only session may, too.

        Raises `Refused` where the file exists (unless told to overwrite it), is being edited
        elsewhere or cannot be written; nothing has changed then.
        """
        target = PresetFile.named(path)
        data = preset_json.dumps(self.preset)
        if not self._read_only and self.path is not None and target.origin == self.origin:
            if not overwrite:
                target.create(data, overwrite=False)  # says that it exists
            self.save(overwrite_changed=True)
            return
        journal: Journal | None = None
        warnings: tuple[str, ...] = ()
        try:
            if not target.exists or overwrite:
                journal, warnings = claim(target.origin, sha256="")
            target.create(data, overwrite=overwrite)
        except Held as held:
            raise Refused.at("", _held_words(target.shown, held)) from held
        except BaseException:
            if journal is not None:
                journal.close(keep=False)
            raise
        if self._journal is not None:
            self._journal.close(keep=False)
        self._journal, self._warnings = journal, warnings
        self._file, self._read_only = target, ""
        self._saved()

    def reload(self) -> Step | None:
        """Take what the file holds now, as one step that can be undone; None where it is the same.

        Raises `Refused` where the file cannot be read.
        """
        step = Step("reload from disk", self.preset, self._file.read())
        if step.changes:
            self._take(step)
        if self.path is not None:
            self._saved()
        return step if step.changes else None

    # Inside

    def _refuse_read_only(self) -> None:
        if self._read_only:
            raise Refused.at("", self._read_only)

    def _do(self, name: str, checked: Preset) -> Step | None:
        step = Step(name, self.preset, checked)
        if not step.changes:
            return None
        self._take(step)
        return step

    def _take(self, step: Step) -> None:
        self._history.do(step)
        if self._journal is not None:
            self._journal.record(step.name, "edit", step.before, step.after)

    def _move(self, do: Literal["undo", "redo"], move: Callable[[], Step | None]) -> Step | None:
        self._refuse_read_only()
        before = self.preset
        step = move()
        if step is not None and self._journal is not None:
            self._journal.record(step.name, do, before, self.preset)
        return step

    def _set_cells(self, values: Mapping[Cell, Value]) -> Step | None:
        return self._edit_cells(list(values), sheet.with_values(self.preset, values))

    def _edit_cells(self, cells: Sequence[Cell], edited: Preset) -> Step | None:
        checked = self._checked(edited)
        return self._do(name_of_values(self.preset, checked, cells), checked)

    def _rename(self, key: str, old: str, new: str) -> Step | None:
        edited = sheet.renamed(self.preset, key, old, new)
        return self.apply(f"rename {inert(old)} → {inert(clean(new))}", edited)

    def _checked(self, edited: Preset) -> Preset:
        """Judged before it is named: only legal values can be shown."""
        self._refuse_read_only()
        try:
            return checked_edit(self.preset, edited)
        except Refused as refused:
            raise sheet.said_once(refused, edited) from None

    def _saved(self) -> None:
        self._history.mark_saved()
        if self._journal is not None:
            self._journal.restart(sha256=self._file.sha256)


def _held_words(shown: str, held: Held) -> str:
    owner = held.owner
    who = f" ({owner.words})" if owner.host else ""
    text = (
        f"{shown} is open in another workbench{who}, so it is read-only here; save it under "
        "another name to edit a copy"
    )
    if owner.host and not owner.is_here:
        text += f"; if that workbench is no more, remove {shown_path(held.path)}"
    return text
