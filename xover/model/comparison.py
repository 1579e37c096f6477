"""Two presets compared in the language of the trade: `Sub: low-pass 100 Hz → 90 Hz`.

Inputs, outputs, boxes and the rest are matched by name, whatever their capitals and order, so
that a new output is one line. `model.differences` is the exact way from one to the other; this is
what people read.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from msgspec import UNSET, Struct

from xover.model import entry
from xover.model.names import fold, inert
from xover.model.places import at_field, at_key, label, unit
from xover.model.preset import Preset
from xover.model.processing import Crossover, EqSection, Limit, Limiter
from xover.model.rig import Measurement, Trace
from xover.model.units import short, show_dbu

Plain = float | str | bool | None
PASSED_OVER = ("based_on", "format", "version")
LONG = 60


class Difference(Struct, frozen=True):
    """One place: `before` and `after` as plain values (None: nothing there), with their unit.

    `where` is the path in the later preset, or in the earlier one for what has gone.
    """

    where: str
    label: str
    before: Plain
    after: Plain
    unit: str

    @property
    def sentence(self) -> str:
        """`Sub, low-pass, frequency: 100 → 90 Hz`."""
        of = f" {self.unit}" if self.unit else ""
        return inert(f"{self.label}: {_words(self.before)} → {_words(self.after)}{of}")


def compare(before: Preset, after: Preset) -> tuple[Difference, ...]:
    """Every place where two presets differ, in the order of the later one."""
    return tuple(_Comparing(before, after).run())


class _Comparing:
    def __init__(self, before: Preset, after: Preset) -> None:
        self.before, self.after = before, after

    def run(self) -> Iterator[Difference]:
        for field in Preset.__struct_fields__:
            if field not in PASSED_OVER:
                old, new = getattr(self.before, field), getattr(self.after, field)
                yield from self._pair(old, new, field, field)

    def _pair(self, old: Any, new: Any, was: str, where: str) -> Iterator[Difference]:
        """What differs between two values that belong together; `was` is the earlier path."""
        if old is new or old == new:
            return
        if isinstance(old, Trace) or isinstance(new, Trace):
            yield self._leaf(_trace(old), _trace(new), was, where)
        elif isinstance(old, Struct) and isinstance(new, Struct) and type(old) is type(new):
            for field in old.__struct_fields__:
                yield from self._pair(
                    _set(getattr(old, field)),
                    _set(getattr(new, field)),
                    at_field(was, field),
                    at_field(where, field),
                )
        elif isinstance(old, dict) and isinstance(new, dict):
            for key in dict.fromkeys([*new, *old]):
                yield from self._pair(old.get(key), new.get(key), at_key(was, key),
                                      at_key(where, key))  # fmt: skip
        elif _is_list(old) and _is_list(new):
            yield from self._lists(old, new, was, where)
        else:
            yield self._leaf(old, new, was, where)

    def _lists(
        self, old: tuple[Any, ...], new: tuple[Any, ...], was: str, where: str
    ) -> Iterator[Difference]:
        left = {_key(item, at): at for at, item in enumerate(old)}
        for at, item in enumerate(new):
            place = f"{where}[{at}]"
            earlier = left.pop(_key(item, at), None)
            if earlier is None:
                yield self._leaf(None, item, was, place)
            else:
                yield from self._pair(old[earlier], item, f"{was}[{earlier}]", place)
        for at in left.values():
            yield self._leaf(old[at], None, f"{was}[{at}]", f"{was}[{at}]")

    def _leaf(self, old: Any, new: Any, was: str, where: str) -> Difference:
        gone = new is None and old is not None and isinstance(old, Struct)
        place = was if gone else where
        preset = self.before if gone else self.after
        before, after = _plain(old, place), _plain(new, place)
        numbers = [one for one in (before, after) if isinstance(one, float | int)]
        of = unit(place) if numbers and not any(isinstance(one, bool) for one in numbers) else ""
        return Difference(place, label(preset, place), before, after, of)


def _is_list(value: Any) -> bool:
    """Whether a tuple holds structures; a position or a list of tags counts as one value."""
    return isinstance(value, tuple) and all(isinstance(item, Struct) for item in value)


def _key(item: Any, at: int) -> Any:
    if isinstance(item, Measurement):
        return fold(item.output), fold(item.listener)
    name = getattr(item, "name", None)
    return at if name is None else fold(name)


def _set(value: Any) -> Any:
    return None if value is UNSET else value


def _trace(value: Trace | None) -> str | None:
    return None if value is None else f"a trace of {len(value.frequency_hz)} points"


def _plain(value: Any, where: str) -> Plain:
    """A value as JSON and people can have it."""
    if value is None or isinstance(value, float | int | bool | str):
        return value
    if isinstance(value, EqSection):
        return entry.show(("eq", 0), value)
    if isinstance(value, Crossover):
        return entry.show("high_pass", value)
    if isinstance(value, Limit):
        times = f"{short(value.attack_ms)}/{short(value.release_ms)} ms"
        return f"{show_dbu(value.threshold_dbu)}, {times}"
    if isinstance(value, Limiter):
        kinds = [(kind, getattr(value, kind)) for kind in ("rms", "peak")]
        found = [f"{kind} {_plain(one, where)}" for kind, one in kinds if one is not None]
        return "; ".join(found) or None
    if isinstance(value, Struct):
        name = getattr(value, "name", None)
        return f"“{name}”" if isinstance(name, str) else "there"
    if isinstance(value, tuple | list):
        return ", ".join(_words(_plain(item, where)) for item in value) or None
    if isinstance(value, dict):
        return ", ".join(f"{key} {_words(_plain(item, where))}" for key, item in value.items())
    return str(value)


def _words(value: Plain) -> str:
    if value is None:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return value if len(value) <= LONG else f"{value[:LONG]}…"
    return short(value, 4)
