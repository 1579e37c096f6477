"""Plain data of presets for tests: changed at a place, then read again."""

from __future__ import annotations

import json
from typing import Any

from tests.strategies import everything
from xover.files.preset_json import loads
from xover.model.places import Key, parse
from xover.model.problems import Fault, Refused
from xover.model.walk import tree_of

GONE = object()
"""Put this at a place to take the place out."""


def changed(changes: dict[str, Any], tree: Any = None) -> Any:
    """The plain data of the everything preset (or of `tree`) with values put at places."""
    tree = json.loads(json.dumps(tree_of(everything()) if tree is None else tree))
    for where, value in changes.items():
        *way, last = [step.key if isinstance(step, Key) else step for step in parse(where)]
        holder = tree
        for step in way:
            holder = holder[step]
        if value is GONE:
            del holder[last]
        elif isinstance(holder, list) and last == len(holder):
            holder.append(value)
        else:
            holder[last] = value
    return tree


def faults_of(tree: Any) -> dict[str, str]:
    """What reading this says, by place; empty where it is read."""
    return faults_in(json.dumps(tree).encode())


def faults_in(data: bytes) -> dict[str, str]:
    """What reading these bytes says, by place; empty where they are read."""
    faults: tuple[Fault, ...] = ()
    try:
        loads(data)
    except Refused as refused:
        faults = refused.faults or (Fault("?", "refused without a fault"),)
    found = {fault.where: fault.message for fault in faults}
    assert len(found) == len(faults), f"a place is said twice: {faults}"
    return found
