"""What an alignment answers: the settings, what they win, what else would do, how sure it is."""

from __future__ import annotations

from msgspec import Struct

from xover.design.delay_search import Criterion
from xover.design.parts import Basis
from xover.model.changes import Setting
from xover.model.drive import Drive
from xover.model.processing import EqSection
from xover.model.words import Polarity


class Alternative(Struct, frozen=True):
    """Another setting: what it is, what would be entered, and what it loses at each listener."""

    kind: str
    """"candidate", or "quadrature" for the flat setting of an odd-order Butterworth pair."""
    polarity: Polarity
    delay_ms: float
    delayed_output: str
    loss_after_db: dict[str, float | None]
    group_delay_difference_ms: float
    at_limit: bool


class LossCurve(Struct, frozen=True):
    """The loss against frequency in the overlap with one partner at one listener."""

    listener: str
    partner: str
    frequency_hz: tuple[float, ...]
    loss_before_db: tuple[float, ...]
    loss_after_db: tuple[float, ...]


class AllPass(Struct, frozen=True):
    """An all-pass section that is part of the answer, and what the answer would be without it.

    `buys_db` is what the criterion gains over the plain setting that follows.
    """

    section: EqSection
    buys_db: float
    polarity: Polarity
    delay_ms: float
    delayed_output: str
    loss_after_db: dict[str, float | None]


class Hint(Struct, frozen=True):
    """A change of crossover filters that would lose less than any delay can."""

    move: str
    to: str
    sentence: str
    changes: tuple[tuple[str, float | str, float | str], ...]
    """(place in the file, what stands there, what would)."""
    loss_db: float
    instead_of_db: float


class PairAlignment(Struct, frozen=True):
    """One moved output against the reference.

    `delay_ms` ≥ 0 is added to `delayed_output`; `polarity` is the moved output's field after
    applying; `relative_delay_ms` is the moved output's delay relative to the reference, on top of
    today's. `tolerance_ms` is (earlier, later) until the mean loss grows by 1 dB, None = never.
    Losses are None at a listener where the output overlaps with nothing.
    """

    move: str
    to: str
    polarity: Polarity
    delay_ms: float
    delayed_output: str
    relative_delay_ms: float
    inverted: bool
    bands_hz: tuple[tuple[float, float], ...]
    loss_before_db: dict[str, float | None]
    loss_after_db: dict[str, float | None]
    loss_curves: tuple[LossCurve, ...]
    tolerance_ms: tuple[float | None, float | None]
    tolerance_m: float | None
    tolerance_movement_m: dict[str, dict[str, float | None]] | None
    """By listener, along x, y and z; None where an output has no source."""
    tolerance_c: float | None
    basis: dict[str, Basis]
    basis_at: dict[str, dict[str, Basis]]
    ambiguous: bool
    at_limit: bool
    alternatives: tuple[Alternative, ...]
    spread_ms: tuple[float, float] | None
    all_pass: AllPass | None
    notes: tuple[str, ...]


class MovedPart(Struct, frozen=True):
    """One output's share of a setting of all."""

    move: str
    relative_delay_ms: float
    inverted: bool
    polarity: Polarity


class RunnerUp(Struct, frozen=True):
    """Another setting of all moved outputs together, and its criterion in dB."""

    parts: tuple[MovedPart, ...]
    loss_db: float


class Alignment(Struct, frozen=True):
    """The whole answer: one result a moved output, and the final settings of every output."""

    results: tuple[PairAlignment, ...]
    settings: dict[str, Setting]
    sections: dict[str, EqSection]
    """All-pass sections to be added, by moved output; their EQ groups get the same."""
    criterion: Criterion
    weights: dict[str, float]
    loss_db: float
    """The criterion over everything that counts."""
    runners_up: tuple[RunnerUp, ...]
    hints: tuple[Hint, ...]
    drive: Drive
    notes: tuple[str, ...]

    @property
    def ambiguous(self) -> bool:
        """Whether any result has a rival as good."""
        return any(result.ambiguous for result in self.results)
