"""How much a delayed source may be turned up or down to lift a seat without pulling the image.

The lift counts the reference and the delayed source alone and adds them as powers, which is what
is left of a comb over a band: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from msgspec import Struct

from xover.design.precedence import difference_for_lift_db, lift_db, precedence
from xover.design.ways import Ways
from xover.model.changes import followers, is_locked
from xover.model.drive import Drive
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.ranges import Gain
from xover.model.walk import number_problem

ENTERED_DECIMALS = 1
"""Trims are written to a tenth of a decibel: figures one can type."""


class Lift(Struct, frozen=True):
    """How the moved output's gain has to change to lift the aiming listener by so much."""

    lift_db: float
    """As it comes out with the gain rounded."""
    gain_change_db: float
    gain_db: float
    """What the moved output then reads."""
    difference_db: float
    """How much louder than the reference it is at the aiming listener then."""
    most_gain_change_db: float | None
    """With more than this the image is pulled at a listener where the reference leads."""
    most_lift_db: float | None
    """The lift that this makes at the aiming listener."""
    pulled_at: tuple[str, ...]
    """Listeners where the sound then seems to come from the moved output."""


def lift_of(
    ways: Ways, delayed: Preset, move: str, to: str, aim: str, wanted_db: float, drive: Drive
) -> Lift:
    """The trim of `move`, its delay already in `delayed`, for a lift of `wanted_db` > 0 at `aim`.

    Raises `Refused` where the levels of the two are not known there.
    """
    present_db = ways.difference_db(delayed, move, to, aim, drive)
    if math.isnan(present_db):
        raise Refused.at(
            "",
            f"how loud “{move}” is beside “{to}” at “{aim}” is not known, so it cannot be trimmed "
            "to a lift; both need a source with a position, or a capture there, and play",
        )
    before_db = delayed.output(move).gain_db
    gain_db = round(before_db + difference_for_lift_db(wanted_db) - present_db, ENTERED_DECIMALS)
    change_db = gain_db - before_db
    rooms_db: list[float] = []
    pulled: list[str] = []
    for place in ways.listeners:
        behind_ms = ways.behind_ms(delayed, move, to, place, drive)
        there_db = ways.difference_db(delayed, move, to, place, drive)
        if behind_ms is None or math.isnan(there_db):
            continue
        stand = precedence(to, move, behind_ms, there_db)
        if stand.first == to:
            rooms_db.append(-stand.excess_db)
        if precedence(to, move, behind_ms, there_db + change_db).image == move:
            pulled.append(place)
    most_db = min(rooms_db) if rooms_db else None
    return Lift(
        lift_db(present_db + change_db),
        change_db,
        gain_db,
        present_db + change_db,
        most_db,
        None if most_db is None else lift_db(present_db + most_db),
        tuple(pulled),
    )


def gains_after(preset: Preset, lifts: Sequence[tuple[str, Lift]]) -> dict[str, float]:
    """Every output's gain after the trims, those of groups that follow gain with them.

    Raises `Refused` where groups contradict, a gain is locked, or one leaves its range.
    """
    changes_db: dict[str, float] = {}
    for name, lift in lifts:
        for follower in followers(preset, name, "gain"):
            change_db = changes_db.setdefault(follower, lift.gain_change_db)
            if abs(change_db - lift.gain_change_db) > 1e-9:
                raise Refused.at(
                    "",
                    f"“{follower}” is tied by a group that follows gain to outputs that would be "
                    "trimmed by different amounts; move one output of the group at a time",
                )
            if is_locked(preset, follower, "gain"):
                raise Refused.at(
                    f'outputs["{follower}"].locked',
                    f"the gain of “{follower}” is locked; unlock it, or leave out the lift",
                )
            problem = number_problem(preset.output(follower).gain_db + change_db, Gain)
            if problem:
                raise Refused.at(f'outputs["{follower}"].gain_db', f"a gain of {problem}")
    gains_db = {item.name: item.gain_db for item in preset.outputs}
    for name, change_db in changes_db.items():
        gains_db[name] = round(gains_db[name] + change_db, 4)
    return gains_db
