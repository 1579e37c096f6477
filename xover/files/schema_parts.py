"""What the published schemas share: every structure once, units in words.

Knows no format; what fields ask of each other stands with each format's own schema.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import msgspec
from msgspec import inspect as types


def schema_of(root: type[msgspec.Struct]) -> tuple[dict[str, Any], dict[str, Any]]:
    """The schema of a structure (JSON Schema draft 2020-12): its own part, and those it uses."""
    (_,), parts = msgspec.json.schema_components([root], ref_template="#/$defs/{name}")
    for kind in structures(root):
        describe(parts[kind.cls.__name__], kind)
    return parts[root.__name__], parts


def document_of(
    root: type[msgspec.Struct],
    schema_id: str,
    title: str,
    relate: Callable[[dict[str, Any], dict[str, Any]], None],
) -> dict[str, Any]:
    """The whole schema of a format whose files say `format` and `version`.

    `relate` adds to the root and to the parts what their fields ask of each other.
    """
    whole, parts = schema_of(root)
    whole["required"] = ["format", "version", *whole["required"]]
    for name in ("format", "version"):
        whole["properties"][name] = {"const": whole["properties"][name]["default"]}
    relate(whole, parts)
    del parts[root.__name__]
    whole["title"] = title
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": schema_id,
        **whole,
        "$defs": parts,
    }


def structures(root: type[msgspec.Struct]) -> list[types.StructType]:
    """Every structure type of a format, once."""
    found: dict[str, types.StructType] = {}

    def visit(kind: types.Type) -> None:
        inner = kind.type if isinstance(kind, types.Metadata) else kind
        if isinstance(inner, types.StructType):
            found[inner.cls.__name__] = inner
            for field in inner.fields:
                visit(field.type)
        elif isinstance(inner, types.UnionType):
            for one in inner.types:
                visit(one)
        elif isinstance(inner, types.VarTupleType):
            visit(inner.item_type)
        elif isinstance(inner, types.DictType):
            visit(inner.value_type)

    visit(msgspec.inspect.type_info(root))
    return list(found.values())


def describe(part: dict[str, Any], kind: types.StructType) -> None:
    """Put the units in words, and keep of each description what is about the format."""
    part["description"] = " ".join(str(part.get("description", "")).split("\n\n")[0].split())
    if not part["required"]:
        del part["required"]
    for field in kind.fields:
        unit = _unit(field.type)
        if unit:
            part["properties"][field.encode_name]["description"] = f"in {unit}"


def _unit(kind: types.Type) -> str:
    while True:
        if isinstance(kind, types.Metadata):
            return str((kind.extra or {}).get("unit", ""))
        if isinstance(kind, types.UnionType):
            kind = next(one for one in kind.types if not isinstance(one, types.NoneType))
        elif isinstance(kind, types.VarTupleType):
            kind = kind.item_type
        elif isinstance(kind, types.TupleType):
            kind = kind.item_types[0]
        elif isinstance(kind, types.DictType):
            kind = kind.value_type
        else:
            return ""
