"""What an edit changed: the places where two presets differ, and the way from one to the other.

Presets share what an edit left alone, so identity is asked first and a difference costs what was
touched. A list of changes is exact: applied in order it gives the other preset, byte for byte.
"""

from __future__ import annotations

import typing
from collections.abc import Iterable
from functools import cache
from types import UnionType
from typing import Any

import msgspec
from msgspec import UNSET, Struct, UnsetType
from msgspec.structs import replace

from xover.model import places
from xover.model.names import quoted
from xover.model.places import Key, Step
from xover.model.preset import Preset
from xover.model.problems import Fault, Refused
from xover.model.ranges import NAME_LENGTH
from xover.model.rules import cross_faults
from xover.model.walk import check, tree_of


class Change(Struct, frozen=True):
    """One place and what stood and stands there, typed or as JSON gives it.

    `old` is unset where an item of a list or a key is put in, `new` where it is taken out. The
    changes of one step belong together and in their order: indices are those of that moment.
    """

    where: str
    old: Any = UNSET
    new: Any = UNSET


def differences(before: Preset, after: Preset) -> tuple[Change, ...]:
    """The changes that lead from one preset to the other; empty where their files are the same."""
    found: list[Change] = []
    _compare(before, after, "", found)
    return tuple(found)


def with_changes(preset: Preset, changes: Iterable[Change]) -> Preset:
    """The preset with changes applied in their order.

    Raises `Refused` where the preset has no such place, something else than `old` stands there, or
    `new` is not of the place's type and range. What no single field can state is not judged.
    """
    for change in changes:
        preset = _changed(preset, Preset, places.parse(change.where), change)
    return preset


def with_value(preset: Preset, where: str, value: object) -> Preset:
    """The preset with another value at a place that it has.

    Raises `Refused` where there is no such place or the value is not of its type and range.
    """
    return with_changes(preset, [Change(where, old=places.value_at(preset, where), new=value)])


def checked_edit(before: Preset, after: Preset) -> Preset:
    """`after`, where it is as legal as `before` was; raises `Refused` with every fault if not.

    Looks at what changed and at the rules between places. Whole numbers in the place of others
    come back as those, so that what is kept is what a file would give.
    """
    found: list[Fault] = []
    fields: dict[str, Any] = {}
    for name in Preset.__struct_fields__:
        old, new = getattr(before, name), getattr(after, name)
        if old is new:
            continue
        items = _item_type(name)
        if items is None or not isinstance(new, tuple):
            value, faults = _judged({name: tree_of(new)}, name)
            fields[name] = value if not faults else new
            found += faults
            continue
        known = {id(item) for item in old}
        kept = []
        for at, item in enumerate(new):
            if id(item) not in known:
                was = old[at] if at < len(old) else None
                item, faults = _judged_item(item, items, f"{name}[{at}]", was)
                found += faults
            kept.append(item)
        fields[name] = tuple(kept)
    if found:
        raise Refused(found)
    whole = replace(after, **fields) if fields else after
    found = cross_faults(_without_settled_captures(before, whole), settled=before)
    if found:
        raise Refused(found)
    return whole


def _without_settled_captures(before: Preset, after: Preset) -> Preset:
    """`after` for the rules: captures left out where nothing that they refer to has changed."""
    untouched = (
        after.measurements is before.measurements
        and after.sample_rate_hz == before.sample_rate_hz
        and all(
            [item.name for item in getattr(after, key)]
            == [item.name for item in getattr(before, key)]
            for key in ("inputs", "outputs", "listeners")
        )
    )
    return replace(after, measurements=()) if untouched else after


def _judged_item(
    item: Any, cls: type[Struct], where: str, was: Any = None
) -> tuple[Any, list[Fault]]:
    """An item of a list, its numbers settled, and what is wrong with its types and ranges.

    Fields that a legal item, `was`, has as the same objects are legal.
    """
    changed, needed = cls.__struct_fields__, _needed(cls)
    alike = type(was) is type(item) is cls
    if alike:
        changed = tuple(name for name in changed if getattr(item, name) is not getattr(was, name))
        parts = {name: getattr(item, name) for name in (*needed, *changed)}
        tree = {name: tree_of(part) for name, part in parts.items() if part is not UNSET}
    else:
        tree = tree_of(item)
    walked = check(tree, cls)
    if walked.faults:
        return item, [_inside(where, fault) for fault in walked.faults]
    settled = msgspec.convert(walked.tree, cls)
    if not alike:
        return (item if _same(item, settled) else settled), []
    fields = {name: getattr(settled, name) for name in changed}
    same = all(_same(getattr(item, name), value) for name, value in fields.items())
    return (item if same else replace(item, **fields)), []


@cache
def _needed(cls: type[Struct]) -> tuple[str, ...]:
    return tuple(field.name for field in msgspec.structs.fields(cls) if field.required)


def _judged(tree: dict[str, Any], name: str) -> tuple[Any, list[Fault]]:
    """A field of the preset, settled, and its faults; the fields that must be there are made up."""
    whole = {"title": "-", "inputs": [], "outputs": [], **tree}
    walked = check(whole, Preset)
    if walked.faults:
        return None, walked.faults
    return getattr(msgspec.convert(walked.tree, Preset), name), []


def _inside(where: str, fault: Fault) -> Fault:
    joint = "" if not fault.where or fault.where.startswith("[") else "."
    return Fault(f"{where}{joint}{fault.where}", fault.message)


# Finding changes


def _compare(old: Any, new: Any, where: str, found: list[Change]) -> None:
    if old is new:
        return
    if type(old) is type(new):
        if isinstance(old, Struct):
            names = old.__struct_fields__
            pairs = [(name, getattr(old, name), getattr(new, name)) for name in names]
            if all((a is UNSET) == (b is UNSET) for _, a, b in pairs):
                for name, a, b in pairs:
                    if a is not b:  # a place is put into words only where something differs
                        _compare(a, b, places.at_field(where, name), found)
                return
        elif isinstance(old, dict):
            _compare_keys(old, new, where, found)
            return
        elif isinstance(old, tuple) and isinstance((*old, *new, None)[0], Struct):
            _compare_items(old, new, where, found)
            return
    if not _same(old, new):
        found.append(Change(where, old, new))


def _compare_keys(
    old: dict[str, Any], new: dict[str, Any], where: str, found: list[Change]
) -> None:
    """Keys one by one where taking out and putting in at the end gives the new order."""
    kept = [key for key in old if key in new]
    if [*kept, *(key for key in new if key not in old)] != list(new) or any(
        len(key) > NAME_LENGTH for key in (*old, *new)
    ):
        found.append(Change(where, old, new))
        return
    for key in old:
        if key not in new:
            found.append(Change(places.at_key(where, key), old=old[key]))
        else:
            _compare(old[key], new[key], places.at_key(where, key), found)
    for key in new:
        if key not in old:
            found.append(Change(places.at_key(where, key), new=new[key]))


def _compare_items(
    old: tuple[Any, ...], new: tuple[Any, ...], where: str, found: list[Change]
) -> None:
    """Items one by one; where their number changed, what is common at both ends is set aside."""
    start, end = 0, 0
    shorter = min(len(old), len(new))
    if len(old) != len(new):
        while start < shorter and _same(old[start], new[start]):
            start += 1
        while end < shorter - start and _same(old[-1 - end], new[-1 - end]):
            end += 1
    for at in range(start, shorter - end):
        if old[at] is not new[at]:
            _compare(old[at], new[at], f"{where}[{at}]", found)
    for at in range(len(old) - end - 1, shorter - end - 1, -1):
        found.append(Change(f"{where}[{at}]", old=old[at]))
    for at in range(shorter - end, len(new) - end):
        found.append(Change(f"{where}[{at}]", new=new[at]))


def _same(old: object, new: object) -> bool:
    """Whether a file would say the same of both: −0.0 is not 0.0, and 1 is not 1.0."""
    if old is new:
        return True
    return msgspec.json.encode(old) == msgspec.json.encode(new)


# Applying changes


def _changed(item: Any, hint: Any, steps: tuple[Step, ...], change: Change) -> Any:
    if not steps:
        _expect(item, hint, change)
        return _converted(change.new, hint, change.where)
    step, rest = steps[0], steps[1:]
    if isinstance(step, str) and isinstance(item, Struct) and step in item.__struct_fields__:
        inner = _changed(getattr(item, step), _field_hints(type(item))[step], rest, change)
        return replace(item, **{step: inner})
    arguments = typing.get_args(_bare(hint))
    if isinstance(step, Key) and isinstance(item, dict):
        return _changed_key(item, arguments[1], step.key, rest, change)
    if isinstance(step, int) and isinstance(item, tuple):
        several = len(arguments) == 2 and arguments[1] is Ellipsis
        if several or step < len(arguments):
            return _changed_item(item, arguments[0 if several else step], step, rest, change)
    raise Refused.at(change.where, "the preset has no such place")


def _changed_key(
    item: dict[str, Any], hint: Any, key: str, rest: tuple[Step, ...], change: Change
) -> dict[str, Any]:
    if not rest and change.old is UNSET and key not in item:
        return {**item, key: _converted(change.new, hint, change.where)}
    if key not in item:
        raise Refused.at(change.where, "the preset has no such place")
    if not rest and change.new is UNSET:
        _expect(item[key], hint, change)
        return {name: value for name, value in item.items() if name != key}
    return {**item, key: _changed(item[key], hint, rest, change)}


def _changed_item(
    item: tuple[Any, ...], hint: Any, at: int, rest: tuple[Step, ...], change: Change
) -> tuple[Any, ...]:
    if not rest and change.old is UNSET and at <= len(item):
        return (*item[:at], _converted(change.new, hint, change.where), *item[at:])
    if at >= len(item):
        raise Refused.at(change.where, "the preset has no such place")
    if not rest and change.new is UNSET:
        _expect(item[at], hint, change)
        return (*item[:at], *item[at + 1 :])
    return (*item[:at], _changed(item[at], hint, rest, change), *item[at + 1 :])


def _expect(item: object, hint: Any, change: Change) -> None:
    if change.old is not UNSET and not _same(item, _converted(change.old, hint, change.where)):
        raise Refused.at(change.where, "something else stands here than before the change")


def _converted(value: object, hint: Any, where: str) -> Any:
    try:
        return msgspec.convert(value, hint)
    except msgspec.ValidationError as error:
        raise Refused.at(where, f"no such value belongs here ({quoted(str(error))})") from error


@cache
def _field_hints(cls: type[Struct]) -> dict[str, Any]:
    return typing.get_type_hints(cls, include_extras=True)


@cache
def _item_type(name: str) -> type[Struct] | None:
    """What the preset's list of structures of this name holds, None for any other field."""
    for argument in typing.get_args(_field_hints(Preset)[name]):
        if isinstance(argument, type) and issubclass(argument, Struct):
            return argument if typing.get_origin(_field_hints(Preset)[name]) is tuple else None
    return None


def _bare(hint: Any) -> Any:
    """The container in a hint, without null and without annotations."""
    while True:
        origin = typing.get_origin(hint)
        if origin is typing.Annotated:
            hint = typing.get_args(hint)[0]
        elif origin in (UnionType, typing.Union):
            nothing = (type(None), UnsetType)
            hint = next(one for one in typing.get_args(hint) if one not in nothing)
        else:
            return hint
