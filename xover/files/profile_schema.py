"""The processor-profile format as JSON Schema, made from the model's types and tables.

Says what a schema can say: shapes, ranges, the three forms of a grid. Which limits contradict is
beyond it; `model.profile_rules` holds that.
"""

from __future__ import annotations

from typing import Any

from xover.files import json_text
from xover.files.schema_parts import document_of
from xover.model.profile import Profile
from xover.model.words import FAMILY_SLOPES

SCHEMA_ID = "urn:xover:processor:1"


def profile_schema() -> dict[str, Any]:
    """The schema (JSON Schema draft 2020-12) of a processor profile of the present version."""
    return document_of(Profile, SCHEMA_ID, "xover processor profile, version 1", _relate)


def profile_schema_text() -> bytes:
    """The schema as the bytes of `docs/processor.schema.json`."""
    return json_text.lay_out(profile_schema())


def _relate(whole: dict[str, Any], parts: dict[str, Any]) -> None:
    """Add what fields of one object ask of each other."""
    whole["properties"]["sample_rates_hz"] |= {"minItems": 1, "uniqueItems": True}
    _forms(parts["Grid"])
    parts["CrossoverSetting"]["properties"]["families"] = {
        "type": "object",
        "description": "for each family its slopes in dB per octave",
        "properties": {
            family: {
                "type": "array",
                "items": {"enum": list(slopes)},
                "minItems": 1,
                "uniqueItems": True,
            }
            for family, slopes in FAMILY_SLOPES.items()
        },
        "additionalProperties": False,
    }
    for name in ("kinds", "first_order_kinds"):
        parts["EqSetting"]["properties"][name]["uniqueItems"] = True


def _forms(grid: dict[str, Any]) -> None:
    """Make the three forms of a grid exclude each other."""
    fields = ("min", "max", "step", "per_octave", "values")
    forms = (("min", "max", "step"), ("min", "max", "per_octave"), ("values",))
    grid["oneOf"] = [
        {
            "required": list(form),
            "properties": {name: False for name in fields if name not in form},
        }
        for form in forms
    ]
    grid["properties"]["values"]["minItems"] = 1
