"""The cell that says which inputs feed an output, and how loud: read and shown.

Names are matched after case folding, or by a beginning that only one of them has. A name that could
be misread stands in quotation marks; names of inputs that do not exist are refused.
"""

from __future__ import annotations

import re

from xover.model.entry_text import (
    MARK,
    NOTHING,
    NUMBER,
    OFF_WORDS,
    TYPED_LENGTH,
    Context,
    Precision,
    either,
    figure,
    in_range,
    read_number,
    tidy,
)
from xover.model.names import fold, inert, listed, quoted
from xover.model.places import at_key
from xover.model.ranges import RouteGain

ROUTE_EXAMPLES = "Left 0, Right −3, off"

_QUOTED = re.compile(r'"(?:[^"\\]|\\.)*"')
_SIGN = "+\\-‐‑‒–—−﹣－＋"
_FIGURE = rf"[{_SIGN}]?\s?(?:[0-9.,]+)(?:[eE][{_SIGN}]?[0-9]{{1,3}})?"
_WITH_GAIN = rf"(?P<name>.*?)(?:\s*[=:]\s*|\s+|(?=[{_SIGN}]))(?P<gain>{_FIGURE})\s*(?:d[bB]|D[bB])?"
_ONLY_GAIN = rf"({NUMBER}) ?(?:db)?"
_NEEDS_QUOTES = re.compile(rf'[",;=:]|[{_SIGN}]$|[{_SIGN}0-9.]+(?:[eE][{_SIGN}]?[0-9]+)?$')
_EACH = 64
_PER_CHARACTER = 12


def parse_route(text: str, context: Context) -> dict[str, float]:
    """Routes from input name to dB: `Left 0, Right −3`, `Left`, `aux -6`, `L 0`, `off`.

    What is typed is the whole of it: inputs not named are not routed. A name without a figure
    keeps its present gain, else it gets 0 dB; a lone figure is for the one input routed now.
    """
    most = TYPED_LENGTH + sum(_PER_CHARACTER * len(name) + _EACH for name in context.inputs)
    if len(text) > most:
        raise context.refused(f"{quoted(text)} has {len(text)} characters; {_problem(context)}")
    tidied = tidy(text) if len(text) <= TYPED_LENGTH else ""
    if not text.strip():
        raise context.refused(f"nothing was typed; {_problem(context)}")
    if tidied in OFF_WORDS:
        return {}
    present = context.present if isinstance(context.present, dict) else {}
    lone = re.fullmatch(_ONLY_GAIN, tidied)
    if lone is not None and len(present) == 1 and not _exact(text, context.inputs):
        return {name: _gain(lone[1], context) for name in present}
    routes: dict[str, float] = {}
    for item in _items(text):
        name, gain_db = _item(item, text, context)
        if name in routes:
            raise context.refused(f"{quoted(name)} is named twice in {quoted(text)}; name it once")
        routes[name] = present.get(name, 0.0) if gain_db is None else gain_db
    return routes


def _problem(context: Context) -> str:
    return (
        f"type input names with decibels, such as {either(ROUTE_EXAMPLES)}; "
        f"the inputs are {listed(context.inputs)}"
    )


def _items(text: str) -> list[str]:
    """The pieces between commas and semicolons, except decimal commas and those in quotes."""
    items: list[str] = []
    start = position = 0
    while position < len(text):
        if text[position] == '"' and not text[start:position].strip():
            match = _QUOTED.match(text, position)
            position = match.end() if match else position + 1
            continue
        comma = text[position] == "," and not _between_digits(text, position)
        if comma or text[position] == ";":
            items.append(text[start:position].strip())
            start = position + 1
        position += 1
    items.append(text[start:].strip())
    return items


def _between_digits(text: str, position: int) -> bool:
    around = text[max(0, position - 1) : position], text[position + 1 : position + 2]
    return all(character in "0123456789" and character for character in around)


def _item(item: str, text: str, context: Context) -> tuple[str, float | None]:
    """One input's exact name and its gain in dB, None where none was typed."""
    if item.startswith('"'):
        return _quoted_item(item, context)
    match = re.fullmatch(_WITH_GAIN, item, re.DOTALL)
    named = _exact(item, context.inputs)
    if match is not None:
        head = _exact(match["name"], context.inputs)
        # “Mic 2” is the input of that name; “Mic +2” and “Mic 2.0” can only be a gain.
        if head and not (named and match["gain"].isdigit()):
            return head, _route_gain(match["gain"], item, context)
    if named:
        return named, None
    candidates: list[tuple[str, float | None]] = []
    if match is not None:
        begun = _beginning(match["name"], context.inputs)
        if len(begun) == 1:
            return begun[0], _route_gain(match["gain"], item, context)
        candidates += [(name, None) for name in begun]
    begun = _beginning(item, context.inputs)
    if len(begun) == 1:
        return begun[0], None
    candidates += [(name, None) for name in begun]
    if MARK in item or item.endswith("..."):
        raise context.refused(f"{quoted(text)} was shortened to fit; {_problem(context)}")
    if candidates:
        names = listed(dict.fromkeys(name for name, _ in candidates))
        raise context.refused(f"{quoted(item)} could be {names}; type more of the name")
    raise context.refused(f"{quoted(item)} is not a route; {_problem(context)}")


def _quoted_item(item: str, context: Context) -> tuple[str, float | None]:
    import json

    match = _QUOTED.match(item)
    if match is not None:
        try:
            name = json.loads(match[0])
        except ValueError:
            name = match[0][1:-1]
        found = name if name in context.inputs else _exact(name, context.inputs)
        rest = item[match.end() :].strip().lstrip("=:").strip()
        if found and not rest:
            return found, None
        if found:
            return found, _route_gain(rest, item, context)
    raise context.refused(f"{quoted(item)} is not a route; {_problem(context)}")


def _exact(typed: str, inputs: tuple[str, ...]) -> str:
    """The input that is called this, after case folding; "" where none is."""
    wanted = fold(typed.strip())
    return next((name for name in inputs if fold(name) == wanted), "")


def _beginning(typed: str, inputs: tuple[str, ...]) -> list[str]:
    wanted = fold(typed.strip())
    return [name for name in inputs if wanted and fold(name).startswith(wanted)]


def _route_gain(text: str, item: str, context: Context) -> float:
    match = re.fullmatch(_ONLY_GAIN, tidy(text))
    if match is None:
        raise context.refused(f"{quoted(item)} is not a route; {_problem(context)}")
    return _gain(match[1], context)


def _gain(text: str, context: Context) -> float:
    return in_range(read_number(text, context), RouteGain, "gain", context)


def show_route(routes: dict[str, float], precision: Precision = None) -> str:
    """`Left 0.0, Right −3.0`, `–` for none; names that could be misread in quotation marks."""
    if not routes:
        return NOTHING
    return ", ".join(
        f"{shown_name(name)} {figure(gain_db, 1, precision, plus=True)}"
        for name, gain_db in routes.items()
    )


def shown_name(name: str) -> str:
    """An input's name as a route shows it: in quotation marks where it could be misread."""
    plain = inert(name) == name and MARK not in name and not name.endswith("...")
    if plain and _NEEDS_QUOTES.search(name) is None:
        return name
    return at_key("", name)[1:-1]
