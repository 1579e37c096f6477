"""The entry sheet before it has a shape: every figure to type, in the order the signal passes.

One builder feeds every format, so that paper, text and table cannot disagree. Figures are the
preset's own, in its definitions; nothing is rounded to a device or left out. All text that came
from a file is made inert here, once.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from msgspec import UNSET, Struct

from xover.acoustics.air import speed_of_sound_m_s
from xover.model.names import inert
from xover.model.places import at_key
from xover.model.preset import Preset
from xover.model.processing import Crossover, EqSection, Group, Input, Limit, Output
from xover.model.units import (
    plain,
    short,
    show_c,
    show_db,
    show_dbu,
    show_hz,
    show_m,
    show_ms,
    volts_from_dbu,
)
from xover.model.words import FAMILY_NAMES, Stage, eq_words
from xover.sheets.limiter_test import Trial, limiter_trial
from xover.sheets.wording import CAUTIONS, DEFINITIONS

STAGE_NAMES: dict[Stage, str] = {
    "gain": "gain",
    "polarity": "polarity",
    "delay": "delay",
    "high_pass": "high-pass",
    "low_pass": "low-pass",
    "eq": "EQ",
    "limiter": "limiter",
}


TRIAL = "trial"
"""The field of figures that are fed or measured on trial, and not entered."""


class Figure(Struct, frozen=True):
    """One value to enter: as people read it (`text`) and as it stands in the preset at `where`."""

    where: str
    field: str
    value: float | str
    unit: str
    text: str
    caption: str = ""

    @property
    def words(self) -> str:
        """The text with its caption in front, where it has one."""
        return f"{self.caption} {self.text}".lstrip()


class Entry(Struct, frozen=True):
    """One row of a sheet: what it is, the figures to enter and tick, and what helps to read it.

    `where` is the path in the preset; `note` holds the same value in other units. `slot` is the
    path by which a processor counts, "" where that is the same.
    """

    where: str
    label: str
    figures: tuple[Figure, ...]
    note: str = ""
    locked: bool = False
    slot: str = ""

    @property
    def is_trial(self) -> bool:
        """Whether this row proves something instead of entering it."""
        return any(figure.field == TRIAL for figure in self.figures)


class Block(Struct, frozen=True):
    """Everything of one input or output; `remarks` are sentences that are not entered."""

    name: str
    facts: tuple[tuple[str, str], ...]
    entries: tuple[Entry, ...]
    remarks: tuple[str, ...] = ()


class Matrix(Struct, frozen=True):
    """Who is routed where: one row an output, one cell an input, "–" where there is no route."""

    inputs: tuple[str, ...]
    rows: tuple[tuple[str, tuple[str, ...]], ...]


class Sheet(Struct, frozen=True):
    """A whole entry sheet, all text inert."""

    title: str
    facts: tuple[tuple[str, str], ...]
    inputs: tuple[Block, ...]
    matrix: Matrix
    outputs: tuple[Block, ...]
    groups: tuple[tuple[str, str, str], ...]
    notes: tuple[str, ...]
    cautions: tuple[str, ...] = CAUTIONS
    definitions: tuple[str, ...] = DEFINITIONS
    kind: str = "Output"
    """What one block of `outputs` is called: an output, or a step of what changed."""


def sheet_of(preset: Preset, *, date: str = "", revision: str = "") -> Sheet:
    """The entry sheet of a preset.

    `date` and `revision` (a short hash of the file's bytes) are the caller's, so that one file
    always gives one sheet.
    """
    reader = _Reader(preset)
    return Sheet(
        inert(preset.title),
        _facts(preset, date, revision),
        tuple(reader.input_block(index, item) for index, item in enumerate(preset.inputs)),
        _matrix(preset),
        tuple(reader.output_block(index, item) for index, item in enumerate(preset.outputs)),
        tuple(_group(group) for group in preset.groups),
        tuple(inert(line) for line in preset.notes.splitlines()),
    )


def _facts(preset: Preset, date: str, revision: str) -> tuple[tuple[str, str], ...]:
    air = preset.air
    facts = (
        ("Venue", inert(preset.venue)),
        ("Author", inert(preset.author)),
        ("Date", inert(date)),
        ("Revision", inert(revision)),
        ("Sample rate", show_hz(preset.sample_rate_hz)),
        (
            "Air",
            f"{show_c(air.temperature_c)}, {short(air.relative_humidity_percent, 1)} % humidity, "
            f"{short(air.pressure_kpa, 3)} kPa, sound at {plain(speed_of_sound_m_s(air), 1)} m/s",
        ),
        ("Processor", inert(preset.processor or "")),
        ("Tags", inert(", ".join(preset.tags))),
    )
    return tuple((label, text) for label, text in facts if text)


def _matrix(preset: Preset) -> Matrix:
    names = tuple(item.name for item in preset.inputs)
    return Matrix(
        tuple(inert(name) for name in names),
        tuple(
            (
                inert(output.name),
                tuple(
                    show_exact_db(output.inputs[name]) if name in output.inputs else "–"
                    for name in names
                ),
            )
            for output in preset.outputs
        ),
    )


def _group(group: Group) -> tuple[str, str, str]:
    follow = ", ".join(STAGE_NAMES[stage] for stage in group.follow) or "nothing"
    return inert(group.name), ", ".join(inert(name) for name in group.outputs), follow


def decimals_of(value: float, least: int, most: int) -> int:
    """How many decimals show `value` as it is, from `least` to `most`."""
    for decimals in range(least, most):
        if abs(round(value, decimals) - value) < 0.5e-9:
            return decimals
    return most


def show_exact_db(value_db: float) -> str:
    """A level in dB with one decimal or as many as it has, at most four."""
    return show_db(value_db, decimals_of(value_db, 1, 4))


def show_exact_hz(frequency_hz: float) -> str:
    """A frequency to type: to 0.01 Hz below 1 kHz, to 0.1 Hz above, without trailing zeros."""
    if frequency_hz >= 1000.0:
        return f"{short(frequency_hz / 1000.0, 4)} kHz"
    return f"{short(frequency_hz, 2)} Hz"


class _Reader:
    """Turns stages into entries; knows the sample rate, the air and the groups."""

    def __init__(self, preset: Preset) -> None:
        self.preset = preset
        self.speed_m_s = speed_of_sound_m_s(preset.air)

    def input_block(self, index: int, item: Input) -> Block:
        """An input: gain, polarity, delay, EQ."""
        where = f"inputs[{index}]"
        facts = []
        if item.channel is not None:
            facts.append(("Physical input", str(item.channel)))
        if item.nominal_dbu is not None:
            facts.append(("Nominal level", _show_exact_dbu(item.nominal_dbu)))
        entries = [*self._common(where, item, frozenset()), *self._eq(where, item.eq, False)]
        return Block(inert(item.name), tuple(facts), tuple(entries))

    def output_block(self, index: int, item: Output) -> Block:
        """An output, from its routes to its limiters, in signal order."""
        where = f"outputs[{index}]"
        locked = frozenset(item.locked)
        channel = "not given" if item.channel is None else str(item.channel)
        facts = [("Physical output", channel)]
        if item.patch:
            facts.append(("Patch", inert(item.patch)))
        entries = [
            Entry(
                f"{where}.muted",
                "Mute",
                (
                    _word(
                        f"{where}.muted", str(item.muted).lower(), "MUTED" if item.muted else "off"
                    ),
                ),
            ),
            *self._routes(where, item),
            *self._common(where, item, locked),
            _crossover(where, "high_pass", "High-pass", item.high_pass, "high_pass" in locked),
            _crossover(where, "low_pass", "Low-pass", item.low_pass, "low_pass" in locked),
            *self._eq(where, item.eq, "eq" in locked),
        ]
        limiter = item.limiter
        for kind, label in (("rms", "RMS limit"), ("peak", "Peak limit")):
            limit = getattr(limiter, kind) if limiter is not None else None
            path = f"{where}.limiter.{kind}"
            entries.append(_limit(path, label, limit, kind == "peak", "limiter" in locked))
            if limit is not None:
                entries.append(_trial(path, label, limiter_trial(self.preset, item, limit)))
        return Block(inert(item.name), tuple(facts), tuple(entries), self._remarks(item))

    def _remarks(self, item: Output) -> tuple[str, ...]:
        remarks = []
        for group in self.preset.groups:
            others = [inert(name) for name in group.outputs if name != item.name]
            if item.name in group.outputs and others and group.follow:
                stages = ", ".join(STAGE_NAMES[stage] for stage in group.follow)
                remarks.append(
                    f"Set together with {', '.join(others)} (group {inert(group.name)}: {stages})."
                )
        if item.locked:
            stages = ", ".join(STAGE_NAMES[stage] for stage in item.locked)
            remarks.append(f"Locked, enter exactly as given: {stages}.")
        if item.latency_ms:
            shown = show_ms(item.latency_ms, decimals_of(item.latency_ms, 2, 4))
            remarks.append(f"Fixed latency of {shown} follows this output; it is not entered.")
        if not item.inputs:
            remarks.append("No input is routed here: this output stays silent.")
        return tuple(remarks)

    def _routes(self, where: str, item: Output) -> list[Entry]:
        if not item.inputs:
            return [Entry(f"{where}.inputs", "Route", (_word(f"{where}.inputs", "none", "none"),))]
        routed = [source.name for source in self.preset.inputs if source.name in item.inputs]
        return [
            Entry(path, f"From {inert(name)}", (_db(path, item.inputs[name], "route_db"),))
            for name, path in ((name, at_key(f"{where}.inputs", name)) for name in routed)
        ]

    def _common(
        self, where: str, item: Input | Output, locked: frozenset[Stage] | frozenset[str]
    ) -> list[Entry]:
        """Gain, polarity and delay, which inputs and outputs share."""
        length_m = item.delay_ms / 1000.0 * self.speed_m_s
        samples = item.delay_ms / 1000.0 * self.preset.sample_rate_hz
        shown = show_ms(item.delay_ms, decimals_of(item.delay_ms, 2, 4))
        note = ""
        if item.delay_ms:
            air = show_c(self.preset.air.temperature_c)
            note = f"= {show_m(length_m)} at {air} = {short(samples, 2)} samples"
        return [
            Entry(
                f"{where}.gain_db",
                "Gain",
                (_db(f"{where}.gain_db", item.gain_db),),
                "",
                "gain" in locked,
            ),
            Entry(
                f"{where}.polarity",
                "Polarity",
                (_word(f"{where}.polarity", item.polarity, _polarity(item.polarity)),),
                "",
                "polarity" in locked,
            ),
            Entry(
                f"{where}.delay_ms",
                "Delay",
                (Figure(f"{where}.delay_ms", "delay_ms", item.delay_ms, "ms", shown),),
                note,
                "delay" in locked,
            ),
        ]

    def _eq(self, where: str, sections: Sequence[EqSection], locked: bool) -> list[Entry]:
        if not sections:
            return [Entry(f"{where}.eq", "EQ", (_word(f"{where}.eq", "none", "none"),), "", locked)]
        return [
            Entry(path, f"EQ {index + 1}", _section(path, section), "", locked)
            for index, (path, section) in enumerate(
                (f"{where}.eq[{index}]", section) for index, section in enumerate(sections)
            )
        ]


def _polarity(polarity: str) -> str:
    return "INVERTED" if polarity == "inverted" else "normal"


def _word(where: str, value: str, text: str) -> Figure:
    """A choice to make rather than a number to type."""
    return Figure(where, where.rpartition(".")[2], value, "", text)


def _db(where: str, value_db: float, field: str = "gain_db") -> Figure:
    return Figure(where, field, value_db, "dB", show_exact_db(value_db))


def _show_exact_dbu(level_dbu: float) -> str:
    return show_dbu(level_dbu, decimals_of(level_dbu, 1, 3))


def _hz(where: str, frequency_hz: float) -> Figure:
    path = f"{where}.frequency_hz"
    return Figure(path, "frequency_hz", frequency_hz, "Hz", show_exact_hz(frequency_hz))


def _section(where: str, section: EqSection) -> tuple[Figure, ...]:
    """Kind, frequency, gain, Q and bypass, each where the section has one."""
    kind = eq_words(section.kind, section.effective_order)
    figures = [_word(f"{where}.kind", section.kind, kind), _hz(where, section.frequency_hz)]
    if section.gain_db is not UNSET:
        figures.append(_db(f"{where}.gain_db", float(section.gain_db)))
    if section.q is not UNSET:
        q = float(section.q)
        figures.append(Figure(f"{where}.q", "q", q, "", short(q, 4), "Q"))
    if section.bypassed:
        figures.append(_word(f"{where}.bypassed", "true", "BYPASSED"))
    return tuple(figures)


def _trial(where: str, label: str, trial: Trial) -> Entry:
    """The row that proves a limiter, with room for what was measured."""
    texts = [text for text in (trial.feed, trial.stop, "measured ________") if text]
    path = f"{where}.threshold_dbu"
    figures = tuple(Figure(path, TRIAL, text, "", text) for text in texts)
    return Entry(path, f"{label}, trial", figures, trial.remark)


def _crossover(
    where: str, field: str, label: str, filter_: Crossover | None, locked: bool
) -> Entry:
    path = f"{where}.{field}"
    if filter_ is None:
        return Entry(path, label, (_word(path, "none", "off"),), "", locked)
    slope = filter_.slope_db_per_octave
    figures = (
        _word(f"{path}.family", filter_.family, FAMILY_NAMES[filter_.family]),
        Figure(
            f"{path}.slope_db_per_octave", "slope_db_per_octave", float(slope), "dB/oct",
            f"{slope} dB/oct",
        ),
        _hz(path, filter_.frequency_hz),
    )  # fmt: skip
    return Entry(path, label, figures, "", locked)


def _limit(where: str, label: str, limit: Limit | None, peak: bool, locked: bool) -> Entry:
    if limit is None:
        return Entry(where, label, (_word(where, "none", "off"),), "", locked)
    level = limit.threshold_dbu
    times = [
        Figure(
            f"{where}.{name}_ms", f"{name}_ms", value, "ms",
            show_ms(value, decimals_of(value, 0, 3)), name,
        )
        for name, value in (("attack", limit.attack_ms), ("release", limit.release_ms))
    ]  # fmt: skip
    volts = volts_from_dbu(level)
    note = f"= {plain(volts, 3)} V rms"
    if peak:
        note = f"= rms of the sine with this peak, {plain(volts * math.sqrt(2.0), 3)} V peak"
    path = f"{where}.threshold_dbu"
    threshold = Figure(path, "threshold_dbu", level, "dBu", _show_exact_dbu(level))
    return Entry(where, label, (threshold, *times), note, locked)
