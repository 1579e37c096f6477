"""The preset format as JSON Schema, made from the model's types and tables.

Says what a schema can say: shapes, ranges, kinds, what one object's fields ask of each other.
References, text forms and the order of numbers are beyond it; `model.rules` holds those.
"""

from __future__ import annotations

from typing import Any

from xover.files import json_text
from xover.files.schema_parts import document_of
from xover.model.preset import Preset
from xover.model.ranges import TRACE_POINTS_MAX
from xover.model.words import EQ_SHAPES, FAMILY_SLOPES, LINE_VOLTAGES_V

SCHEMA_ID = "urn:xover:preset:1"


def preset_schema() -> dict[str, Any]:
    """The schema (JSON Schema draft 2020-12) of a preset file of the present version."""
    return document_of(Preset, SCHEMA_ID, "xover preset, version 1", _relate)


def schema_text() -> bytes:
    """The schema as the bytes of `docs/preset.schema.json`."""
    return json_text.lay_out(preset_schema())


def _relate(preset: dict[str, Any], parts: dict[str, Any]) -> None:
    """Add what fields of one object ask of each other, from the same tables as the rules."""
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
