"""The entry sheet for one kind of processor: the device's own units, steps and conventions.

Made from the neutral sheet and an adaptation, so that order and wording stay the same; what the
device cannot hold is a remark beside the output, never left out in silence.
"""

from __future__ import annotations

from collections.abc import Mapping

from msgspec.structs import replace

from xover.design.adapting.result import Adaptation, Adapted, Setting
from xover.model.names import inert
from xover.model.places import form, label, parse
from xover.model.preset import Preset
from xover.model.profile import Profile
from xover.model.units import plain, short, show_dbu, show_hz, show_ms
from xover.model.words import EQ_NAMES, FAMILY_NAMES
from xover.sheets.rows import Block, Entry, Figure, Sheet, sheet_of

WIDTHS = {
    "half-gain": "between the two points at half the gain in dB",
    "minus-3-db": "between the two points 3 dB below the peak of a boost",
    "from-flat-3-db": "between the two points 3 dB above flat",
    "denominator": "of the poles of a boost; a cut mirrors it",
    "constant-q": "one for boost and cut; a cut is narrower than the boost's mirror image",
}
CORNERS = {
    "half-gain": "where the gain is half the dB gain",
    "3-db-from-flat": "3 dB from flat",
    "3-db-from-plateau": "3 dB below the plateau",
}
UNITS = {"delay_ms": "ms", "threshold_dbu": "dBu"}
"""The preset's own unit of fields that a device may take in another."""
WORDS: Mapping[str, str] = dict([*FAMILY_NAMES.items(), *EQ_NAMES.items()])
"""What stands in the file for what people write."""


def device_sheet(
    preset: Preset, answer: Adaptation, *, date: str = "", revision: str = ""
) -> Sheet:
    """The entry sheet of a preset as typed into a processor."""
    sheet = sheet_of(answer.arranged, date=date, revision=revision)
    trials = _trials(answer.preset)
    inputs = [
        _block(preset, block, one, trials)
        for block, one in zip(sheet.inputs, answer.inputs, strict=True)
    ]
    outputs = [
        _block(preset, block, one, trials)
        for block, one in zip(sheet.outputs, answer.outputs, strict=True)
    ]
    facts = tuple(
        (name, text) for name, text in sheet.facts if name not in ("Processor", "Sample rate")
    )
    facts += (
        ("Processor", inert(answer.profile.name)),
        ("Sample rate", show_hz(answer.device_rate_hz)),
    )
    rows = tuple(
        (
            name,
            tuple(
                _route(outputs[at], inert(source.name), gain)
                for source, gain in zip(preset.inputs, gains, strict=True)
            ),
        )
        for at, (name, gains) in enumerate(sheet.matrix.rows)
    )
    return replace(
        sheet,
        facts=facts,
        inputs=tuple(inputs),
        outputs=tuple(outputs),
        matrix=replace(sheet.matrix, rows=rows),
        notes=(*sheet.notes, *(inert(note) for note in answer.notes)),
        definitions=_definitions(answer.profile, sheet.definitions),
    )


def change_text(preset: Preset, one: Setting) -> str:
    """`Sub, delay: 1.55 ms → 0.54 m`: the preset's figure, with its unit where another is typed."""
    was = one.meant
    if was is None or isinstance(was, str):
        before = "–" if was is None else WORDS.get(was, was)
    else:
        unit = UNITS.get(one.where.rpartition(".")[2], one.unit)
        before = short(was, 4) if unit == one.unit else f"{short(was, 4)} {unit}"
    unit = "" if one.unit == "Q" else one.unit  # a Q has none, and its place says what it is
    return f"{label(preset, one.where)}: {before} → {one.text} {unit}".rstrip()


def _block(preset: Preset, block: Block, one: Adapted, trials: Mapping[str, Entry]) -> Block:
    settings = {setting.where: setting for setting in one.settings}
    entries = []
    named = next((each for each in one.settings if each.where.endswith(".name")), None)
    if named is not None and named.is_changed:
        figure = Figure(named.where, "name", inert(named.text), "", inert(named.text))
        entries.append(Entry(named.where, "Name", (figure,)))
    bands = {origin: number for number, origin in enumerate(one.bands, 1)}
    for entry in block.entries:
        made = _entry(entry, settings, trials)
        if made is not None:
            entries.append(_with_band(made, bands))
    remarks = [*block.remarks]
    for each in one.cannot:
        cost = "" if each.largest_db is None else f" Costs {plain(each.largest_db, 2)} dB."
        place = label(preset, each.where)
        remarks.append(inert(f"Cannot be held: {place}: {each.why}.{cost}"))
    if one.largest_db >= 0.05 or one.largest_deg >= 0.5:
        remarks.append(
            f"As typed, at most {plain(one.largest_db, 2)} dB and {plain(one.largest_deg, 1)}° "
            "from the preset in its pass band."
        )
    return replace(block, entries=tuple(entries), remarks=tuple(remarks))


def _entry(
    entry: Entry, settings: Mapping[str, Setting], trials: Mapping[str, Entry]
) -> Entry | None:
    """A row in the device's figures; None where the device holds none of it."""
    if entry.is_trial:
        return trials.get(entry.where) if entry.where in settings else None
    own = [figure for figure in entry.figures if _is_field(figure, entry)]
    if not own:
        return entry
    figures = _typed(entry, settings)
    if not figures:
        return None
    delay = next((settings[f.where] for f in own if f.field == "delay_ms"), None)
    note = entry.note
    if delay is not None and delay.unit != "ms" and isinstance(delay.meant, float):
        note = f"= {show_ms(delay.meant)} in the preset" if delay.meant else ""
    threshold = settings.get(f"{entry.where}.threshold_dbu")
    if threshold is not None and isinstance(threshold.meant, float) and threshold.is_changed:
        note = f"= {show_dbu(threshold.meant)} rms at the output in the preset"
    return replace(entry, figures=figures, note=note)


def _typed(entry: Entry, settings: Mapping[str, Setting]) -> tuple[Figure, ...]:
    """The figures of a row as typed; of a band all that its kind has on the device."""
    known = {figure.where: figure for figure in entry.figures}
    if "].eq[" in entry.where:
        beside = [where for where in settings if where.startswith(f"{entry.where}.")]
        wanted = [where for where in beside if not where.endswith(".order")]
    else:
        wanted = [where for where in known if where in settings]
    return tuple(_figure(known.get(where, _blank(where)), settings[where]) for where in wanted)


def _blank(where: str) -> Figure:
    """A figure that the preset's row has not, since its band is of another kind there."""
    return Figure(where, where.rpartition(".")[2], "", "", "")


def _with_band(entry: Entry, bands: Mapping[int, int]) -> Entry:
    """A row of the equaliser by the processor's own number; the preset's is said where it differs.

    Bands that are not entered leave no gap there.
    """
    steps = parse(entry.where)
    origin = steps[-1]
    if len(steps) < 2 or steps[-2] != "eq" or not isinstance(origin, int):
        return entry
    number = bands.get(origin, origin + 1)
    if number == origin + 1:
        return entry
    slot = form((*steps[:-1], number - 1))
    return replace(entry, label=f"EQ {number}", note=f"EQ {origin + 1} in the preset", slot=slot)


def _is_field(figure: Figure, entry: Entry) -> bool:
    """Whether a figure is a value of the preset, not the word for a stage that is off."""
    return not (figure.where == entry.where and figure.value == "none")


def _figure(figure: Figure, setting: Setting) -> Figure:
    if isinstance(setting.typed, str) or setting.typed is None:
        is_same = figure.field != "kind" or inert(setting.text) == figure.text  # its order too
        if setting.typed == setting.meant and is_same:
            return figure
        return replace(figure, value=inert(str(setting.typed)), text=inert(setting.text))
    unit = "" if setting.unit in ("Q", "slope") else setting.unit
    caption = setting.unit if setting.unit in ("Q", "slope") else figure.caption
    if setting.unit == "oct":
        caption = "width"
    signed = setting.text
    if unit.startswith("dB") and unit != "dB/oct" and setting.typed > 0.0:
        signed = "+" + signed
    return replace(
        figure,
        value=setting.typed,
        unit=unit,
        text=f"{signed} {unit}".rstrip(),
        caption=caption,
    )


def _trials(held: Preset) -> dict[str, Entry]:
    """The trial rows for what the device really holds."""
    return {
        entry.where: entry
        for block in sheet_of(held).outputs
        for entry in block.entries
        if entry.is_trial
    }


def _route(block: Block, source: str, shown: str) -> str:
    """The matrix cell: the gain as typed."""
    for entry in block.entries:
        if entry.label == f"From {source}":
            return entry.figures[0].text
    return shown


def _definitions(profile: Profile, neutral: tuple[str, ...]) -> tuple[str, ...]:
    """What the figures mean on this device, before what holds everywhere."""
    width = profile.eq.width
    unit = "bandwidth in octaves" if width.unit == "bandwidth_octaves" else "Q"
    found = [
        f"EQ width is typed as {unit}: {WIDTHS[width.convention]}.",
        f"A shelf's frequency on this processor is {CORNERS[profile.eq.shelf_corner]}.",
        f"A Bessel filter's frequency is meant by {profile.crossover.bessel_normalisation} "
        "normalisation.",
    ]
    limiter = profile.limiter
    if limiter is not None:
        where = "before" if limiter.position == "before-gain" else "after"
        kinds = [kind for kind in ("rms", "peak") if getattr(limiter, kind) is not None]
        reads = ", ".join(
            f"{kind} thresholds as "
            + (
                "the peak of a sine"
                if getattr(limiter, kind).threshold.reads == "peak"
                else "the rms of a sine"
            )
            for kind in kinds
        )
        found.append(f"Limiters sit {where} the output gain; it reads {reads}.")
    kept = [text for text in neutral if not text.startswith(("EQ peak", "EQ shelf", "Limiters"))]
    return (*found, *kept)
