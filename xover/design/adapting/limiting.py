"""Limiters as one kind of processor holds them: thresholds in its unit, times on its grid.

A threshold is never rounded above what protects. Knows nothing of filters.
"""

from __future__ import annotations

from typing import Literal

from msgspec import Struct

from xover.design.adapting.figures import (
    THRESHOLD_UNITS,
    figure,
    held_threshold,
    threshold_dbu_of,
    threshold_typed,
)
from xover.design.adapting.result import Cannot, Setting
from xover.model import grids
from xover.model.processing import Limit, Limiter
from xover.model.profile import Grid, LimiterPosition, LimitSetting, Profile
from xover.model.ranges import LevelDbu, limits_of
from xover.model.units import short, show_db

KINDS: tuple[Literal["rms", "peak"], ...] = ("rms", "peak")


class HeldLimit(Struct, frozen=True):
    """One limit on the device, None where it has none; what is typed, what cannot be held."""

    limit: Limit | None
    settings: tuple[Setting, ...] = ()
    cannot: tuple[Cannot, ...] = ()


class HeldLimiter(Struct, frozen=True):
    """Both limits of an output on the device, None where it holds neither."""

    limiter: Limiter | None
    settings: tuple[Setting, ...] = ()
    cannot: tuple[Cannot, ...] = ()


def held_limiter(
    where: str, limiter: Limiter | None, *, output_gain_db: float, profile: Profile
) -> HeldLimiter:
    """The limiter of the output at `where`, whose gain on the device is `output_gain_db`."""
    if limiter is None:
        return HeldLimiter(None)
    held: dict[str, HeldLimit] = {}
    for kind in KINDS:
        limit: Limit | None = getattr(limiter, kind)
        if limit is not None:
            place = f"{where}.limiter.{kind}"
            held[kind] = _held(place, kind, limit, output_gain_db, profile)
    limits = {kind: one.limit for kind, one in held.items() if one.limit is not None}
    return HeldLimiter(
        Limiter(rms=limits.get("rms"), peak=limits.get("peak")) if limits else None,
        tuple(each for one in held.values() for each in one.settings),
        tuple(each for one in held.values() for each in one.cannot),
    )


def _held(
    place: str, kind: str, limit: Limit, output_gain_db: float, profile: Profile
) -> HeldLimit:
    device = profile.limiter
    setting: LimitSetting | None = None if device is None else getattr(device, kind)
    if device is None or setting is None:
        why = f"the processor has no {kind} limiter; what this one protects is unprotected"
        return HeldLimit(None, cannot=(Cannot(place, why),))
    threshold = _threshold(
        place, limit.threshold_dbu, setting, output_gain_db, device.position, profile.full_scale_dbu
    )
    if threshold.limit_dbu is None:
        return HeldLimit(None, cannot=threshold.cannot)
    attack = _time(f"{place}.attack_ms", limit.attack_ms, setting.attack_ms)
    release = _time(f"{place}.release_ms", limit.release_ms, setting.release_ms)
    return HeldLimit(
        Limit(
            threshold_dbu=threshold.limit_dbu,
            attack_ms=attack.held_ms,
            release_ms=release.held_ms,
        ),
        (*threshold.settings, attack.setting, release.setting),
        (*threshold.cannot, *attack.cannot, *release.cannot),
    )


class _Threshold(Struct, frozen=True):
    """Where a limiter then acts, as an rms level behind the output's gain; None: not at all."""

    limit_dbu: float | None
    settings: tuple[Setting, ...] = ()
    cannot: tuple[Cannot, ...] = ()


def _threshold(
    place: str,
    wanted_dbu: float,
    setting: LimitSetting,
    output_gain_db: float,
    position: LimiterPosition,
    full_scale_dbu: float | None,
) -> _Threshold:
    where, threshold = f"{place}.threshold_dbu", setting.threshold
    exact = threshold_typed(
        wanted_dbu,
        threshold,
        output_gain_db=output_gain_db,
        position=position,
        full_scale_dbu=full_scale_dbu,
    )
    if exact is None:
        why = (
            "the profile gives no level at 0 dBFS, so no threshold in dBFS; measure it and write "
            "full_scale_dbu"
        )
        return _Threshold(None, cannot=(Cannot(where, why),))
    typed = held_threshold(exact, threshold)
    acts_at_dbu = threshold_dbu_of(
        typed,
        threshold,
        output_gain_db=output_gain_db,
        position=position,
        full_scale_dbu=full_scale_dbu,
    )
    assert acts_at_dbu is not None
    lowest_dbu, highest_dbu = limits_of(LevelDbu)
    unit = THRESHOLD_UNITS[threshold.unit] + (" peak" if threshold.reads == "peak" else "")
    cannot: tuple[Cannot, ...] = ()
    if not grids.reaches(threshold, exact):
        over_db = acts_at_dbu - wanted_dbu
        why = (
            f"{short(exact, 2)} {unit} lies outside {short(grids.lowest(threshold), 2)} to "
            f"{short(grids.highest(threshold), 2)}; the nearest acts at {show_db(over_db)} from "
            "what protects"
        )
        cannot = (Cannot(where, why, max(0.0, over_db)),)
    return _Threshold(
        min(max(acts_at_dbu, lowest_dbu), highest_dbu),
        (Setting(where, wanted_dbu, typed, unit, figure(typed, threshold)),),
        cannot,
    )


class _Time(Struct, frozen=True):
    """An attack or release on the device."""

    held_ms: float
    setting: Setting
    cannot: tuple[Cannot, ...] = ()


def _time(where: str, wanted_ms: float, grid: Grid) -> _Time:
    found_ms = grids.nearest(grid, wanted_ms, logarithmic=True)
    setting = Setting(where, float(wanted_ms), found_ms, "ms", figure(found_ms, grid))
    if grids.reaches(grid, wanted_ms):
        return _Time(found_ms, setting)
    why = (
        f"{short(wanted_ms)} ms lies outside {short(grids.lowest(grid))} to "
        f"{short(grids.highest(grid))} ms; the nearest is entered"
    )
    return _Time(found_ms, setting, (Cannot(where, why),))
