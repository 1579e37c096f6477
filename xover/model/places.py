"""Places in a preset: `outputs[0].eq[2].gain_db` taken apart, put together and said in words.

Every message, difference and sheet names places through this module. It reads the preset's
types for units and never changes a value.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache

import msgspec
from msgspec import UNSET, Struct
from msgspec import inspect as types

from xover.model.names import fold, inert, quoted
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.ranges import NAME_LENGTH


class Key(Struct, frozen=True):
    """A step into an object by key, `["Aux"]`, as against a field of the format."""

    key: str


Step = str | int | Key
"""A field by its name, an item of a list by its index from 0, or a value by its `Key`."""

_FIELD = re.compile(r"\.?([A-Za-z_][A-Za-z0-9_]*)")
_INDEX = re.compile(r"\[([0-9]{1,9})\]")
_KEY = re.compile(r'\[("(?:[^"\\]|\\.)*")\]')
_STEP = re.compile(f"{_FIELD.pattern}|{_INDEX.pattern}|{_KEY.pattern}")


def parse(where: str) -> tuple[Step, ...]:
    """The steps of a place; `Refused` where it is not written like one. "" is the whole."""
    steps: list[Step] = []
    position = 0
    while position < len(where):
        if (match := _INDEX.match(where, position)) is not None:
            steps.append(int(match[1]))
        elif (match := _KEY.match(where, position)) is not None:
            import json

            try:
                steps.append(Key(json.loads(match[1])))
            except ValueError:
                break
        elif (match := _FIELD.match(where, position)) is not None and (
            where[position] == "." or position == 0
        ):
            steps.append(match[1])
        else:
            break
        position = match.end()
    if position < len(where) or where.startswith("."):
        raise Refused.at(
            "",
            f"{quoted(where)} is not a place in a preset; "
            'places read like outputs[0].eq[2].gain_db or outputs[0].inputs["Aux"]',
        )
    return tuple(steps)


def form(steps: tuple[Step, ...]) -> str:
    """The steps written as a place; the inverse of `parse`."""
    where = ""
    for step in steps:
        if isinstance(step, Key):
            where = at_key(where, step.key)
        elif isinstance(step, int):
            where = f"{where}[{step}]"
        else:
            where = at_field(where, step)
    return where


def at_field(where: str, name: str) -> str:
    """The place of a field; a name that is not one of the format's kind is written as a key."""
    if re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]{0,119}", name) is None:
        return at_key(where, name)
    return f"{where}.{name}" if where else name


def at_key(where: str, key: str) -> str:
    """The place of an object's value; controls and direction marks in the key are escaped."""
    shown = key if len(key) <= NAME_LENGTH else key[: NAME_LENGTH - 1] + "…"
    body = "".join(_key_character(character) for character in shown)
    return f'{where}["{body}"]'


def ancestors(where: str) -> Iterator[str]:
    """Every place around a well-written place, outermost first, and itself last."""
    for match in _STEP.finditer(where):
        yield where[: match.end()]


def value_at(preset: Preset, where: str) -> object:
    """The value at a place; `Refused` where the preset has no such place."""
    item: object = preset
    for step in parse(where):
        item = _step_into(item, step, where)
    return item


def leaves(preset: Preset) -> Iterator[tuple[str, object]]:
    """Every place that holds a single value, in file order, with the value.

    Lists of numbers and of texts (positions, trace columns, tags) count as one value; so do an
    empty list, an empty object and null.
    """
    yield from _leaves(preset, "")


def unit(where: str) -> str:
    """The unit of the number at a place ("dB", "Hz"), "" where it has none.

    Reads the format alone, not a preset. `Refused` where the format has no such place.
    """
    kind: types.Type = _preset_type()
    for step in parse(where):
        kind = _inner(kind, step, where)
    while isinstance(kind, types.VarTupleType | types.TupleType):
        kind = kind.item_type if isinstance(kind, types.VarTupleType) else kind.item_types[0]
        kind = _without_null(kind)
    if isinstance(kind, types.Metadata) and kind.extra is not None:
        return str(kind.extra.get("unit", ""))
    return ""


def label(preset: Preset, where: str) -> str:
    """A place in words for people: `Sub, EQ 3, gain`; names are shown inert.

    Total over the format; a place that the preset does not have is said as far as its name goes,
    and `Refused` if it is not written like a place at all.
    """
    steps = parse(where)
    if not steps:
        return "the preset"
    words: list[str] = []
    position = 0
    while position < len(steps):
        step = steps[position]
        following = steps[position + 1] if position + 1 < len(steps) else None
        if isinstance(step, str) and isinstance(following, int) and step in _ITEMS:
            words.append(_item_words(preset, steps[: position + 2], step))
            position += 2
            continue
        if step != "limiter" or following not in ("rms", "peak"):
            words.append(_step_words(step, steps[:position]))
        position += 1
    return ", ".join(words)


FIELD_WORDS: dict[str, str] = {
    "format": "format",
    "version": "format version",
    "title": "title",
    "venue": "venue",
    "author": "author",
    "notes": "notes",
    "tags": "tags",
    "based_on": "archive revision",
    "sample_rate_hz": "sample rate",
    "air": "air",
    "temperature_c": "temperature",
    "relative_humidity_percent": "relative humidity",
    "pressure_kpa": "pressure",
    "inputs": "inputs",
    "outputs": "outputs",
    "groups": "groups",
    "stimulus": "stimulus",
    "loudspeakers": "loudspeakers",
    "amplifiers": "amplifiers",
    "amplifier_channels": "amplifier channels",
    "sources": "sources",
    "listeners": "listeners",
    "measurements": "measurements",
    "processor": "processor profile",
    "name": "name",
    "channel": "channel",
    "gain_db": "gain",
    "polarity": "polarity",
    "delay_ms": "delay",
    "eq": "EQ",
    "nominal_dbu": "nominal level",
    "patch": "patch",
    "latency_ms": "latency",
    "muted": "mute",
    "high_pass": "high-pass",
    "low_pass": "low-pass",
    "family": "family",
    "slope_db_per_octave": "slope",
    "frequency_hz": "frequency",
    "limiter": "limiter",
    "rms": "rms limiter",
    "peak": "peak",  # a rating; of a limiter it is the peak limiter
    "threshold_dbu": "threshold",
    "attack_ms": "attack",
    "release_ms": "release",
    "locked": "locked stages",
    "kind": "kind",
    "q": "Q",
    "order": "order",
    "bypassed": "bypass",
    "follow": "stages set together",
    "correlated": "correlated",
    "passband_hz": "passband",
    "passband_edge_db": "drop at the passband edges",
    "enclosure": "enclosure",
    "sensitivity_db": "sensitivity",
    "sensitivity_space": "space of the sensitivity",
    "max_spl_db": "maximum SPL",
    "impedance_ohm": "impedance",
    "minimum_impedance_ohm": "minimum impedance",
    "power_w": "power",
    "continuous": "continuous",
    "program": "program",
    "basis": "basis of the rating",
    "sections": "driver sections",
    "band_hz": "band",
    "coverage_deg": "coverage",
    "taps_w": "taps",
    "taps_halve_at_70_v": "taps halve at 70 V",
    "boxes_per_transformer": "boxes a transformer",
    "active": "active",
    "sensitivity_dbu": "input level for full output",
    "response": "own response",
    "trace": "trace",
    "distance_m": "distance",
    "flight_removed": "time of flight removed",
    "drive_v": "drive voltage",
    "magnitude_db": "magnitude",
    "phase_deg": "phase",
    "coherence": "coherence",
    "level": "kind of level",
    "session": "session",
    "provenance": "provenance",
    "file": "file",
    "sha256": "SHA-256",
    "note": "note",
    "captured_at": "time of capture",
    "minimum_load_ohm": "minimum load",
    "line_v": "line voltage",
    "bridgeable": "bridgeable",
    "amplifier": "amplifier",
    "output": "output",
    "bridged": "bridged",
    "attenuator_db": "attenuator",
    "attenuator_locked": "attenuator locked",
    "cable": "cable",
    "length_m": "length",
    "area_mm2": "cross-section",
    "loudspeaker": "loudspeaker",
    "quantity": "quantity",
    "spacing_m": "spacing",
    "position_m": "position",
    "aim_deg": "aim",
    "azimuth": "azimuth",
    "elevation": "elevation",
    "boundary": "boundary",
    "amplifier_channel": "amplifier channel",
    "tap_w": "tap",
    "listener": "listener",
    "captured": "state at capture",
    "captured_settings": "settings at capture",
    "driven_inputs": "driven inputs",
    "captured_input_dbu": "input level at capture",
    "captured_sample_rate_hz": "sample rate at capture",
    "captured_air": "air at capture",
    "captured_positions_m": "positions at capture",
}
"""What people call each field of the format; a test holds it complete."""

_ITEMS: dict[str, str] = {
    "inputs": "input",
    "outputs": "output",
    "groups": "group",
    "loudspeakers": "loudspeaker",
    "amplifiers": "amplifier",
    "amplifier_channels": "amplifier channel",
    "sources": "source",
    "listeners": "listener",
    "measurements": "measurement",
    "eq": "EQ",
    "sections": "driver section",
}
"""What one item of each list of objects is called."""

_AXES = ("x", "y", "z")
_PLAIN_LISTS = ("tags", "locked", "follow", "taps_w", "line_v")


def _item_words(preset: Preset, steps: tuple[Step, ...], field: str) -> str:
    index = steps[-1]
    assert isinstance(index, int)
    kind = _ITEMS[field]
    if field == "outputs" and len(steps) > 2:  # a group's member, which is a text
        return f"output {index + 1}"
    try:
        item = value_at(preset, form(steps))
    except Refused:
        return f"{kind} {index + 1}"
    if field == "measurements":
        at = (getattr(item, "output", ""), getattr(item, "listener", ""))
        return f"measurement of {quoted(at[0], NAME_LENGTH)} at {quoted(at[1], NAME_LENGTH)}"
    name = getattr(item, "name", None)
    if not isinstance(name, str):
        return f"{kind} {index + 1}"
    if field not in ("inputs", "outputs"):
        return f"{kind} {quoted(name, NAME_LENGTH)}"
    if len(steps) == 2:
        others = preset.outputs if field == "inputs" else preset.inputs
        if all(fold(other.name) != fold(name) for other in others):
            return inert(name)
    return f"{kind} {inert(name)}"


def _step_words(step: Step, before: tuple[Step, ...]) -> str:
    last = before[-1] if before else None
    if isinstance(step, Key):
        if last == "inputs":
            return f"from {inert(step.key)}"
        return f"at {inert(step.key)} ohm" if last == "power_w" else inert(step.key)
    if isinstance(step, int):
        if last in ("position_m", "listener") or isinstance(last, Key):
            return _AXES[step] if step < len(_AXES) else str(step + 1)
        if last in ("passband_hz", "band_hz"):
            return ("low end", "high end")[step] if step < 2 else str(step + 1)
        if last == "coverage_deg":
            return ("horizontal", "vertical")[step] if step < 2 else str(step + 1)
        return f"number {step + 1}" if last in _PLAIN_LISTS else f"point {step + 1}"
    if step == "inputs" and before and last != "captured_settings":
        return "level" if last == "stimulus" else "route"
    if step == "peak" and last == "limiter":
        return "peak limiter"
    if step == "listener" and last == "captured_positions_m":
        return "microphone"
    return FIELD_WORDS.get(step, inert(step))


def _step_into(item: object, step: Step, where: str) -> object:
    if isinstance(step, Key):
        if isinstance(item, dict) and step.key in item:
            found: object = item[step.key]
            return found
    elif isinstance(step, int):
        if isinstance(item, tuple) and step < len(item):
            return item[step]
    elif isinstance(item, Struct) and step in item.__struct_fields__:
        found = getattr(item, step)
        if found is not UNSET:
            return found
    raise Refused.at(where, "the preset has no such place")


def _leaves(item: object, where: str) -> Iterator[tuple[str, object]]:
    if isinstance(item, Struct):
        for name in item.__struct_fields__:
            value = getattr(item, name)
            if value is not UNSET:
                yield from _leaves(value, at_field(where, name))
    elif isinstance(item, dict) and item:
        for key, value in item.items():
            yield from _leaves(value, at_key(where, key))
    elif isinstance(item, tuple) and item and isinstance(item[0], Struct):
        for index, value in enumerate(item):
            yield from _leaves(value, f"{where}[{index}]")
    else:
        yield where, item


@cache
def _preset_type() -> types.Type:
    return msgspec.inspect.type_info(Preset)


def _without_null(kind: types.Type) -> types.Type:
    if isinstance(kind, types.UnionType):
        return next(one for one in kind.types if not isinstance(one, types.NoneType))
    return kind


def _inner(kind: types.Type, step: Step, where: str) -> types.Type:
    inner: types.Type | None = None
    if isinstance(step, str) and isinstance(kind, types.StructType):
        inner = next((field.type for field in kind.fields if field.name == step), None)
    elif isinstance(step, int) and isinstance(kind, types.VarTupleType):
        inner = kind.item_type
    elif isinstance(step, int) and isinstance(kind, types.TupleType):
        inner = kind.item_types[step] if step < len(kind.item_types) else None
    elif isinstance(step, Key) and isinstance(kind, types.DictType):
        inner = kind.value_type
    if inner is None:
        raise Refused.at(where, "the format has no such place")
    return _without_null(inner)


def _key_character(character: str) -> str:
    if character in '"\\':
        return "\\" + character
    if character.isprintable():
        return character
    if inert(character) == character:
        return character
    code = ord(character)
    if code <= 0xFFFF:
        return f"\\u{code:04x}"
    high, low = divmod(code - 0x10000, 0x400)
    return f"\\u{0xD800 + high:04x}\\u{0xDC00 + low:04x}"
