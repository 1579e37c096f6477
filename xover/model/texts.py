"""Where a structure holds names and text: found from its types once, then walked quickly.

Plainly harmless text is passed over here; what remains is for `names.text_problem` to judge.
"""

from __future__ import annotations

from collections.abc import Collection
from functools import cache
from types import NoneType, UnionType
from typing import Annotated, Any, Union, get_args, get_origin

from msgspec import Struct

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
    """From the annotations, which the preset's types keep as types: these are there already."""
    entries: list[tuple[str, str, Any]] = []
    for name, hint in cls.__annotations__.items():
        assert not isinstance(hint, str), "the model's annotations are types, see decision 0017"
        inner, many = _bare(hint), False
        if get_origin(inner) is tuple and get_args(inner)[-1] is Ellipsis:
            inner, many = _bare(get_args(inner)[0]), True
        if isinstance(inner, type) and issubclass(inner, Struct):
            plan = _plan_of(inner)
            if plan:
                entries.append((name, "items" if many else "inner", plan))
        elif get_origin(inner) is Annotated and inner.__origin__ is str:
            (meta,) = inner.__metadata__
            entries.append((name, "texts" if many else "text", meta.extra["text"]))
    return tuple(entries)


def _bare(hint: Any) -> Any:
    """A hint without null."""
    if get_origin(hint) in (UnionType, Union):
        return next(one for one in get_args(hint) if one is not NoneType)
    return hint
