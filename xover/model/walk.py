"""The walker: holds plain data (as JSON gives it) against the model's types, finding every fault.

Ranges and units are read from the types, never written here. A faulty value is replaced by a
stand-in so that the rules can still judge the rest; nothing with a fault is ever handed on.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache, partial
from typing import Any

import msgspec
from msgspec import NODEFAULT, UNSET, Struct, field
from msgspec import inspect as types

from xover.model import places
from xover.model.names import listed, nearest, quoted
from xover.model.problems import Fault

FAULTS_KEPT = 1_000
"""The most faults that are kept in words; the rest are counted."""
FAULTS_COUNTED = 100_000
"""The most faults that are counted; then the walker leaves off."""


class Odd(Struct, frozen=True):
    """A number that was spelt in the file but cannot be held: `NaN`, `1e400`, 5,000 digits."""

    text: str


class Pairs(dict[str, Any]):
    """A JSON object in which keys stood more than once; `repeated` names them."""

    repeated: tuple[str, ...] = ()


class Walked(Struct):
    """What the walker found.

    `tree` has the shape of the type throughout; `unsure` holds the places where it carries a
    stand-in, or one of several values given. `fault_count` counts also what was not kept; where
    `gave_up` is true there were too many faults to go on.
    """

    tree: Any = None
    faults: list[Fault] = field(default_factory=list)
    fault_count: int = 0
    unsure: set[str] = field(default_factory=set)

    @property
    def gave_up(self) -> bool:
        """Whether the tree was not looked at to its end."""
        return self.fault_count >= FAULTS_COUNTED

    def add(self, where: str, message: str | Callable[[], str], *, unsure: bool = True) -> None:
        """Note a fault; a message that takes work to find is made only if it is kept."""
        self.fault_count += 1
        if unsure:
            self.unsure.add(where)
        if len(self.faults) < FAULTS_KEPT:
            self.faults.append(Fault(where, message if isinstance(message, str) else message()))


def check(tree: Any, cls: type[Struct]) -> Walked:
    """Hold plain data against a structure type; never raises, whatever the data are."""
    walked = Walked()
    walked.tree = _value(tree, _type_of(cls), "", walked)
    return walked


def number_problem(value: float, kind: Any) -> str:
    """What is wrong with a number for one of the types of `ranges`; "" where it fits.

    Reads as the end of a sentence, naming the value, the limits and the unit.
    """
    return _number_problem(value, msgspec.inspect.type_info(kind))


def tree_of(item: Any) -> Any:
    """A structure as plain data in file order, fields that are unset left out.

    What is neither structure, list nor object is passed on as it is, for `check` to judge.
    """
    if isinstance(item, Struct):
        pairs = ((name, getattr(item, name)) for name in item.__struct_fields__)
        return {name: tree_of(value) for name, value in pairs if value is not UNSET}
    if isinstance(item, tuple | list):
        if set(map(type, item)) <= {float}:  # a column of a trace: thousands, all as they are
            return list(item)
        return [tree_of(value) for value in item]
    if isinstance(item, dict):
        return {key: tree_of(value) for key, value in item.items()}
    if isinstance(item, float) and type(item) is not float:
        return float(item)
    return item


@cache
def _type_of(cls: type[Struct]) -> types.Type:
    return msgspec.inspect.type_info(cls)


def _value(node: Any, kind: types.Type, where: str, walked: Walked) -> Any:
    """`node` where it fits `kind`, else a stand-in that does."""
    inner = kind.type if isinstance(kind, types.Metadata) else kind
    if isinstance(inner, types.UnionType):
        if node is None and any(isinstance(one, types.NoneType) for one in inner.types):
            return None
        kind = next(one for one in inner.types if not isinstance(one, types.NoneType))
        return _value(node, kind, where, walked)
    if isinstance(inner, types.StructType):
        if isinstance(node, dict):
            return _struct(node, inner, where, walked)
    elif isinstance(inner, types.VarTupleType):
        if isinstance(node, list):
            return _list(node, inner.item_type, where, walked)
    elif isinstance(inner, types.TupleType):
        if isinstance(node, list):
            return _fixed(node, inner, where, walked)
    elif isinstance(inner, types.DictType):
        if isinstance(node, dict):
            return _mapping(node, inner, where, walked)
    elif isinstance(inner, types.FloatType | types.IntType):
        problem = _number_problem(node, kind)
        if not problem:
            return node
        walked.add(where, problem)
        return _sample(kind, where)
    elif isinstance(inner, types.StrType):
        if isinstance(node, str):
            problem = _length_problem(node, inner)
            if not problem:
                return node
            walked.add(where, problem)
            return _sample(kind, where)
    elif isinstance(inner, types.LiteralType):
        if any(node == value and type(node) is type(value) for value in inner.values):
            return node
    elif isinstance(inner, types.BoolType) and isinstance(node, bool):
        return node
    walked.add(where, f"{_shown(node)} stands where {_wanted(kind)} belongs{_hint(node, inner)}")
    return _sample(kind, where)


def _struct(node: dict[str, Any], kind: types.StructType, where: str, walked: Walked) -> Any:
    result: dict[str, Any] = {}
    fields = {one.encode_name: one for one in kind.fields}
    for key in getattr(node, "repeated", ()):
        _repeated(places.at_field(where, key), walked)
    for key, value in node.items():
        one = fields.get(key)
        if one is None:
            if walked.gave_up:
                break
            walked.add(
                places.at_field(where, key), partial(_unknown, key, fields, node), unsure=False
            )
        elif value is None and not one.required and one.default is NODEFAULT:
            # The fields that a kind of EQ section may lack are left out, never null.
            walked.add(
                places.at_field(where, key),
                f"null stands where {_wanted(one.type)} belongs; leave the field out instead",
            )
    for key, one in fields.items():
        place = places.at_field(where, key)
        if key in node:
            if node[key] is None and not one.required and one.default is NODEFAULT:
                continue
            result[key] = _value(node[key], one.type, place, walked)
        elif one.required:
            walked.add(place, f"is missing; {_wanted(one.type)} belongs here")
            result[key] = _sample(one.type, place)
    return result


def _list(node: list[Any], kind: types.Type, where: str, walked: Walked) -> list[Any]:
    if _numbers_fit(node, kind):
        return node
    result: list[Any] = []
    for at, item in enumerate(node):
        if walked.gave_up:
            break
        result.append(_value(item, kind, f"{where}[{at}]", walked))
    return result


def _fixed(node: list[Any], kind: types.TupleType, where: str, walked: Walked) -> list[Any]:
    wanted = len(kind.item_types)
    if len(node) != wanted:
        walked.add(where, f"has {len(node)} values; {_wanted(kind)} belongs here")
        node = [*node, *[_sample(one, where) for one in kind.item_types[len(node) :]]][:wanted]
    return [
        _value(item, one, f"{where}[{at}]", walked)
        for at, (item, one) in enumerate(zip(node, kind.item_types, strict=True))
    ]


def _mapping(node: dict[str, Any], kind: types.DictType, where: str, walked: Walked) -> Any:
    for key in getattr(node, "repeated", ()):
        _repeated(places.at_key(where, key), walked)
    result: dict[str, Any] = {}
    for key, value in node.items():
        if walked.gave_up:
            break
        if isinstance(key, str):
            result[key] = _value(value, kind.value_type, places.at_key(where, key), walked)
        else:
            walked.add(where, f"{_shown(key)} stands where a key, which is text, belongs")
    return result


def _repeated(where: str, walked: Walked) -> None:
    walked.add(where, "stands more than once in one object; keep one of them")


def _numbers_fit(node: list[Any], kind: types.Type) -> bool:
    """Whether this is a list of numbers that all fit: a trace column, judged in one pass."""
    if not (isinstance(kind, types.Metadata) and isinstance(kind.type, types.FloatType)):
        return False
    if not node or not set(map(type, node)) <= {float, int}:
        return False
    try:
        if not all(map(math.isfinite, node)):
            return False
    except OverflowError:  # a whole number beyond any float
        return False
    return not (_number_problem(min(node), kind) or _number_problem(max(node), kind))


def _number_problem(node: Any, kind: types.Type) -> str:
    inner = kind.type if isinstance(kind, types.Metadata) else kind
    assert isinstance(inner, types.FloatType | types.IntType)
    whole = isinstance(inner, types.IntType)
    if isinstance(node, Odd):
        if node.text.strip("+-").lower() in ("nan", "infinity", "inf"):
            return f"{quoted(node.text)} is not a number that JSON knows; give a finite number"
        return f"the number {quoted(node.text, 24)} is too large to be held; {_range(kind)}"
    if isinstance(node, bool) or not isinstance(node, int if whole else int | float):
        hint = "; write it without a decimal point" if isinstance(node, float) else ""
        return f"{_shown(node)} stands where {_wanted(kind)} belongs{hint}"
    if isinstance(node, float) and not math.isfinite(node):
        return f"{_number(node)} is not a finite number; {_range(kind)}"
    low, high = inner.ge, inner.le
    if (
        (low is not None and node < low)
        or (high is not None and node > high)
        or (inner.gt is not None and node <= inner.gt)
    ):
        return f"{_with_unit(_number(node), kind)} is out of range; {_range(kind)}"
    return ""


def _length_problem(text: str, kind: types.StrType) -> str:
    if kind.min_length is not None and len(text) < kind.min_length:
        return "is empty; give it at least one character"
    if kind.max_length is not None and len(text) > kind.max_length:
        return f"{quoted(text)} has {len(text)} characters; at most {kind.max_length} are allowed"
    return ""


def _sample(kind: types.Type, where: str) -> Any:
    """Any value of a type; texts differ from place to place, so that no two names collide."""
    inner = kind.type if isinstance(kind, types.Metadata) else kind
    if isinstance(inner, types.UnionType):
        return None
    if isinstance(inner, types.StructType):
        return {
            one.encode_name: _sample(one.type, f"{where}.{one.encode_name}")
            for one in inner.fields
            if one.required
        }
    if isinstance(inner, types.VarTupleType):
        return []
    if isinstance(inner, types.TupleType):
        return [_sample(one, where) for one in inner.item_types]
    if isinstance(inner, types.DictType):
        return {}
    if isinstance(inner, types.FloatType | types.IntType):
        value = 1 if inner.ge is None else max(1, inner.ge)
        return value if inner.le is None else min(value, inner.le)
    if isinstance(inner, types.LiteralType):
        return inner.values[0]
    return False if isinstance(inner, types.BoolType) else f"?{where[-100:]}"


def _wanted(kind: types.Type) -> str:
    """What belongs at a place, in words."""
    extra = kind.extra if isinstance(kind, types.Metadata) else None
    inner = kind.type if isinstance(kind, types.Metadata) else kind
    if isinstance(inner, types.UnionType):
        one = next(one for one in inner.types if not isinstance(one, types.NoneType))
        return _wanted(one) + " or null"
    if isinstance(inner, types.FloatType | types.IntType):
        unit = str((extra or {}).get("unit", ""))
        what = "a whole number" if isinstance(inner, types.IntType) else "a number"
        return f"{what} in {unit}" if unit else what
    if isinstance(inner, types.LiteralType):
        values = [str(value) for value in inner.values]
        return listed(values) if len(values) == 1 else f"one of {listed(values)}"
    if isinstance(inner, types.TupleType):
        count = len(inner.item_types)
        return f"a list of {count}: {_wanted(inner.item_types[0])} each"
    if isinstance(inner, types.BoolType):
        return "true or false"
    if isinstance(inner, types.StrType):
        return "text"
    return "a list" if isinstance(inner, types.VarTupleType) else "an object"


def _hint(node: Any, kind: types.Type) -> str:
    if isinstance(kind, types.LiteralType) and isinstance(node, str):
        near = nearest([str(value) for value in kind.values], node)
        return f"; did you mean {quoted(near)}?" if near is not None else ""
    return ""


def _unknown(key: str, fields: dict[str, types.Field], node: dict[str, Any]) -> str:
    near = nearest(fields, key)
    if near is None:
        return "there is no field of this name here; take it out"
    if near in node:
        return (
            f"there is no field of this name here, and {quoted(near)} is given already; take it out"
        )
    return f"there is no field of this name here; did you mean {quoted(near)}?"


def _shown(node: Any) -> str:
    """A value as a message repeats it: short and inert."""
    if node is None:
        return "null"
    if isinstance(node, bool):
        return "true" if node else "false"
    if isinstance(node, str):
        return f"the text {quoted(node)}"
    if isinstance(node, float):
        return f"the number {repr(node).replace('-', '−')}"
    if isinstance(node, int):
        return f"the number {_number(node)}"
    if isinstance(node, Odd):
        return f"the number {quoted(node.text, 24)}"
    if isinstance(node, list | tuple):
        return "a list"
    return "an object" if isinstance(node, dict) else f"a {quoted(type(node).__name__)}"


def _number(value: float) -> str:
    """A number in full: as many digits as tell it from its neighbours, a true minus."""
    if isinstance(value, int):
        text = str(value) if abs(value) < 10**20 else f"a whole number of {_digits(value)} digits"
    else:
        text = repr(value).removesuffix(".0")
    return text.replace("-", "−")


def _digits(value: int) -> int:
    return math.floor(abs(value).bit_length() * math.log10(2)) + 1


def _with_unit(number: str, kind: types.Type) -> str:
    unit = _unit(kind)
    return f"{number} {unit}" if unit else number


def _unit(kind: types.Type) -> str:
    extra = kind.extra if isinstance(kind, types.Metadata) else None
    return str((extra or {}).get("unit", ""))


def _range(kind: types.Type) -> str:
    """The limits of a number as the second half of a sentence."""
    inner = kind.type if isinstance(kind, types.Metadata) else kind
    assert isinstance(inner, types.FloatType | types.IntType)
    high = None if inner.le is None else _number(inner.le)
    if inner.gt is not None and high is not None:
        return f"it must be above {_number(inner.gt)} and at most {_with_unit(high, kind)}"
    if inner.ge is not None and high is not None:
        return f"it must lie between {_number(inner.ge)} and {_with_unit(high, kind)}"
    return "give a finite number"
