"""Where a structure holds names and text: found from its types once, then walked quickly.

Plainly harmless text is passed over here; what remains is for `names.text_problem` to judge.
"""

from __future__ import annotations

from collections.abc import Collection
from functools import cache
from typing import Any

import msgspec
from msgspec import Struct
from msgspec import inspect as types

_Plan = tuple[tuple[str, str, Any], ...]
_Text = tuple[str, str, str]
"""Place, text, kind."""
"""Of one structure type: field name, how it is reached, and the kind of text or inner plan."""


def texts(item: Struct, *, settled: Collection[int] = ()) -> list[_Text]:
    """Every name and text of a structure that is not plainly harmless: place, text, kind.

    `kind` is "name", "line" or "prose". Keys of objects are not text of their own: they refer.
    Items of its lists whose identity is `settled` are passed over.
    """
    found: list[_Text] = []
    _walk_texts(item, _plan_of(type(item)), "", settled, found)
    return found


def _walk_texts(
    item: Any, plan: _Plan, where: str, settled: Collection[int], found: list[_Text]
) -> None:
    for name, reach, what in plan:
        value = getattr(item, name)
        if not value:
            continue
        if reach == "text":
            if not _harmless(value):
                found.append((f"{where}{name}", value, what))
        elif reach == "texts":
            for at, one in enumerate(value):
                if not _harmless(one):
                    found.append((f"{where}{name}[{at}]", one, what))
        elif reach == "inner":
            _walk_texts(value, what, f"{where}{name}.", (), found)
        else:
            for at, one in enumerate(value):
                if id(one) not in settled:
                    _walk_texts(one, what, f"{where}{name}[{at}].", (), found)


def _harmless(text: str) -> bool:
    return text.isascii() and text.isprintable() and text[:1] != " " != text[-1:]


@cache
def _plan_of(cls: type[Struct]) -> _Plan:
    kind = msgspec.inspect.type_info(cls)
    assert isinstance(kind, types.StructType)
    return _plan(kind)


def _plan(kind: types.StructType) -> _Plan:
    entries: list[tuple[str, str, Any]] = []
    for field in kind.fields:
        inner, many = _bare(field.type), False
        if isinstance(inner, types.VarTupleType):
            inner, many = _bare(inner.item_type), True
        if isinstance(inner, types.StructType):
            plan = _plan(inner)
            if plan:
                entries.append((field.name, "items" if many else "inner", plan))
        elif isinstance(inner, types.Metadata) and isinstance(inner.type, types.StrType):
            text = str((inner.extra or {}).get("text", "line"))
            entries.append((field.name, "texts" if many else "text", text))
    return tuple(entries)


def _bare(kind: types.Type) -> types.Type:
    if isinstance(kind, types.UnionType):
        return next(one for one in kind.types if not isinstance(one, types.NoneType))
    return kind
