"""The description of the format for people: complete, and of one mind with the types."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import msgspec
import pytest
from msgspec import NODEFAULT
from msgspec import inspect as types

from tests.trees import faults_in
from xover.model.preset import Preset
from xover.model.ranges import FILTER_NYQUIST_FRACTION, NAME_LENGTH, TRACE_POINTS_MAX
from xover.model.words import EQ_SHAPES, FAMILY_SLOPES

TEXT = (Path(__file__).parents[2] / "docs" / "preset-format.md").read_text("utf-8")

TITLES = {
    "Preset": "The preset",
    "Crossover": "Crossover filter",
    "EqSection": "EQ section",
    "Power": "Power rating",
    "DriverSection": "Driver section",
    "OwnResponse": "Response of its own",
    "AmplifierChannel": "Amplifier channel",
    "CapturedSettings": "Settings at capture",
    "CapturedPositions": "Positions at capture",
}


def _structures(kind: types.Type, found: dict[str, types.StructType]) -> dict[str, Any]:
    inner = kind.type if isinstance(kind, types.Metadata) else kind
    if isinstance(inner, types.StructType):
        found[inner.cls.__name__] = inner
        for field in inner.fields:
            _structures(field.type, found)
    elif isinstance(inner, types.UnionType):
        for one in inner.types:
            _structures(one, found)
    elif isinstance(inner, types.VarTupleType):
        _structures(inner.item_type, found)
    return found


STRUCTURES = _structures(msgspec.inspect.type_info(Preset), {})


def _rows(title: str) -> dict[str, list[str]]:
    """The first table under a heading: its rows' other cells by the field in the first."""
    section = re.split(rf"^##+ {re.escape(title)}$", TEXT, flags=re.MULTILINE)[1]
    section = re.split(r"^##", section, flags=re.MULTILINE)[0]
    table = section.split("| Field |")[1].split("\n\n")[0]
    lines = [line.strip("| ").split(" | ") for line in table.splitlines()[2:]]
    return {cells[0].strip("`"): cells[1:] for cells in lines}


def _number(value: float) -> str:
    return repr(float(value)).removesuffix(".0").replace("-", "−")


def _facts(kind: types.Type) -> list[str]:
    """What a row must say of a type."""
    extra = (kind.extra or {}) if isinstance(kind, types.Metadata) else {}
    inner = kind.type if isinstance(kind, types.Metadata) else kind
    if isinstance(inner, types.FloatType | types.IntType):
        limits = [_number(one) for one in (inner.ge, inner.gt, inner.le) if one is not None]
        whole = ["whole number"] if isinstance(inner, types.IntType) else []
        return [*limits, extra.get("unit", ""), *whole]
    if isinstance(inner, types.UnionType):
        return ["or null", *[fact for one in inner.types for fact in _facts(one)]]
    if isinstance(inner, types.LiteralType):
        return [f"`{json.dumps(value)}`" for value in inner.values]
    if isinstance(inner, types.VarTupleType):
        return ["list", *_facts(inner.item_type)]
    if isinstance(inner, types.TupleType):
        return [f"list of {len(inner.item_types)}", *_facts(inner.item_types[0])]
    if isinstance(inner, types.DictType):
        return ["object", *_facts(inner.value_type)]
    if isinstance(inner, types.StructType):
        title = TITLES.get(inner.cls.__name__, inner.cls.__name__)
        return [f"(#{title.lower().replace(' ', '-')})"]
    if isinstance(inner, types.StrType):
        return [{"name": "name", "line": "text of one line", "prose": "text"}[extra["text"]]]
    return ["`true` or `false`"] if isinstance(inner, types.BoolType) else []


def _default(field: types.Field) -> str:
    if field.required or field.name in ("format", "version"):
        return "required"
    if field.default is NODEFAULT and field.default_factory is NODEFAULT:
        return "see below"
    value = field.default if field.default is not NODEFAULT else field.default_factory()
    plain = msgspec.to_builtins(value)
    if isinstance(plain, dict) and plain:
        return "that of each field"
    return f"`{json.dumps(plain).removesuffix('.0')}`"


@pytest.mark.parametrize("name", STRUCTURES)
def test_every_field_is_described_as_it_is(name):
    rows = _rows(TITLES.get(name, name))
    fields = STRUCTURES[name].fields
    assert list(rows) == [field.name for field in fields]
    for field in fields:
        what, default = rows[field.name][:2]
        for fact in _facts(field.type):
            assert fact in what, f"{name}.{field.name}"
        assert default == _default(field), f"{name}.{field.name}"


def test_the_tables_of_filters_are_those_of_the_model():
    for family, slopes in FAMILY_SLOPES.items():
        assert f"`{family}` {', '.join(map(str, slopes))}" in TEXT
    for kind, shape in EQ_SHAPES.items():
        (row,) = re.findall(rf"^\| `{kind}` \| ((?:yes|no) .*)\|$", TEXT, flags=re.MULTILINE)
        gain, second, first = (cell.strip() for cell in row.split("|"))
        assert gain == ("yes" if shape.has_gain else "no")
        assert bool(second) == (2 in shape.orders)
        assert bool(first) == (1 in shape.orders)


def test_the_limits_named_in_the_text():
    assert f"at most {NAME_LENGTH} characters" in TEXT
    assert f"1 to {TRACE_POINTS_MAX} points" in TEXT
    assert f"below {FILTER_NYQUIST_FRACTION} of the sample rate" in TEXT
    assert "deeper than 32" in TEXT
    assert "more than 64 MB" in TEXT


def test_its_example_is_a_legal_preset():
    (example,) = re.findall(r"```json\n(.*?)```", TEXT, flags=re.DOTALL)
    assert faults_in(example.encode()) == {}


def test_its_links_lead_somewhere():
    heads = re.findall(r"^##+ (.*)$", TEXT, flags=re.MULTILINE)
    anchors = {head.lower().replace(" ", "-") for head in heads}
    assert set(re.findall(r"\(#([^)]*)\)", TEXT)) <= anchors
    assert len(anchors) == len(heads)
