"""Advice about a valid preset: what an experienced colleague would ask about, with figures.

Every rule only reads; nothing is corrected here, and rules of thumb say that they are. Whether a
preset is legal at all is `model.rules`' question, and answered before.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

from msgspec import Struct

from xover.design.advice import (
    captured,
    coverage,
    crossings,
    filters,
    loads,
    outputs,
    thresholds,
    twins,
)
from xover.design.advice.survey import Survey
from xover.model import places
from xover.model.preset import Preset
from xover.model.problems import Finding

Rule = Callable[[Survey], Iterator[Finding]]

RULES: Final[tuple[Rule, ...]] = (
    filters.empty_band,
    filters.no_high_pass,
    filters.outside_range,
    filters.low_boost,
    filters.high_boost,
    crossings.corners,
    crossings.polarity,
    crossings.missing_all_pass,
    outputs.unrouted,
    outputs.muted,
    outputs.limiters,
    outputs.long_delays,
    twins.unlike_pairs,
    twins.unlike_gains,
    loads.low_loads,
    loads.unrated_loads,
    loads.full_lines,
    loads.unknown_taps,
    loads.mismatched_lines,
    loads.part_filled_transformers,
    loads.lines_without_high_pass,
    loads.sources_without_channel,
    thresholds.above_boxes,
    thresholds.above_drivers,
    thresholds.above_clip,
    thresholds.strong_amplifiers,
    thresholds.clipping_amplifiers,
    thresholds.peak_below_rms,
    thresholds.short_times,
    thresholds.unlike_limiters,
    thresholds.unlike_groups,
    captured.short_traces,
    captured.unknown_settings,
    captured.sessions,
    captured.retimed,
    coverage.uncovered_seats,
)
"""Every rule there is; each yields its findings in any order."""

SEVERITIES: Final = ("error", "warning", "note")


def advise(preset: Preset) -> tuple[Finding, ...]:
    """All advice about a valid preset, worst first, then in the order of the file.

    Deterministic; the same preset gives the same findings. An empty tuple where there is nothing
    to report.
    """
    survey = Survey(preset)
    findings = [finding for rule in RULES for finding in rule(survey)]
    return tuple(
        sorted(
            findings,
            key=lambda one: (SEVERITIES.index(one.severity), _file_order(preset, one.where)),
        )
    )


def _file_order(preset: Preset, where: str) -> tuple[int, ...]:
    """Where a place stands in the file: the position at every level down to it."""
    order: list[int] = []
    item: object = preset
    for step in places.parse(where):
        if isinstance(step, str) and isinstance(item, Struct):
            order.append(item.__struct_fields__.index(step))
            item = getattr(item, step)
        elif isinstance(step, int) and isinstance(item, tuple):
            order.append(step)
            item = item[step]
        elif isinstance(step, places.Key) and isinstance(item, dict):
            order.append(list(item).index(step.key))
            item = item[step.key]
        else:  # the place of something that is not there, such as a missing limiter's part
            break
    return tuple(order)
