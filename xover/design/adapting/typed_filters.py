"""Chosen filters as the figures that are typed, field by field, beside the preset's own."""

from __future__ import annotations

from collections.abc import Sequence

from msgspec import UNSET

from xover.design.adapting.bands import SHELVES, Typed, TypedCrossover
from xover.design.adapting.figures import figure
from xover.design.adapting.result import Setting
from xover.design.adapting.shape import Shape
from xover.model.processing import Crossover, EqSection, Input, Output
from xover.model.profile import Profile
from xover.model.words import EQ_SHAPES, FAMILY_NAMES, eq_words

WIDTH_UNITS = {"bandwidth_octaves": "oct", "q": "Q", "slope": "slope"}


def filter_settings(
    where: str,
    shape: Shape,
    meant: Input | Output,
    eq: Sequence[EqSection],
    profile: Profile,
) -> list[Setting]:
    """The settings of all filters of the input or output at `where`.

    `meant` is the preset's; `eq` its sections, and those that came to it from elsewhere.
    """
    settings: list[Setting] = []
    for side, (typed, _) in shape.crossovers.items():
        settings += _crossover(f"{where}.{side}", getattr(meant, side), typed, profile)
    for band, typed_band, _ in shape.bands:
        at = band.origins[0]
        settings += _band(f"{where}.eq[{at}]", eq[at], typed_band, profile)
    return settings


def _crossover(
    where: str, item: Crossover | None, typed: TypedCrossover, profile: Profile
) -> list[Setting]:
    """`item` is None where the preset has a band of its equaliser instead."""
    return [
        Setting(
            f"{where}.family",
            None if item is None else item.family,
            typed.family,
            "",
            FAMILY_NAMES[typed.family],
        ),
        Setting(
            f"{where}.slope_db_per_octave",
            None if item is None else float(item.slope_db_per_octave),
            float(typed.slope_db_per_octave),
            "dB/oct",
            str(typed.slope_db_per_octave),
        ),
        Setting(
            f"{where}.frequency_hz",
            None if item is None else item.frequency_hz,
            typed.frequency_hz,
            "Hz",
            figure(typed.frequency_hz, profile.crossover.frequency_hz),
        ),
    ]


def _band(where: str, item: EqSection, typed: Typed, profile: Profile) -> list[Setting]:
    eq = profile.eq
    found = [
        Setting(f"{where}.kind", item.kind, typed.kind, "", eq_words(typed.kind, typed.order)),
        Setting(
            f"{where}.frequency_hz",
            item.frequency_hz,
            typed.frequency_hz,
            "Hz",
            figure(typed.frequency_hz, eq.frequency_hz),
        ),
    ]
    if typed.gain_db is not None:
        text = figure(typed.gain_db, eq.gain_db)
        gain_db = None if item.gain_db is UNSET else float(item.gain_db)
        found.append(Setting(f"{where}.gain_db", gain_db, typed.gain_db, "dB", text))
    if typed.width is not None:
        setting = eq.shelf_width if typed.kind in SHELVES else eq.width
        assert setting is not None
        text = figure(typed.width, setting.values)
        unit = WIDTH_UNITS[setting.unit]
        q = None if item.q is UNSET else float(item.q)
        found.append(Setting(f"{where}.q", q, typed.width, unit, text))
    if EQ_SHAPES[typed.kind].has_order and EQ_SHAPES[item.kind].has_order:
        orders = float(item.effective_order), float(typed.order)
        found.append(Setting(f"{where}.order", *orders, "", str(typed.order)))
    return found
