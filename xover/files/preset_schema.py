"""The preset format as JSON Schema, made from the model's types and tables.

Says what a schema can say: shapes, ranges, kinds, what one object's fields ask of each other.
References, text forms and the order of numbers are beyond it; `model.rules` holds those.
"""

from __future__ import annotations

from typing import Any

import msgspec
from msgspec import inspect as types

from xover.files import json_text
from xover.model.preset import Preset
from xover.model.ranges import TRACE_POINTS_MAX
from xover.model.words import EQ_SHAPES, FAMILY_SLOPES, LINE_VOLTAGES_V

SCHEMA_ID = "urn:xover:preset:1"


def preset_schema() -> dict[str, Any]:
    """The schema (JSON Schema draft 2020-12) of a preset file of the present version."""
    (_,), parts = msgspec.json.schema_components([Preset], ref_template="#/$defs/{name}")
    for kind in _structures():
        _describe(parts[kind.cls.__name__], kind)
    _relate(parts)
    whole = parts.pop("Preset")
    whole["title"] = "xover preset, version 1"
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": SCHEMA_ID,
        **whole,
        "$defs": parts,
    }


def schema_text() -> bytes:
    """The schema as the bytes of `docs/preset.schema.json`."""
    return json_text.lay_out(preset_schema())


def _structures() -> list[types.StructType]:
    """Every structure type of the format, once."""
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

    visit(msgspec.inspect.type_info(Preset))
    return list(found.values())


def _describe(part: dict[str, Any], kind: types.StructType) -> None:
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


def _relate(parts: dict[str, Any]) -> None:
    """Add what fields of one object ask of each other, from the same tables as the rules."""
    preset = parts["Preset"]
    preset["required"] = ["format", "version", *preset["required"]]
    for name in ("format", "version"):
        field = preset["properties"][name]
        preset["properties"][name] = {"const": field["default"]}
    for name in ("inputs", "outputs"):
        preset["properties"][name]["minItems"] = 1
    preset["properties"]["tags"]["uniqueItems"] = True
    parts["Output"]["properties"]["locked"]["uniqueItems"] = True
    for name in ("outputs", "follow"):
        parts["Group"]["properties"][name]["uniqueItems"] = True
    for column in parts["Trace"]["properties"].values():
        for one in column.get("anyOf", [column]):
            if one.get("type") == "array":
                one |= {"minItems": 1, "maxItems": TRACE_POINTS_MAX}
    parts["EqSection"]["properties"]["order"] |= {"enum": [1, 2], "default": 2}
    parts["EqSection"]["allOf"] = _eq_conditions()
    parts["Crossover"]["allOf"] = [
        _if("family", [family], {"slope_db_per_octave": {"enum": list(slopes)}})
        for family, slopes in FAMILY_SLOPES.items()
    ]
    passive = ["impedance_ohm", "power_w"]
    parts["Loudspeaker"] |= {
        "if": {"properties": {"active": {"const": True}}, "required": ["active"]},
        "else": {"properties": _all(passive, _NOT_NULL), "required": passive},
    }
    amplifier = parts["Amplifier"]
    amplifier["properties"]["power_w"] |= {
        "minProperties": 1,
        "propertyNames": {"pattern": r"^[0-9]{1,7}(\.[0-9]{1,6})?$"},
    }
    amplifier["properties"]["line_v"] |= {
        "items": {"enum": list(LINE_VOLTAGES_V)},
        "uniqueItems": True,
    }
    parts["AmplifierChannel"]["properties"]["line_v"] = {
        "enum": [None, *LINE_VOLTAGES_V],
        "default": None,
        "description": "in V",
    }
    amplifier["oneOf"] = [
        {"properties": {name: _NOT_NULL}, "required": [name]}
        for name in ("gain_db", "sensitivity_dbu")
    ]
    parts["Measurement"] |= {
        "if": {"properties": {"captured": {"const": "settings"}}},
        "then": {
            "properties": {"captured_settings": _NOT_NULL},
            "required": ["captured_settings"],
        },
        "else": {"properties": {"captured_settings": {"type": "null"}}},
    }


_NOT_NULL: dict[str, Any] = {"not": {"type": "null"}}


def _all(names: list[str], schema: dict[str, Any]) -> dict[str, Any]:
    return {name: schema for name in names}


def _eq_conditions() -> list[dict[str, Any]]:
    conditions: list[dict[str, Any]] = []
    for kind, shape in EQ_SHAPES.items():
        then: dict[str, Any] = {"properties": {"order": {"enum": list(shape.orders)}}}
        if shape.has_gain:
            then["required"] = ["gain_db"]
        else:
            then["properties"]["gain_db"] = False
        conditions.append(_if("kind", [kind], then["properties"], then.get("required")))
    first_order = {"properties": {"order": {"const": 1}}, "required": ["order"]}
    conditions.append(
        {"if": first_order, "then": {"properties": {"q": False}}, "else": {"required": ["q"]}}
    )
    return conditions


def _if(
    name: str, values: list[str], properties: dict[str, Any], required: list[str] | None = None
) -> dict[str, Any]:
    then: dict[str, Any] = {"properties": properties}
    if required:
        then["required"] = required
    return {
        "if": {"properties": {name: {"enum": values}}, "required": [name]},
        "then": then,
    }
