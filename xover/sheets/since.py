"""What changed between two presets, as steps in an order that never lets a signal through unheld.

Mute; gains down; thresholds down; high-passes in or up; routes, polarity, delay, cuts; low-passes;
boosts; then what relaxes; gains up; unmute last, one output at a time. Works on two sheets, so the
figures are those of a processor where the sheets are.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from msgspec import Struct
from msgspec.structs import replace

from xover.model.names import fold
from xover.model.preset import Preset
from xover.model.processing import Crossover, EqSection, Input, Output
from xover.sheets.rows import Block, Entry, Matrix, Sheet

STEPS: tuple[tuple[str, str], ...] = (
    ("mute", "Mute the outputs concerned"),
    ("down", "Gains down"),
    ("tighten", "Limiters: thresholds down, or in"),
    ("protect", "High-passes in, or up"),
    ("neutral", "Routes, polarity, delay, names, cuts"),
    ("low", "Low-passes"),
    ("boost", "Boosts, and cuts that end"),
    ("relax", "What relaxes: high-passes down or out, thresholds up or out"),
    ("up", "Gains up"),
    ("unmute", "Unmute, one output at a time, from silence"),
)
"""The steps in their order, with their titles."""


class _Item(Struct, frozen=True):
    """One row of a step."""

    step: str
    entry: Entry


def changes_sheet(before: Preset, old: Sheet, after: Preset, new: Sheet) -> Sheet:
    """The sheet of what leads from one preset to another; `old` and `new` are their sheets.

    Outputs and inputs are told apart by name, whatever their capitals. Where nothing is to be
    entered the sheet says so.
    """
    items: list[_Item] = []
    touched: list[str] = []
    old_inputs = {fold(one.name): k for k, one in enumerate(before.inputs)}
    reached: set[str] = set()
    for k, source in enumerate(after.inputs):
        earlier = old_inputs.get(fold(source.name))
        found = _stage(
            None if earlier is None else (before.inputs[earlier], old.inputs[earlier]),
            (source, new.inputs[k]),
        )
        if found:
            reached |= {output.name for output in after.outputs if source.name in output.inputs}
        items += found
    old_outputs = {fold(one.name): k for k, one in enumerate(before.outputs)}
    unmute: list[_Item] = []
    for k, output in enumerate(after.outputs):
        earlier = old_outputs.pop(fold(output.name), None)
        was = None if earlier is None else before.outputs[earlier]
        found = _stage(
            None if earlier is None else (before.outputs[earlier], old.outputs[earlier]),
            (output, new.outputs[k]),
        )
        items += found
        was_open = was is not None and not was.muted
        if not (found or output.name in reached or (was is not None and was.muted) != output.muted):
            continue
        touched.append(output.name)
        block = new.outputs[k]
        row = block.entries[_at(block, ".muted")]
        if was_open or not output.muted:
            items.append(_Item("mute", _row(block, row, "MUTED", "")))
        if not output.muted:
            unmute.append(_Item("unmute", _row(block, row, "off", "listen, then the next")))
    for k in old_outputs.values():
        block = old.outputs[k]
        row = block.entries[_at(block, ".muted")]
        items.append(_Item("mute", _row(block, row, "MUTED", "no longer in the preset; take its "
                                        "routes out too")))  # fmt: skip
    blocks = []
    for step, title in STEPS:
        entries = tuple(one.entry for one in (*items, *unmute) if one.step == step)
        if entries:
            blocks.append(Block(title, (), entries))
    notes: tuple[str, ...] = () if blocks else (_nothing(before, after),)
    facts = (*new.facts, ("Changes since", _since(old)))
    return replace(
        new,
        facts=facts,
        inputs=(),
        outputs=tuple(blocks),
        matrix=Matrix((), ()),
        groups=(),
        notes=notes,
        kind="Step",
    )


def _nothing(before: Preset, after: Preset) -> str:
    """Why no step is left: nothing is different, or only what no processor is given."""
    if before == after:
        return "Nothing is to be entered: nothing changed."
    return (
        "Nothing is to be entered: what changed is not typed into a processor, or is too little "
        "for its steps. Where the air, a place or a box changed, delays and thresholds may have "
        "to follow: `xover distance`, `xover align` and `xover limits` tell."
    )


def _since(old: Sheet) -> str:
    known = dict(old.facts)
    return f"{old.title}, revision {known.get('Revision', '–')}"


Stage = tuple[Input | Output, Block]


def _stage(old: Stage | None, new: Stage) -> list[_Item]:
    """The rows of one input or output that changed, each with its step."""
    block = new[1]
    before = {} if old is None else _by_tail(old[1])
    after = _by_tail(block)
    found: list[_Item] = []
    for tail in dict.fromkeys([*after, *before]):
        if tail.endswith(".muted"):
            continue
        mine, theirs = after.get(tail), before.get(tail)
        if mine is not None and theirs is not None and _same(mine, theirs):
            continue
        if mine is None and theirs is not None and tail.endswith((".eq", ".inputs")):
            continue  # the word "none" of a list that now has rows
        if mine is not None and mine.figures[0].value == "none" and theirs is None and old is None:
            continue  # a new output needs no row for what is off
        step = _step(tail, old and old[0], new[0], _number(theirs), _number(mine))
        entry = mine if mine is not None else _gone(theirs)
        said = [mine.note] if mine is not None and mine.slot else []  # its number in the preset
        if theirs is not None:
            said.append(f"was {', '.join(f.words for f in theirs.figures)}")
        label, note = f"{block.name}: {entry.label}", "; ".join(said)
        found.append(_Item(step, replace(entry, label=label, note=note)))
    return found


def _by_tail(block: Block) -> dict[str, Entry]:
    """The rows by where they are typed, without the output's number."""
    rows = [entry for entry in block.entries if not entry.is_trial]
    return {(entry.slot or entry.where).partition("]")[2]: entry for entry in rows}


def _number(entry: Entry | None) -> int | None:
    """Of a row of the equaliser the section's number in its preset, from 0."""
    tail = "" if entry is None else entry.where.partition("]")[2]
    return int(tail[4:].partition("]")[0]) if tail.startswith(".eq[") else None


def _same(one: Entry, other: Entry) -> bool:
    """Whether two rows ask for the same figures."""
    mine, theirs = (
        [(f.field, f.value, f.unit, f.text if f.field == "kind" else "") for f in entry.figures]
        for entry in (one, other)
    )
    return mine == theirs


def _gone(entry: Entry | None) -> Entry:
    """The row that takes something out."""
    assert entry is not None
    figure = replace(entry.figures[0], value="none", unit="", text="take out", caption="")
    return replace(entry, figures=(figure,))


def _row(block: Block, entry: Entry, text: str, note: str) -> Entry:
    figure = replace(entry.figures[0], value=text.lower(), text=text)
    return replace(entry, label=f"{block.name}: Mute", figures=(figure,), note=note)


def _at(block: Block, tail: str) -> int:
    return next(k for k, entry in enumerate(block.entries) if entry.where.endswith(tail))


def _step(
    tail: str,
    old: Input | Output | None,
    new: Input | Output,
    old_band: int | None,
    new_band: int | None,
) -> str:
    """Which step a changed row belongs to, by what it does to level and protection."""
    if tail == ".gain_db":
        return "up" if old is None or new.gain_db > old.gain_db else "down"
    if tail.startswith(".inputs["):
        return _route_step(tail, old, new)
    if tail.startswith(".limiter."):
        return _limit_step(tail.rpartition(".")[2], old, new)
    if tail == ".high_pass":
        return _high_pass_step(_crossover(old, "high_pass"), _crossover(new, "high_pass"))
    if tail == ".low_pass":
        return "low"
    if tail.startswith(".eq["):
        return _band_step(_band(old, old_band), _band(new, new_band))
    return "neutral"


def _route_step(tail: str, old: Input | Output | None, new: Input | Output) -> str:
    """A route that is new or louder is a gain up, one that goes or falls a gain down."""
    mine, theirs = _route(new, tail), _route(old, tail)
    if mine is None:
        return "down"
    return "up" if theirs is None or mine > theirs else "down"


def _route(item: Input | Output | None, tail: str) -> float | None:
    if not isinstance(item, Output):
        return None
    routes: Mapping[str, float] = item.inputs
    from xover.model.places import at_key

    return next((gain for name, gain in routes.items() if at_key(".inputs", name) == tail), None)


def _limit_step(kind: str, old: Input | Output | None, new: Input | Output) -> str:
    mine, theirs = _threshold(new, kind), _threshold(old, kind)
    if mine is None:
        return "relax"
    return "relax" if theirs is not None and mine > theirs else "tighten"


def _threshold(item: Input | Output | None, kind: str) -> float | None:
    if not isinstance(item, Output) or item.limiter is None:
        return None
    limit = getattr(item.limiter, kind)
    return None if limit is None else float(limit.threshold_dbu)


def _crossover(item: Input | Output | None, side: str) -> Crossover | None:
    return getattr(item, side) if isinstance(item, Output) else None


def _high_pass_step(old: Crossover | None, new: Crossover | None) -> str:
    """In, up or steeper protects; out, down or shallower relaxes."""
    if new is None:
        return "relax"
    if old is None:
        return "protect"
    if new.frequency_hz < old.frequency_hz:
        return "relax"
    if new.slope_db_per_octave < old.slope_db_per_octave:
        return "relax"
    return "protect"


def _band(item: Input | Output | None, at: int | None) -> EqSection | None:
    if item is None or at is None or at >= len(item.eq):
        return None
    return item.eq[at]


def _band_step(old: EqSection | None, new: EqSection | None) -> str:
    """A band that can raise the level anywhere is a boost; all else a cut or turn of phase."""
    kinds: Iterable[EqSection | None] = (old, new)
    if any(one is not None and one.kind in ("high_pass", "low_pass", "band_pass", "notch")
           for one in kinds):  # fmt: skip
        takes_out = new is None or new.bypassed
        return "boost" if takes_out or (old is not None and not old.bypassed) else "neutral"
    mine, theirs = _gain(new), _gain(old)
    if mine > 0.0 and mine >= theirs:
        return "boost"
    if mine > theirs:
        return "boost"
    if mine == theirs and mine < 0.0:
        return "boost"  # a cut that moves ends where it was
    return "neutral"


def _gain(item: EqSection | None) -> float:
    return 0.0 if item is None or item.bypassed else item.gain_or_zero_db
