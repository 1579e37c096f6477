"""Advice about seats that no box is aimed at.

Judged by the boxes whose data sheet states a coverage and that are loud at the seat; subwoofers
have no say, and where a full-range box without that figure is loud nothing is said.
Marks seats, computes no level off axis.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from xover.acoustics.arrivals import arrivals
from xover.acoustics.geometry import is_outside_coverage, off_axis_deg
from xover.design.advice.survey import Survey
from xover.model.drive import drive_of
from xover.model.names import listed, quoted
from xover.model.preset import Preset
from xover.model.problems import Finding, Refused
from xover.model.rig import Listener, Source
from xover.model.units import plain

FULL_RANGE_HZ: Final = 1000.0
"""A box that reaches this high is aimed at seats, stated or not: common practice, no source."""
AUDIBLE_WITHIN_DB: Final = 10.0
"""A box this far below the loudest one at a seat does not serve it: common practice, no source."""


def uncovered_seats(survey: Survey) -> Iterator[Finding]:
    """A listener outside the coverage of every box that is loud there.

    A note where a quieter box is aimed at the seat: the louder one is computed as on axis there.
    """
    preset = survey.preset
    aimed = [
        source
        for source in preset.sources
        if preset.loudspeaker(source.loudspeaker).coverage_deg is not None
        and not preset.output(source.output).muted
    ]
    unstated = [
        source
        for source in preset.sources
        if (box := preset.loudspeaker(source.loudspeaker)).coverage_deg is None
        and box.passband_hz[1] >= FULL_RANGE_HZ
        and not preset.output(source.output).muted
    ]
    for at, place in enumerate(preset.listeners):
        outside = [one for one in aimed if _is_outside(preset, one, place)]
        if not outside:
            continue
        loud = _loud(preset, [*aimed, *unstated], place) if unstated else aimed
        if any(one in unstated for one in loud):
            continue  # whether that one is aimed at the seat is not known
        serving = aimed if len(outside) == len(aimed) else _loud(preset, aimed, place)
        if not serving or any(not _is_outside(preset, one, place) for one in serving):
            continue
        nearest = min(serving, key=lambda one: max(_beyond_deg(preset, one, place)))
        wide_deg, high_deg = _beyond_deg(preset, nearest, place)
        ways = []
        if wide_deg > 0.0:
            ways.append(f"{plain(wide_deg, 1)}° to the side of")
        if high_deg > 0.0:
            ways.append(f"{plain(high_deg, 1)}° above or below")
        coverage_deg = preset.loudspeaker(nearest.loudspeaker).coverage_deg
        assert coverage_deg is not None
        its = f"its {plain(coverage_deg[0], 0)}° × {plain(coverage_deg[1], 0)}°"
        aimed_at_it = [one.name for one in aimed if one not in outside]
        if aimed_at_it:
            yield Finding(
                "outside-coverage",
                "note",
                f"listeners[{at}]",
                f"{quoted(place.name)} sits within the coverage of {listed(aimed_at_it)}, yet "
                f"{quoted(nearest.name)}, whose coverage it is outside of, is predicted more than "
                f"{plain(AUDIBLE_WITHIN_DB, 0)} dB louder there: it is {' and '.join(ways)} {its}, "
                "where less arrives than is computed; measure there before trusting a level",
            )
            continue
        yield Finding(
            "outside-coverage",
            "warning",
            f"listeners[{at}]",
            f"{quoted(place.name)} sits outside the coverage of every box that is loud there; the "
            f"nearest miss is {quoted(nearest.name)}, {' and '.join(ways)} {its}, and predicted "
            "levels are too high here; aim a box at it or add one",
        )


def _loud(preset: Preset, aimed: Sequence[Source], place: Listener) -> list[Source]:
    """Those of `aimed` whose output is within 10 dB of the loudest such output at the seat.

    Only levels of one kind compare; where they cannot be computed every box counts as loud.
    """
    wanted = {source.output for source in aimed}
    try:
        rows = [row for row in arrivals(preset, place.name, drive_of(preset))]
    except Refused:
        return list(aimed)
    levels = {row.output: row for row in rows if row.output in wanted}
    loud: set[str] = set()
    for kind in ("spl", "relative"):
        same = {name: row.level_db for name, row in levels.items() if row.level == kind}
        loudest_db = max((level for level in same.values() if level == level), default=0.0)
        loud |= {n for n, level in same.items() if not level < loudest_db - AUDIBLE_WITHIN_DB}
    return [source for source in aimed if source.output in loud]


def _is_outside(preset: Preset, source: Source, place: Listener) -> bool:
    return is_outside_coverage(source, preset.loudspeaker(source.loudspeaker), place)


def _beyond_deg(preset: Preset, source: Source, place: Listener) -> tuple[float, float]:
    """How far outside its coverage, horizontal and vertical, a source sees the seat; ≤ 0 inside."""
    coverage_deg = preset.loudspeaker(source.loudspeaker).coverage_deg
    assert coverage_deg is not None
    angles_deg = off_axis_deg(source.aim_deg, source.position_m, place.position_m)
    return (
        abs(angles_deg[0]) - coverage_deg[0] / 2.0,
        abs(angles_deg[1]) - coverage_deg[1] / 2.0,
    )
