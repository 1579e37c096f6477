"""How far outputs are from listeners: by their coordinates, or as a tape measured it on site.

A measured way replaces the coordinates of that pair alone. A listener may be known from measured
ways only, and an output may have no source at all; then its level is not known.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from msgspec import Struct, field

from xover.acoustics.arrivals import arrival_after_ms, arrivals, level_difference_db
from xover.acoustics.geometry import SHORTEST_M, nearest, nearest_distance_m
from xover.acoustics.measured import is_summable
from xover.model.drive import Drive
from xover.model.entry_figures import parse_length
from xover.model.entry_text import Context
from xover.model.names import clean, find, fold, quoted
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.units import plain

Measured = Mapping[tuple[str, str], float]
"""(output, listener) → metres, exact names."""


class Ways(Struct, frozen=True):
    """The ways of one preset, some of them measured."""

    preset: Preset
    measured: Measured = field(default_factory=dict)

    @property
    def listeners(self) -> tuple[str, ...]:
        """The preset's listeners, then those that only measured ways know."""
        known = [item.name for item in self.preset.listeners]
        return tuple(dict.fromkeys([*known, *(place for _, place in self.measured)]))

    def is_placed(self, listener: str) -> bool:
        """Whether the listener stands in the preset with a position."""
        return any(item.name == listener for item in self.preset.listeners)

    def metres(self, output: str, listener: str) -> float | None:
        """The way from the output's nearest source to the listener; None where nobody knows it."""
        if (output, listener) in self.measured:
            return self.measured[output, listener]
        if not self.is_placed(listener):
            return None
        return nearest_distance_m(self.preset, output, listener)

    def needed(self, output: str, listener: str) -> float:
        """The same where it must be known. Raises `Refused` with what would make it so."""
        metres = self.metres(output, listener)
        if metres is None:
            if self.is_placed(listener):
                raise Refused.at(
                    "sources",
                    f"“{output}” has no source, so its distance to “{listener}” is not known; add "
                    "a source with its position, or measure the way and give it with --measured",
                )
            raise Refused.at(
                "listeners",
                f"the way from “{output}” to “{listener}” is not known: there is no listener of "
                "that name; add one with its position, or give the way with --measured",
            )
        if metres < SHORTEST_M or self._is_inside(output, listener):
            raise Refused.at(
                "listeners",
                f"“{listener}” lies inside a box of “{output}”, less than "
                f"{plain(SHORTEST_M, 1)} m from it; correct one of the two positions",
            )
        return metres

    def _is_inside(self, output: str, listener: str) -> bool:
        if (output, listener) in self.measured or not self.is_placed(listener):
            return False
        place_m = self.preset.listener(listener).position_m
        return any(
            math.dist(item.position_m, place_m) < SHORTEST_M
            for item in self.preset.sources_of(output)
        )

    def arrival_ms(self, preset: Preset, output: str, listener: str, drive: Drive) -> float | None:
        """When the output arrives with the settings and air of `preset`; None if not known."""
        metres = self.metres(output, listener)
        if metres is None:
            return None
        sources = preset.sources_of(output)
        source = sources[0] if sources else None
        if sources and self.is_placed(listener):
            source = nearest(sources, preset.listener(listener).position_m)
        return arrival_after_ms(preset, output, source, metres, drive)

    def behind_ms(
        self, preset: Preset, output: str, reference: str, listener: str, drive: Drive
    ) -> float | None:
        """How much later than `reference` an output arrives; None where a way is not known."""
        own_ms = self.arrival_ms(preset, output, listener, drive)
        there_ms = self.arrival_ms(preset, reference, listener, drive)
        return None if own_ms is None or there_ms is None else own_ms - there_ms

    def level_db(self, preset: Preset, listener: str, drive: Drive) -> dict[str, float]:
        """By output: the level of `arrivals`, brought to a measured way; NaN if not known."""
        if not self.is_placed(listener):
            return {}
        return {
            row.output: row.level_db + self._nearer_db(row.output, listener)
            for row in arrivals(preset, listener, drive)
        }

    def difference_db(
        self, preset: Preset, output: str, reference: str, listener: str, drive: Drive
    ) -> float:
        """How much louder `output` is than `reference` in the band both play; NaN if not known."""
        if not self.is_placed(listener):
            return math.nan
        found = level_difference_db(preset, output, reference, listener, drive)
        return found + self._nearer_db(output, listener) - self._nearer_db(reference, listener)

    def _nearer_db(self, output: str, listener: str) -> float:
        """What a measured way changes in a computed level: 20·log10 of the ratio of ways."""
        measured_m = self.measured.get((output, listener))
        placed_m = nearest_distance_m(self.preset, output, listener)
        capture = self.preset.measurement(output, listener)
        if measured_m is None or placed_m is None:
            return 0.0
        if capture is not None and is_summable(capture):
            return 0.0
        return 20.0 * math.log10(placed_m / measured_m)


def checked_ways(preset: Preset, measured: Measured) -> Ways:
    """The ways of a preset with measured ones. Raises `Refused` for a length out of reason."""
    for (output, listener), metres in measured.items():
        if not SHORTEST_M <= metres <= 10_000.0:
            raise Refused.at(
                "",
                f"the way from “{output}” to “{listener}” cannot be {plain(metres, 2)} m; measured "
                f"ways lie between {plain(SHORTEST_M, 1)} and 10,000 m",
            )
    return Ways(preset, dict(measured))


def read_ways(preset: Preset, typed: Sequence[str]) -> dict[tuple[str, str], float]:
    """`OUTPUT=LISTENER=LENGTH` as exact names and metres; names may hold equals signs themselves.

    A listener that the preset does not know counts as one that is known from the tape alone.
    Raises `Refused`.
    """
    outputs = [item.name for item in preset.outputs]
    known = [item.name for item in preset.listeners]
    context = Context(sample_rate_hz=preset.sample_rate_hz, speed_of_sound_m_s=343.2)
    ways: dict[tuple[str, str], float] = {}
    for text in typed:
        output, listener, length = _way_parts(outputs, known, text)
        try:
            metres = parse_length(length, context)
        except Refused as refused:
            raise Refused.at("", f"{quoted(text)}: {refused}") from None
        known += [listener] if listener not in known else []
        if (output, listener) in ways:
            raise Refused.at(
                "", f"the way from {quoted(output)} to {quoted(listener)} is given twice"
            )
        ways[output, listener] = metres
    return ways


def _way_parts(outputs: Sequence[str], known: Sequence[str], text: str) -> tuple[str, str, str]:
    parts = text.split("=")
    if len(parts) < 3:
        raise Refused.at(
            "",
            f"{quoted(text)}: write OUTPUT=LISTENER=LENGTH, such as "
            "“Delay L=Row 24=11.9” or “Delay L=Row 24=39'1\"”",
        )
    splits = [("=".join(parts[:k]), "=".join(parts[k:-1])) for k in range(1, len(parts) - 1)]
    folded = {fold(name) for name in outputs}
    output, listener = next(
        (split for split in splits if fold(split[0].strip()) in folded), splits[0]
    )
    listener = clean(listener)
    same = [name for name in known if fold(name) == fold(listener)]
    return find(outputs, output, kind="output"), (same or [listener])[0], parts[-1]
