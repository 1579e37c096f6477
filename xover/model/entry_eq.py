"""Cells that hold an equaliser section: read as people type them, shown in one style.

Pieces that are not typed come from the cell's present value. Defaults where there is none are
common practice, no source: Q 2 for peaks and band-passes, 10 for notches, 0.7071 for all else.
"""

from __future__ import annotations

import math
import re

from msgspec import UNSET, UnsetType

from xover.model.entry_text import (
    FREQUENCY,
    NOTHING,
    NUMBER,
    OFF_WORDS,
    UNSIGNED,
    WHOLE,
    Context,
    Precision,
    either,
    figure,
    filter_frequency,
    in_range,
    read_frequency,
    read_number,
    show_frequency,
    tokens,
    typed,
)
from xover.model.names import quoted
from xover.model.processing import EqSection
from xover.model.ranges import Gain, Q
from xover.model.words import EQ_SHAPES, EqKind

EQ_EXAMPLES = "peak 46 −3 q2, ls 100 +4, ap 80 q0.7, off"

EQ_SHORT: dict[EqKind, str] = {
    "peak": "peak",
    "low_shelf": "ls",
    "high_shelf": "hs",
    "notch": "notch",
    "band_pass": "bp",
    "all_pass": "ap",
    "low_pass": "lp",
    "high_pass": "hp",
}
DEFAULT_Q: dict[EqKind, float] = {"peak": 2.0, "notch": 10.0, "band_pass": 2.0}
"""Common practice, no source; every other kind takes `OTHER_Q`."""
OTHER_Q = 0.7071
"""Of shelves and passes; steepest without overshoot, maximally flat."""

_KIND_WORDS: dict[str, EqKind] = {
    "peak": "peak",
    "pk": "peak",
    "bell": "peak",
    "ls": "low_shelf",
    "lowshelf": "low_shelf",
    "hs": "high_shelf",
    "highshelf": "high_shelf",
    "notch": "notch",
    "bp": "band_pass",
    "bandpass": "band_pass",
    "ap": "all_pass",
    "allpass": "all_pass",
    "lp": "low_pass",
    "lpf": "low_pass",
    "lowpass": "low_pass",
    "hp": "high_pass",
    "hpf": "high_pass",
    "highpass": "high_pass",
}
_EQ = (
    r"(?P<first>(?:1st|first)[- ]order)|(?P<second>(?:2nd|second)[- ]order)"
    r"|(?P<sloped>low[- ]?shelf|high[- ]?shelf|all[- ]?pass|low[- ]?pass|high[- ]?pass"
    r"|lpf|hpf|ls|hs|ap|lp|hp)(?:(?P<order>12|6|1|2)(?![0-9k]|[.,][0-9]))?(?![a-z])"
    r"|(?P<kind>band[- ]?pass|bell|peak|pk|notch|bp)(?![a-z])"
    r"|(?P<bypassed>bypassed|bypass|byp)(?![a-z])|(?P<active>active|on)(?![a-z])"
    rf"|q ?=? ?(?P<q>{NUMBER}){WHOLE}"
    rf"|(?:(?P<top>[0-9]{{1,3}})/(?P<bottom>[0-9]{{1,3}})|(?P<octaves>{UNSIGNED}))"
    r"[ -]?oct(?:aves?)?(?![a-z0-9])"
    rf"|{FREQUENCY}"
    rf"|(?P<gain>{NUMBER}) ?db(?![a-z0-9])"
    rf"|(?P<number>{NUMBER}){WHOLE}"
)


def parse_eq(text: str, context: Context) -> EqSection | None:
    """An EQ section: `peak 46 -3 q2`, `ls 100 +4`, `ls6 100 +4`, `ap 80 1/3 oct`, `off`.

    Bare figures: one with a sign is the gain, of those without the first is the frequency. What
    names a frequency is not bypassed unless it says so. A kind takes its own usual Q, and its
    order 2, when it changes.
    """
    tidied = typed(text, context, _eq_problem)
    if tidied in OFF_WORDS:
        return None
    pieces = tokens(re.compile(_EQ), tidied)
    read = None if pieces is None else _Pieces.read(pieces, context)
    if read is None:
        raise context.refused(f"{quoted(text)} is not an EQ section; {_eq_problem()}")
    return read.section(text, context)


def _eq_problem() -> str:
    return f"type peak, ls, hs, notch, bp, ap, lp or hp, such as {either(EQ_EXAMPLES)}"


class _Pieces:
    """What was typed of a section; None for what was not."""

    def __init__(self) -> None:
        self.kind: EqKind | None = None
        self.order: int | None = None
        self.frequency_hz: float | None = None
        self.gain_db: float | None = None
        self.q: float | None = None
        self.octaves: float | None = None
        self.bypassed: bool | None = None

    @classmethod
    def read(cls, pieces: list[re.Match[str]], context: Context) -> _Pieces | None:
        """The pieces put to their fields; None where one comes twice."""
        found = cls()
        bare: list[str] = []
        for piece in pieces:
            if piece["number"] is not None:
                bare.append(piece["number"])
            elif not found._put(piece, context):
                return None
        for number in bare:
            value = read_number(number, context)
            if number[0] not in "+-" and found.frequency_hz is None:
                found.frequency_hz = value
            elif found.gain_db is None:
                found.gain_db = value
            else:
                return None
        return found

    def _put(self, piece: re.Match[str], context: Context) -> bool:
        """Take one piece; False where its field is taken."""
        if piece["first"] is not None or piece["second"] is not None:
            return self._set("order", 1 if piece["first"] is not None else 2)
        word = piece["sloped"] or piece["kind"]
        if word is not None:
            fits = self._set("kind", _KIND_WORDS[word.replace("-", "").replace(" ", "")])
            if piece["order"] is None:
                return fits
            return fits and self._set("order", 1 if piece["order"] in ("6", "1") else 2)
        if piece["bypassed"] is not None or piece["active"] is not None:
            return self._set("bypassed", piece["bypassed"] is not None)
        if piece["q"] is not None:
            return self._set("q", read_number(piece["q"], context))
        if piece["top"] is not None:
            bottom = int(piece["bottom"])
            return bottom > 0 and self._set("octaves", int(piece["top"]) / bottom)
        if piece["octaves"] is not None:
            return self._set("octaves", read_number(piece["octaves"], context))
        if piece["gain"] is not None:
            return self._set("gain_db", read_number(piece["gain"], context))
        return self._set("frequency_hz", read_frequency(piece, context))

    def _set(self, name: str, value: float | str) -> bool:
        if getattr(self, name) is not None:
            return False
        setattr(self, name, value)
        return True

    def section(self, text: str, context: Context) -> EqSection:
        """The whole section, with what the cell holds and the defaults filled in."""
        present = context.present if isinstance(context.present, EqSection) else None
        kind = self.kind or (present.kind if present else "peak")
        same = present if present is not None and present.kind == kind else None
        frequency_hz = self.frequency_hz
        if frequency_hz is None:
            if present is None:
                raise context.refused(
                    f"{quoted(text)} names no frequency, and the cell holds none; "
                    f"type for instance {either(EQ_EXAMPLES)}"
                )
            frequency_hz = present.frequency_hz
        bypassed = self.bypassed
        if bypassed is None:
            bypassed = self.frequency_hz is None and present is not None and present.bypassed
        order = self._order(kind, same, text, context)
        return EqSection(
            kind=kind,
            frequency_hz=filter_frequency(frequency_hz, context),
            gain_db=self._gain(kind, present, text, context),
            q=self._q(kind, order, same, text, context),
            order=order,
            bypassed=bypassed,
        )

    def _order(self, kind: EqKind, same: EqSection | None, text: str, context: Context) -> int:
        orders = EQ_SHAPES[kind].orders
        order = self.order
        if order is None:
            stated = self.q is not None or self.octaves is not None
            order = 2 if stated or same is None else same.effective_order
        if order not in orders:
            raise context.refused(
                f"{quoted(text)}: {EQ_SHORT[kind]} is of order {_either(orders)} here; "
                "first order exists for ls6, hs6 and ap6"
            )
        if order == 1 and (self.q is not None or self.octaves is not None):
            raise context.refused(
                f"{quoted(text)}: a section of first order has no Q; leave it out, or type "
                f"{EQ_SHORT[kind]} for second order"
            )
        return order

    def _gain(
        self, kind: EqKind, present: EqSection | None, text: str, context: Context
    ) -> float | UnsetType:
        if not EQ_SHAPES[kind].has_gain:
            if self.gain_db is not None:
                raise context.refused(
                    f"{quoted(text)}: {EQ_SHORT[kind]} has no gain; leave it out, or start with "
                    "a kind that has one: peak, ls or hs"
                )
            return UNSET
        if self.gain_db is not None:
            return in_range(self.gain_db, Gain, "gain", context)
        return present.gain_or_zero_db if present is not None else 0.0

    def _q(
        self, kind: EqKind, order: int, same: EqSection | None, text: str, context: Context
    ) -> float | UnsetType:
        if order == 1:
            return UNSET
        if self.q is not None and self.octaves is not None:
            raise context.refused(f"{quoted(text)} gives both a Q and octaves; leave one out")
        if self.octaves is not None:
            if kind not in ("peak", "notch", "band_pass", "all_pass"):
                raise context.refused(
                    f"{quoted(text)}: {EQ_SHORT[kind]} has no bandwidth in octaves; "
                    "give its Q, such as q0.7"
                )
            return q_from_octaves(self.octaves, context)
        if self.q is not None:
            return in_range(self.q, Q, "Q", context)
        if same is not None and same.q is not UNSET:
            return float(same.q)
        return DEFAULT_Q.get(kind, OTHER_Q)


def _either(orders: tuple[int, ...]) -> str:
    return " or ".join(str(order) for order in orders)


def q_from_octaves(octaves: float, context: Context) -> float:
    """The Q of a bandwidth in octaves: 1/Q = 2·sinh(ln 2/2·N), the analogue prototype.

    Half-gain points of a peak, 3 dB points of notch and band-pass. Source: R. Bristow-Johnson,
    "Audio EQ Cookbook" (W3C Note, 8 June 2021), without its warp of the bilinear transform.
    """
    if not 0.0 < octaves <= 10.0:
        raise context.refused("a bandwidth lies above 0 and at most 10 octaves, such as 1/3 oct")
    return in_range(1.0 / (2.0 * math.sinh(math.log(2.0) / 2.0 * octaves)), Q, "Q", context)


def show_eq(item: EqSection | None, precision: Precision = None) -> str:
    """`peak 46 −3.0 q2`, `ls6 100 +4.0`, `notch 50 q10 bypassed`, `–` for none."""
    if item is None:
        return NOTHING
    kind = EQ_SHORT[item.kind] + ("6" if item.effective_order == 1 else "")
    parts = [kind, show_frequency(item.frequency_hz, precision)]
    if item.gain_db is not UNSET:
        parts.append(figure(float(item.gain_db), 1, precision, plus=True))
    if item.q is not UNSET:
        places = 2 if precision else 1
        parts.append("q" + figure(float(item.q), 0, None if precision is None else places))
    if item.bypassed:
        parts.append("bypassed")
    return " ".join(parts)
