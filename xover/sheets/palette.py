"""How curves are told apart: colours that colour-blind readers can separate, and dash patterns.

One table for the character grid, the printed sheet and the figure files, so that a curve looks
alike everywhere. Colour alone never carries meaning: dash and label always go with it.
"""

from __future__ import annotations

Rgb = tuple[int, int, int]

_BLACK: Rgb = (0, 0, 0)
_ORANGE: Rgb = (230, 159, 0)
_SKY: Rgb = (86, 180, 233)
_GREEN: Rgb = (0, 158, 115)
_YELLOW: Rgb = (240, 228, 66)
_BLUE: Rgb = (0, 114, 178)
_VERMILLION: Rgb = (213, 94, 0)
_PURPLE: Rgb = (204, 121, 167)

OKABE_ITO: tuple[Rgb, ...] = (
    _BLACK, _ORANGE, _SKY, _GREEN, _YELLOW, _BLUE, _VERMILLION, _PURPLE,
)  # fmt: skip
"""Okabe and Ito, "Color Universal Design", 2008 (rev.), the eight colours as 8-bit RGB."""

ON_DARK: tuple[Rgb, ...] = (_SKY, _ORANGE, _GREEN, _YELLOW, _PURPLE, _VERMILLION, _BLUE)
"""The order on a dark ground, the most legible first; black is left out."""

ON_LIGHT: tuple[Rgb, ...] = (_BLUE, _VERMILLION, _GREEN, _PURPLE, _BLACK, _ORANGE, _SKY)
"""The order on white paper; yellow is left out, it does not carry on white."""

UNSURE = 1_000
"""The number of a curve, or a part of one, that is not to be trusted: grey."""
_GREY: Rgb = (128, 128, 128)

DASHES: dict[str, tuple[int, ...]] = {
    "solid": (),
    "dashed": (5, 3),
    "dotted": (1, 2),
    "dash-dot": (6, 2, 2, 2),
    "long-dash": (9, 3),
    "dash-dot-dot": (6, 2, 1, 2, 1, 4),
    "short-dash": (2, 2),
    "wide-dot": (1, 5),
}
"""On and off lengths of each pattern, in dots of the character grid (about 1.3 pt on paper)."""

DASH_NAMES: tuple[str, ...] = tuple(DASHES)


def colour(order: int, *, dark: bool) -> Rgb:
    """The 8-bit RGB of curve number `order` (≥ 0) on a dark or a light ground; repeats after 7.

    `UNSURE` is grey on either.
    """
    if order == UNSURE:
        return _GREY
    palette = ON_DARK if dark else ON_LIGHT
    return palette[order % len(palette)]


def hex_colour(order: int, *, dark: bool) -> str:
    """The same as `#rrggbb`."""
    return "#{:02x}{:02x}{:02x}".format(*colour(order, dark=dark))


def dash_name(order: int) -> str:
    """The dash pattern of curve number `order` (≥ 0); repeats after 8, out of step with colour."""
    return DASH_NAMES[order % len(DASH_NAMES)]
