"""Subwoofer arrays to start from: where the boxes stand, how they are delayed, what it does.

Boxes are taken as points in free field: a sum of delayed point sources. Walls, stages and the
boxes' own directivity change what is heard; nothing here says that boxes may be stacked or flown.
"""

from __future__ import annotations

import math
from typing import Final, Literal

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from xover.model.problems import Refused
from xover.model.units import plain, ratio_from_db, show_hz, show_m, signed

Floats = NDArray[np.float64]
Kind = Literal["endfire", "gradient", "arc"]
Grow = Literal["back", "forward"]

ENDFIRE_COUNTS: Final = (2, 6)
GRADIENT_COUNTS: Final = (2, 4)
ARC_COUNTS: Final = (2, 32)
CLOSE_PART: Final = 3.0
"""Neighbours within λ/3 of the highest frequency make no lobes: common practice, no source."""
FAR_PART: Final = 2.0
"""From λ/2 on a line has lobes to its sides, and a pair a null in front: see `spacing_notes`."""
SHOWN_FLOOR_DB: Final = -60.0
"""A null is shown as this deep."""


class Element(Struct, frozen=True):
    """One place of an array, seen from where the pattern's box stands."""

    ahead_m: float
    """Towards the audience, in the direction of the array."""
    right_m: float
    delay_ms: float
    """≥ 0, on top of the pattern's."""
    gain_db: float = 0.0
    inverted: bool = False
    boxes: int = 1
    """How many times the pattern's quantity."""
    turned: bool = False
    """Faces away from the audience."""
    home: bool = False
    """The pattern's own output plays here."""


class Layout(Struct, frozen=True):
    """An array without a preset: its elements, and what was asked of it."""

    kind: Kind
    elements: tuple[Element, ...]
    """From the rear to the front, or from left to right."""
    spacing_m: float
    speed_m_s: float
    angle_deg: float | None = None
    """The wanted coverage of an arc."""

    @property
    def largest(self) -> float:
        """All boxes in phase, as a factor on one of them."""
        return float(sum(_weight(item) for item in self.elements))


def quarter_wave_m(frequency_hz: float, speed_m_s: float) -> float:
    """c/(4f): the spacing at which a quarter of a period passes between neighbours."""
    return speed_m_s / (4.0 * frequency_hz)


def endfire(count: int, spacing_m: float, speed_m_s: float, *, grow: Grow = "back") -> Layout:
    """`count` boxes one behind the other, element n from the rear delayed by n·d/c.

    In front all arrive together at every frequency. Growing back the pattern's box is the front
    one, growing forward the rear one. Raises `Refused` for fewer than 2 or more than 6.
    """
    _count(count, ENDFIRE_COUNTS, "an end-fire array")
    _spacing(spacing_m)
    home = count - 1 if grow == "back" else 0
    return Layout(
        "endfire",
        tuple(
            Element(
                ahead_m=(n - home) * spacing_m,
                right_m=0.0,
                delay_ms=1000.0 * n * spacing_m / speed_m_s,
                home=n == home,
            )
            for n in range(count)
        ),
        spacing_m,
        speed_m_s,
    )


def gradient(
    count: int,
    spacing_m: float,
    speed_m_s: float,
    *,
    rear_trim_db: float = 0.0,
    grow: Grow = "back",
) -> Layout:
    """Boxes at the rear inverted and delayed by d/c, so that they cancel what goes backwards.

    2: one and one. 3: two at the front, one at the rear, all driven alike. 4: one, two inverted in
    the middle, one at the rear delayed by 2·d/c, the second-order gradient. `rear_trim_db` goes to
    all but the front. Raises `Refused` for other counts.
    """
    _count(count, GRADIENT_COUNTS, "a gradient array")
    _spacing(spacing_m)
    step_ms = 1000.0 * spacing_m / speed_m_s
    boxes = {2: (1, 1), 3: (1, 2), 4: (1, 2, 1)}[count]
    last = len(boxes) - 1
    home = last if grow == "back" else 0
    return Layout(
        "gradient",
        tuple(
            Element(
                ahead_m=(n - home) * spacing_m,
                right_m=0.0,
                delay_ms=(last - n) * step_ms,
                gain_db=0.0 if n == last else (last - n) * rear_trim_db,
                inverted=(last - n) % 2 == 1,
                boxes=boxes[n],
                turned=n < last,
                home=n == home,
            )
            for n in range(len(boxes))
        ),
        spacing_m,
        speed_m_s,
    )


def arc(count: int, spacing_m: float, angle_deg: float, speed_m_s: float) -> Layout:
    """A straight line of `count` boxes delayed as if they stood on an arc that spans `angle_deg`.

    The arc through the middle whose ends look ±angle/2 outwards has the radius
    R = x_end/sin(angle/2); a box at x stands R − √(R² − x²) behind the line and is delayed by
    that way. Raises `Refused` for fewer than 2 or more than 32, or an angle beyond 0…180°.
    """
    _count(count, ARC_COUNTS, "an arc")
    _spacing(spacing_m)
    if not 0.0 <= angle_deg <= 180.0:
        raise Refused.at("", "the coverage of an arc must be between 0 and 180°")
    end_m = 0.5 * (count - 1) * spacing_m
    sine = math.sin(math.radians(angle_deg) / 2.0)
    places_m = [(n - 0.5 * (count - 1)) * spacing_m for n in range(count)]
    nearest_m = min(abs(x_m) for x_m in places_m)

    def depth_m(x_m: float) -> float:
        # R − √(R² − x²) = x²·sin²/(…): in this form it also holds for the straight line, R = ∞.
        share = x_m * sine / end_m
        return x_m * share / (1.0 + math.sqrt(max(0.0, 1.0 - share * share)))

    first_m = depth_m(nearest_m)
    return Layout(
        "arc",
        tuple(
            Element(
                ahead_m=0.0,
                right_m=x_m,
                delay_ms=1000.0 * (depth_m(x_m) - first_m) / speed_m_s,
                home=math.isclose(abs(x_m), nearest_m, abs_tol=1e-9),
            )
            for x_m in places_m
        ),
        spacing_m,
        speed_m_s,
        angle_deg,
    )


def rear_trim_for_distance_db(behind_m: float, spacing_m: float, *, front_boxes: int = 1) -> float:
    """The rear's trim for a null `behind_m` behind it instead of far away: 20·log10(n·D/(D + d)).

    There the rear box is nearer than the `front_boxes` (n), and louder by the inverse distance law.
    """
    if not behind_m > 0.0:
        raise Refused.at("", "the place of the null must lie behind the array: more than 0 m")
    return 20.0 * math.log10(front_boxes * behind_m / (behind_m + spacing_m))


def compass(layout: Layout, frequency_hz: Floats, angle_deg: Floats) -> NDArray[np.complex128]:
    """(f, a) the far-field sum re one box, at angles clockwise from the front.

    Σ g·e^(j(k·x·u − ω·τ)): the sum of delayed point sources (Beranek, *Acoustics*; Olson,
    *Acoustical Engineering*; from memory).
    """
    k = 2.0 * math.pi * frequency_hz / layout.speed_m_s
    turn = np.radians(angle_deg)
    total = np.zeros((frequency_hz.size, angle_deg.size), dtype=np.complex128)
    for item in layout.elements:
        nearer_m = item.ahead_m * np.cos(turn) + item.right_m * np.sin(turn)
        late_m = layout.speed_m_s * item.delay_ms / 1000.0
        sign = -1.0 if item.inverted else 1.0
        total += sign * _weight(item) * np.exp(1j * np.outer(k, nearer_m - late_m))
    return total


def level_db(response: NDArray[np.complex128]) -> Floats:
    """20·log10 of a sum, its nulls at the floor."""
    floor = 10.0 ** (SHOWN_FLOOR_DB / 20.0)
    return np.asarray(20.0 * np.log10(np.maximum(np.abs(response), floor)))


def front_to_back_db(layout: Layout, frequency_hz: Floats) -> Floats:
    """(f,) how much louder it is in front than behind, in dB."""
    levels = level_db(compass(layout, frequency_hz, np.array([0.0, 180.0])))
    return np.asarray(levels[:, 0] - levels[:, 1])


def coverage_deg(layout: Layout, frequency_hz: Floats, drop_db: float = 6.0) -> Floats:
    """(f,) the whole angle about the front within which no more than `drop_db` is lost.

    Against the loudest in the front half; 360 where it is lost nowhere.
    """
    angles = np.arange(0.0, 180.5, 0.5)
    levels = level_db(compass(layout, frequency_hz, angles))
    other = level_db(compass(layout, frequency_hz, -angles))
    lost = np.minimum(levels, other)
    reference = np.maximum(levels, other)[:, angles <= 90.0].max(axis=1)
    inside = lost >= reference[:, None] - drop_db
    ends = np.where(inside.all(axis=1), len(angles) - 1, np.argmin(inside, axis=1) - 1)
    return np.asarray(2.0 * angles[np.maximum(ends, 0)])


def spacing_notes(layout: Layout, highest_hz: float, lowest_hz: float) -> tuple[str, ...]:
    """What the spacing means for the band that is played, in sentences."""
    d, c = layout.spacing_m, layout.speed_m_s
    notes: list[str] = []
    wave_m = c / highest_hz
    share = d / wave_m
    if share > 1.0 / FAR_PART:
        what = {
            "endfire": f"from {show_hz(c / (2.0 * d))} on it is as loud behind as in front",
            "gradient": f"at {show_hz(c / (2.0 * d))} it cancels in front",
            "arc": "it has lobes of their own to the sides",
        }[layout.kind]
        notes.append(
            f"{show_m(d)} between boxes is more than half a wavelength at {show_hz(highest_hz)} "
            f"({show_m(wave_m / 2.0)}): {what}; move the boxes closer or lower the low-pass"
        )
    elif share > 1.0 / CLOSE_PART:
        notes.append(
            f"{show_m(d)} between boxes is more than a third of the wavelength at "
            f"{show_hz(highest_hz)} ({show_m(wave_m / 3.0)}): common practice is less"
        )
    if layout.kind == "gradient":
        low_hz, high_hz = c / (8.0 * d), 3.0 * c / (8.0 * d)
        if lowest_hz < low_hz or highest_hz > high_hz:
            notes.append(
                "a pair gains 3 dB and more in front only between "
                f"{show_hz(low_hz)} and {show_hz(high_hz)} at this spacing; the band played is "
                f"{show_hz(lowest_hz)} to {show_hz(highest_hz)}"
            )
        rear, front = layout.elements[0], layout.elements[-1]
        missing_db = 20.0 * math.log10(_weight(front) / _weight(rear))
        if front.boxes > rear.boxes and missing_db > 0.1:
            notes.append(
                "two boxes face one, so what goes backwards is not cancelled whole; the rear box "
                f"would need {signed(missing_db, 1)} dB more, which its driver must bear"
            )
        if rear.gain_db > 0.0:
            notes.append(
                f"the rear box works {plain(rear.gain_db, 1)} dB harder than the others and "
                "reaches its limiter first: beyond that the array turns round; check its limits"
            )
    if layout.kind == "arc" and layout.angle_deg:
        length_m = d * (len(layout.elements) - 1)
        if length_m < c / lowest_hz / 2.0:
            notes.append(
                f"the line of {show_m(length_m)} is shorter than half a wavelength at "
                f"{show_hz(lowest_hz)}, so down there it spreads all around whatever the delays"
            )
    return tuple(notes)


def _weight(item: Element) -> float:
    return item.boxes * ratio_from_db(item.gain_db)


def _count(count: int, limits: tuple[int, int], what: str) -> None:
    low, high = limits
    if not low <= count <= high:
        raise Refused.at("", f"{what} has {low} to {high} boxes or places, not {count}")


def _spacing(spacing_m: float) -> None:
    if not 0.1 <= spacing_m <= 20.0:
        raise Refused.at(
            "",
            f"{plain(spacing_m, 2)} m between boxes is out of reason; give 0.1 to 20 m, or a "
            "frequency to derive it from",
        )
