"""The rules of the preset that no single field can state: references, pairs, kinds, text.

One place for each; reading, saving and editing all ask here. Judges only: repairs nothing, and
gives no advice about presets that are legal but unwise.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Sequence
from itertools import pairwise
from operator import lt
from typing import Any, Protocol

import msgspec
from msgspec import UNSET

from xover.model import places
from xover.model.names import fold, listed, nearest, quoted, text_problem
from xover.model.preset import Preset
from xover.model.problems import Fault
from xover.model.processing import Crossover, EqSection, Input, Output
from xover.model.ranges import FILTER_NYQUIST_FRACTION, TRACE_POINTS_MAX
from xover.model.rig import Loudspeaker, Measurement, Source, Trace
from xover.model.texts import texts
from xover.model.units import short
from xover.model.walk import FAULTS_KEPT, check, tree_of
from xover.model.words import EQ_SHAPES, FAMILY_SLOPES, LINE_VOLTAGES_V

_OHMS = r"[0-9]{1,7}(\.[0-9]{1,6})?"
_NAME_PLACE = r"(\w+)(\[\d+\](\.name)?)?"


def faults(preset: Preset) -> list[Fault]:
    """Everything wrong with a preset, types and ranges included; empty where it may be saved.

    Use it on presets built or changed in the program. Never raises for bad values (NaN, wrong
    types): they are faults.
    """
    walked = check(tree_of(preset), Preset)
    if walked.gave_up:
        return walked.faults
    whole = msgspec.convert(walked.tree, Preset)
    return walked.faults + cross_faults(whole, unsure=walked.unsure)


def cross_faults(
    preset: Preset, *, unsure: Collection[str] = (), settled: Preset | None = None
) -> list[Fault]:
    """What no single field can state, of a preset whose fields are each of their type and range.

    `unsure` are places that hold stand-ins; faults that rest on what stands there are left out.
    `settled` is a legal preset: what one of its items says by itself is not asked again.
    At most 1,000 faults are given.
    """
    rules = _Rules(preset, unsure, settled)
    rules.run()
    return rules.found


def too_high_problem(frequency_hz: float, rate_hz: float) -> str:
    """What is wrong with a filter's frequency at a sample rate; "" where it is low enough."""
    limit_hz = FILTER_NYQUIST_FRACTION * rate_hz
    if frequency_hz < limit_hz:
        return ""
    return (
        f"{short(frequency_hz, 6)} Hz is too high for a sample rate of {short(rate_hz)} Hz; "
        f"filters must lie below {short(limit_hz)} Hz ({FILTER_NYQUIST_FRACTION} of it)"
    )


class _Named(Protocol):
    @property
    def name(self) -> str: ...


def _items(preset: Preset | None) -> frozenset[int]:
    """The identities of a preset's items; it holds them, so that they stay theirs."""
    if preset is None:
        return frozenset()
    lists = (getattr(preset, key) for key in (*_NAMED_LISTS, "measurements"))
    return frozenset(id(item) for items in lists for item in items)


class _Rules:
    """One pass over one preset. Places are put into words only where there is a fault."""

    def __init__(
        self, preset: Preset, unsure: Collection[str], settled: Preset | None = None
    ) -> None:
        self.preset = preset
        self.found: list[Fault] = []
        self._before = settled
        self._settled = _items(settled)
        self._rate_settled = settled is not None and settled.sample_rate_hz == preset.sample_rate_hz
        self._unsure = frozenset(unsure)
        self._around = frozenset[str]()
        self._doubtful_lists = frozenset[str]()
        if unsure:
            self._around = frozenset(one for place in unsure for one in places.ancestors(place))
            matches = (re.fullmatch(_NAME_PLACE, place) for place in unsure)
            self._doubtful_lists = frozenset(match[1] for match in matches if match)
        self._names: dict[str, dict[str, Any]] = {}
        for key in _NAMED_LISTS:
            items = getattr(preset, key)
            self._names[key] = {item.name: item for item in items} if items else {}

    def add(self, where: str, message: str, *reads: str) -> None:
        """Note a fault at `where` that also rests on the values at `reads`."""
        if len(self.found) >= FAULTS_KEPT:
            return
        if self._unsure and any(self._is_unsure(place) for place in (where, *reads)):
            return
        self.found.append(Fault(where, message))

    def run(self) -> None:
        preset, settled = self.preset, self._before
        for where, text, kind in texts(preset, settled=self._settled):
            problem = text_problem(text, kind)
            if problem:
                self.add(where, f"{quoted(text)} {problem}")
        for key in _NAMED_LISTS:
            if settled is None or getattr(preset, key) is not getattr(settled, key):
                self.unique(key, getattr(preset, key))
        for key in ("inputs", "outputs"):
            if not getattr(preset, key):
                self.add(key, f"is empty; a preset needs at least one {key.removesuffix('s')}")
        self.repeats("tags", preset.tags)
        stages = frozenset[int]() if not self._rate_settled else self._settled
        for at, item in enumerate(preset.inputs):
            if id(item) not in stages:
                self.input_stage(f"inputs[{at}]", item, preset.sample_rate_hz, "sample_rate_hz")
        for at, output in enumerate(preset.outputs):
            where = f"outputs[{at}]"
            if id(output) not in stages:
                self.output_stage(where, output, preset.sample_rate_hz, "sample_rate_hz")
            self.keys(f"{where}.inputs", output.inputs)
        for at, group in enumerate(preset.groups):
            self.references(f"groups[{at}].outputs", group.outputs, "outputs", "output")
            self.repeats(f"groups[{at}].outputs", group.outputs)
            self.repeats(f"groups[{at}].follow", group.follow)
        if preset.stimulus is not None:
            self.keys("stimulus.inputs", preset.stimulus.inputs)
        for at, box in enumerate(preset.loudspeakers):
            if id(box) not in self._settled:
                self.loudspeaker(f"loudspeakers[{at}]", box)
        self.amplifiers()
        for at, source in enumerate(preset.sources):
            self.source(f"sources[{at}]", source)
        pairs: dict[tuple[str, str], int] = {}
        for at, measurement in enumerate(preset.measurements):
            where = f"measurements[{at}]"
            first = pairs.setdefault((measurement.output, measurement.listener), at)
            if first != at:
                self.add(
                    f"{where}.listener",
                    f"there is already a measurement of {quoted(measurement.output)} at "
                    f"{quoted(measurement.listener)}, measurements[{first}]; keep one of them",
                    f"{where}.output",
                    f"measurements[{first}].output",
                    f"measurements[{first}].listener",
                )
            self.measurement(where, measurement)

    # Names and references

    def unique(self, where: str, items: Sequence[_Named]) -> None:
        if len(items) < 2 or len({fold(item.name) for item in items}) == len(items):
            return
        seen: dict[str, int] = {}
        for at, item in enumerate(items):
            first = seen.setdefault(fold(item.name), at)
            if first != at:
                self.add(
                    f"{where}[{at}].name",
                    f"{quoted(item.name)} is the name of {where}[{first}] too "
                    "(capitals make no difference); give one of them another name",
                    f"{where}[{first}].name",
                )

    def reference(self, where: str, name: str, key: str, kind: str) -> None:
        """A reference must be the exact name of an item of the preset's list `key`."""
        known = self._names[key]
        if name in known or key in self._doubtful_lists:
            return
        self.add(where, _missing(name, known, kind))

    def references(self, where: str, names: Sequence[str], key: str, kind: str) -> None:
        for at, name in enumerate(names):
            if name not in self._names[key]:
                self.reference(f"{where}[{at}]", name, key, kind)

    def keys(self, where: str, names: Iterable[str]) -> None:
        """The keys of an object from input names to levels."""
        for name in names:
            if name not in self._names["inputs"]:
                self.reference(places.at_key(where, name), name, "inputs", "input")

    def repeats(self, where: str, values: Sequence[str]) -> None:
        if len(set(values)) == len(values):
            return
        seen: set[str] = set()
        for at, value in enumerate(values):
            if value in seen:
                self.add(f"{where}[{at}]", f"{quoted(value)} stands here twice; take one out")
            seen.add(value)

    # Stages

    def input_stage(self, where: str, item: Input, rate_hz: float, rate_at: str) -> None:
        self.equaliser(where, item.eq, rate_hz, rate_at)

    def output_stage(self, where: str, item: Output, rate_hz: float, rate_at: str) -> None:
        self.equaliser(where, item.eq, rate_hz, rate_at)
        if item.high_pass is not None:
            self.crossover(f"{where}.high_pass", item.high_pass, rate_hz, rate_at)
        if item.low_pass is not None:
            self.crossover(f"{where}.low_pass", item.low_pass, rate_hz, rate_at)
        if item.locked:
            self.repeats(f"{where}.locked", item.locked)

    def crossover(self, where: str, item: Crossover, rate_hz: float, rate_at: str) -> None:
        slopes = FAMILY_SLOPES[item.family]
        if item.slope_db_per_octave not in slopes:
            known = ", ".join(str(slope) for slope in slopes)
            self.add(
                f"{where}.slope_db_per_octave",
                f"{item.slope_db_per_octave} dB per octave is not a slope of {item.family} "
                f"filters; they are given in {known} dB per octave",
                f"{where}.family",
            )
        if item.frequency_hz >= FILTER_NYQUIST_FRACTION * rate_hz:
            self.too_high(f"{where}.frequency_hz", item.frequency_hz, rate_hz, rate_at)

    def equaliser(
        self, stage: str, sections: tuple[EqSection, ...], rate_hz: float, rate_at: str
    ) -> None:
        limit_hz = FILTER_NYQUIST_FRACTION * rate_hz
        for item in sections:
            shape = (item.kind, item.gain_db is UNSET, item.q is UNSET, item.order)
            if shape not in _LEGAL_SECTIONS or item.frequency_hz >= limit_hz:
                break
        else:
            return
        for at, item in enumerate(sections):
            if item.frequency_hz >= limit_hz:
                self.too_high(f"{stage}.eq[{at}].frequency_hz", item.frequency_hz, rate_hz, rate_at)
            self.eq_section(f"{stage}.eq[{at}]", item)

    def eq_section(self, where: str, item: EqSection) -> None:
        """Say what is wrong with the fields of a section, given its kind and order."""
        shape = EQ_SHAPES[item.kind]
        order = item.effective_order
        kind = item.kind.replace("_", "-")
        if shape.has_gain and item.gain_db is UNSET:
            self.add(
                f"{where}.gain_db",
                f"is missing; a {kind} section needs a gain in dB",
                f"{where}.kind",
            )
        elif not shape.has_gain and item.gain_db is not UNSET:
            self.add(
                f"{where}.gain_db", f"a {kind} section has no gain; take it out", f"{where}.kind"
            )
        if order not in shape.orders:
            known = " or ".join(str(one) for one in shape.orders)
            self.add(
                f"{where}.order",
                f"a {kind} section is of order {known}, not {order}",
                f"{where}.kind",
            )
        elif order == 2 and item.q is UNSET:
            self.add(
                f"{where}.q",
                f"is missing; a {kind} section of order 2 needs a Q",
                f"{where}.kind",
                f"{where}.order",
            )
        elif order == 1 and item.q is not UNSET:
            self.add(
                f"{where}.q",
                "a section of order 1 has no Q; take it out, or make the order 2",
                f"{where}.kind",
                f"{where}.order",
            )

    def too_high(self, where: str, frequency_hz: float, rate_hz: float, rate_at: str) -> None:
        self.add(where, too_high_problem(frequency_hz, rate_hz), rate_at)

    # The rig

    def loudspeaker(self, where: str, box: Loudspeaker) -> None:
        self.ascending_band(f"{where}.passband_hz", box.passband_hz)
        for at, section in enumerate(box.sections):
            self.ascending_band(f"{where}.sections[{at}].band_hz", section.band_hz)
        if not box.active:
            for name, value in (("impedance_ohm", box.impedance_ohm), ("power_w", box.power_w)):
                if value is None:
                    self.add(
                        f"{where}.{name}",
                        "is missing; a box without an amplifier of its own needs it",
                        f"{where}.active",
                    )
        if box.response is not None:
            self.trace(f"{where}.response.trace", box.response.trace)

    def amplifiers(self) -> None:
        for at, amplifier in enumerate(self.preset.amplifiers):
            if id(amplifier) in self._settled:
                continue
            where = f"amplifiers[{at}]"
            if (amplifier.gain_db is None) == (amplifier.sensitivity_dbu is None):
                state = "neither is" if amplifier.gain_db is None else "both are"
                self.add(
                    f"{where}.gain_db",
                    f"an amplifier has either gain_db or sensitivity_dbu, and {state} given",
                    f"{where}.sensitivity_dbu",
                )
            self.loads(f"{where}.power_w", amplifier.power_w)
            for index, voltage in enumerate(amplifier.line_v):
                self.line_voltage(f"{where}.line_v[{index}]", voltage)
            self.repeats(f"{where}.line_v", [short(volts) for volts in amplifier.line_v])
        for at, channel in enumerate(self.preset.amplifier_channels):
            where = f"amplifier_channels[{at}]"
            self.reference(f"{where}.output", channel.output, "outputs", "output")
            self.reference(f"{where}.amplifier", channel.amplifier, "amplifiers", "amplifier")
            if channel.line_v is not None:
                self.line_voltage(f"{where}.line_v", channel.line_v)
            kind = self._names["amplifiers"].get(channel.amplifier)
            if channel.bridged and kind is not None and not kind.bridgeable:
                self.add(
                    f"{where}.bridged",
                    f"the amplifier {quoted(kind.name)} is not bridgeable; "
                    "set it to false, or bridgeable of the amplifier to true",
                    f"{where}.amplifier",
                    *self._item_places("amplifiers", kind, "bridgeable"),
                )

    def loads(self, where: str, power_w: dict[str, float]) -> None:
        if not power_w:
            self.add(where, "is empty; give the watts into at least one load, such as “8”")
        seen: dict[float, str] = {}
        for text in power_w:
            place = places.at_key(where, text)
            if re.fullmatch(_OHMS, text) is None or float(text) <= 0.0:
                self.add(place, f"{quoted(text)} is not a load in ohms; write “8” or “2.7”")
            elif (first := seen.setdefault(float(text), text)) != text:
                self.add(place, f"is the same load as {quoted(first)}; keep one of them")

    def line_voltage(self, where: str, voltage_v: float) -> None:
        if voltage_v not in LINE_VOLTAGES_V:
            known = " or ".join(short(one) for one in LINE_VOLTAGES_V)
            self.add(where, f"{short(voltage_v)} V is not a line voltage; it may be {known} V")

    def source(self, where: str, source: Source) -> None:
        self.reference(f"{where}.output", source.output, "outputs", "output")
        self.reference(f"{where}.loudspeaker", source.loudspeaker, "loudspeakers", "loudspeaker")
        name = source.amplifier_channel
        if name is None:
            return
        self.reference(
            f"{where}.amplifier_channel", name, "amplifier_channels", "amplifier channel"
        )
        channel = self._names["amplifier_channels"].get(name)
        if channel is not None and channel.output != source.output:
            self.add(
                f"{where}.amplifier_channel",
                f"{quoted(name)} is fed by the output {quoted(channel.output)}, but this source "
                f"by {quoted(source.output)}; name a channel that the same output feeds",
                f"{where}.output",
                *self._item_places("amplifier_channels", channel, "output"),
            )

    def ascending_band(self, where: str, band_hz: tuple[float, float]) -> None:
        if band_hz[0] >= band_hz[1]:
            self.add(
                where,
                f"{short(band_hz[0], 6)} Hz to {short(band_hz[1], 6)} Hz does not ascend; "
                "the low end comes first",
            )

    # What was measured

    def trace(self, where: str, trace: Trace) -> None:
        points = len(trace.frequency_hz)
        if points == 0:
            self.add(f"{where}.frequency_hz", "is empty; a trace needs at least one point")
        if points > TRACE_POINTS_MAX:
            self.add(
                f"{where}.frequency_hz",
                f"has {points} points; a preset holds at most {TRACE_POINTS_MAX} a trace, "
                "so thin it",
            )
        columns = {
            "magnitude_db": trace.magnitude_db,
            "phase_deg": trace.phase_deg,
            "coherence": trace.coherence,
        }
        for name, column in columns.items():
            if column is not None and len(column) != points:
                self.add(
                    f"{where}.{name}",
                    f"has {len(column)} points, but frequency_hz has {points}; "
                    "the columns of a trace are equally long",
                    f"{where}.frequency_hz",
                )
        if not all(map(lt, trace.frequency_hz, trace.frequency_hz[1:])):
            for at, (low_hz, high_hz) in enumerate(pairwise(trace.frequency_hz)):
                if low_hz >= high_hz:
                    self.add(
                        f"{where}.frequency_hz[{at + 1}]",
                        f"{short(high_hz, 6)} Hz does not lie above {short(low_hz, 6)} Hz, the "
                        "point before it; frequencies ascend",
                        f"{where}.frequency_hz[{at}]",
                    )
                    break

    def measurement(self, where: str, item: Measurement) -> None:
        self.reference(f"{where}.output", item.output, "outputs", "output")
        self.reference(f"{where}.listener", item.listener, "listeners", "listener")
        self.trace(f"{where}.trace", item.trace)
        self.keys(f"{where}.driven_inputs", item.driven_inputs)
        if item.captured_positions_m is not None:
            for name in item.captured_positions_m.sources:
                problem = text_problem(name, "name") or ("" if name else "is empty")
                if problem:
                    place = places.at_key(f"{where}.captured_positions_m.sources", name)
                    self.add(place, f"{quoted(name)} {problem}")
        settings = item.captured_settings
        if (item.captured == "settings") != (settings is not None):
            missing = settings is None
            self.add(
                f"{where}.captured_settings",
                "is missing; a trace captured through settings needs them"
                if missing
                else f"settings are given, but captured is {quoted(item.captured)}; "
                "make it “settings” or take them out",
                f"{where}.captured",
            )
        if settings is None:
            return
        place = f"{where}.captured_settings"
        if settings.output.name != item.output:
            self.add(
                f"{place}.output.name",
                f"{quoted(settings.output.name)} is not the output that was measured, "
                f"{quoted(item.output)}",
                f"{where}.output",
            )
        self.unique(f"{place}.inputs", settings.inputs)
        known = {one.name: one for one in settings.inputs}
        for name in settings.output.inputs:
            if name not in known:
                self.add(
                    places.at_key(f"{place}.output.inputs", name),
                    _missing(name, known, "input among the settings at capture"),
                    *(f"{place}.inputs[{at}].name" for at in range(len(settings.inputs))),
                    f"{place}.inputs",
                )
        rate_hz, rate_at = item.captured_sample_rate_hz, f"{where}.captured_sample_rate_hz"
        if rate_hz is None:
            rate_hz, rate_at = self.preset.sample_rate_hz, "sample_rate_hz"
        self.output_stage(f"{place}.output", settings.output, rate_hz, rate_at)
        for at, one in enumerate(settings.inputs):
            self.input_stage(f"{place}.inputs[{at}]", one, rate_hz, rate_at)

    # Places that hold stand-ins

    def _is_unsure(self, where: str) -> bool:
        return where in self._around or any(
            place in self._unsure for place in places.ancestors(where)
        )

    def _item_places(self, key: str, item: object, name: str) -> list[str]:
        items = getattr(self.preset, key)
        return [f"{key}[{at}].{name}" for at, one in enumerate(items) if one is item]


_LEGAL_SECTIONS = frozenset(
    (kind, not shape.has_gain, order == 1, order if shape.has_order else UNSET)
    for kind, shape in EQ_SHAPES.items()
    for order in shape.orders
)
"""Kind, gain unset, Q unset, order: the sections that need no second look."""

_NAMED_LISTS = (
    "inputs", "outputs", "groups", "loudspeakers", "amplifiers", "amplifier_channels", "sources",
    "listeners",
)  # fmt: skip


def _missing(name: str, known: Iterable[str], kind: str) -> str:
    names = list(known)
    if not names:
        return f"there is no {kind} {quoted(name)}; there are none at all"
    same = next((one for one in names if fold(one) == fold(name)), None)
    if same is not None:
        return (
            f"there is no {kind} {quoted(name)}; references match exactly, so write {quoted(same)}"
        )
    near = nearest(names, name)
    hint = f"; did you mean {quoted(near)}?" if near is not None else ""
    return f"there is no {kind} {quoted(name)}{hint}; there is {listed(names)}"
