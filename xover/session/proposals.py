"""An alignment as a proposal: before and after side by side, taken as one step or not at all.

The search is `design.alignment`; nothing here decides.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from xover.design.alignment import align, apply_alignment
from xover.design.answer import Alignment, Alternative, RunnerUp
from xover.model.changes import Shift, settings_after, with_added_eq, with_settings
from xover.model.entry_eq import show_eq
from xover.model.names import inert
from xover.model.preset import Preset
from xover.model.units import signed


class Proposal(Struct, frozen=True, eq=False):
    """What an alignment would change: two presets, the answer behind it, and the step's name."""

    name: str
    before: Preset
    after: Preset
    result: Alignment

    def with_alternative(self, alternative: Alternative) -> Proposal:
        """The same proposal with another of the settings found, for one moved output.

        Raises `ValueError` where several outputs are moved at once, `Refused` as `align`.
        """
        if len(self.result.results) != 1:
            raise ValueError("alternatives belong to one moved output")
        (pair,) = self.result.results
        later = alternative.delayed_output == pair.move
        delay_ms = alternative.delay_ms if later else -alternative.delay_ms
        turned = alternative.polarity != self.before.output(pair.move).polarity
        return self._with([(pair.move, delay_ms, turned)])

    def with_runner_up(self, entry: RunnerUp) -> Proposal:
        """The same proposal with another setting of all moved outputs together."""
        return self._with([(p.move, p.relative_delay_ms, p.inverted) for p in entry.parts])

    def _with(self, moved: Sequence[tuple[str, float, bool]]) -> Proposal:
        shifts = {name: Shift(delay_ms, turned) for name, delay_ms, turned in moved}
        return replace(
            self,
            name=_name(moved, self.result),
            after=with_added_eq(
                with_settings(self.before, settings_after(self.before, shifts)),
                self.result.sections,
            ),
        )


def propose(
    preset: Preset, *, move: Sequence[str], to: str, listeners: Sequence[str], **options: Any
) -> Proposal:
    """Search an alignment of outputs `move` to output `to` at `listeners` (exact names).

    `options` are those of `design.alignment.align`. May take long: safe in any thread. Raises
    `Refused` with the reason where no answer is honest.
    """
    result = align(preset, move=move, to=to, listeners=listeners, **options)
    moved = [(pair.move, pair.relative_delay_ms, pair.inverted) for pair in result.results]
    return Proposal(_name(moved, result), preset, apply_alignment(preset, result), result)


def _name(moved: Sequence[tuple[str, float, bool]], result: Alignment) -> str:
    parts = []
    for name, delay_ms, turned in moved:
        words = f"{inert(name)} {signed(delay_ms, 3)} ms"
        if turned:
            words += ", polarity turned"
        if name in result.sections:
            words += f", {show_eq(result.sections[name])}"
        parts.append(words)
    return f"align to {inert(result.results[0].to)}: {'; '.join(parts)}"
