"""What is entered into a processor: inputs, matrix, output stages, groups, the air.

Field meanings and units are those of `docs/preset-format.md`; the order of fields is the order
in the file. Signal order: input (gain, polarity, delay, eq) → matrix → output (gain, polarity,
delay, high-pass, low-pass, eq, limiter).
Annotations here are types, never text, which msgspec would evaluate at every start (decision 0017).
"""

from msgspec import UNSET, Struct, UnsetType
from msgspec.structs import force_setattr

from xover.model.ranges import (
    ChannelNumber,
    DelayMs,
    FilterFrequencyHz,
    Gain,
    HumidityPercent,
    LevelDbu,
    Line,
    Name,
    PressureKpa,
    Q,
    RouteGain,
    TemperatureC,
    TimeConstantMs,
)
from xover.model.words import EQ_SHAPES, EqKind, Family, Polarity, Stage

_WITH_ORDER = frozenset(kind for kind, shape in EQ_SHAPES.items() if shape.has_order)
_WITHOUT_ORDER = frozenset(EQ_SHAPES) - _WITH_ORDER


class Air(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The weather between box and ear."""

    temperature_c: TemperatureC = 20.0
    relative_humidity_percent: HumidityPercent = 50.0
    pressure_kpa: PressureKpa = 101.325


class EqSection(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One equaliser section; `gain_db`, `q` and `order` are set only where the kind has them.

    `order` settles itself on construction: 2 where the kind has a choice and none was named,
    unset where it has none.
    """

    kind: EqKind
    frequency_hz: FilterFrequencyHz
    gain_db: Gain | UnsetType = UNSET
    q: Q | UnsetType = UNSET
    order: int | UnsetType = UNSET
    bypassed: bool = False

    def __post_init__(self) -> None:
        if self.order is UNSET:
            if self.kind in _WITH_ORDER:
                force_setattr(self, "order", 2)
        elif self.order == 2 and self.kind in _WITHOUT_ORDER:
            force_setattr(self, "order", UNSET)

    @property
    def effective_order(self) -> int:
        """1 or 2, whether or not the kind has a choice."""
        return 2 if self.order is UNSET else int(self.order)

    @property
    def gain_or_zero_db(self) -> float:
        """The gain in dB, 0 for kinds without one."""
        return 0.0 if self.gain_db is UNSET else float(self.gain_db)

    @property
    def q_or_one(self) -> float:
        """Q, 1 for first-order sections, which have none."""
        return 1.0 if self.q is UNSET else float(self.q)


class Crossover(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A crossover filter. `frequency_hz` is its −3.01 dB point, −6.02 dB for Linkwitz-Riley."""

    family: Family
    slope_db_per_octave: int
    frequency_hz: FilterFrequencyHz


class Limit(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One limiter: hard knee, infinite ratio, times as one-pole time constants (63 %).

    `threshold_dbu` is an rms level; for a peak limiter the rms of the sine with that peak.
    """

    threshold_dbu: LevelDbu
    attack_ms: TimeConstantMs
    release_ms: TimeConstantMs


class Limiter(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """An output's two limiters."""

    rms: Limit | None = None
    peak: Limit | None = None


class Input(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """An input of the processor."""

    name: Name
    channel: ChannelNumber | None = None
    gain_db: Gain = 0.0
    polarity: Polarity = "normal"
    delay_ms: DelayMs = 0.0
    eq: tuple[EqSection, ...] = ()
    nominal_dbu: LevelDbu | None = None


class Output(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """An output of the processor; `inputs` maps input names to route gains in dB."""

    name: Name
    channel: ChannelNumber | None = None
    patch: Line = ""
    inputs: dict[str, RouteGain] = {}
    gain_db: Gain = 0.0
    polarity: Polarity = "normal"
    delay_ms: DelayMs = 0.0
    latency_ms: DelayMs = 0.0
    muted: bool = False
    high_pass: Crossover | None = None
    low_pass: Crossover | None = None
    eq: tuple[EqSection, ...] = ()
    limiter: Limiter | None = None
    locked: tuple[Stage, ...] = ()


class Group(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Outputs that are set together in the stages they follow."""

    name: Name
    outputs: tuple[Name, ...] = ()
    follow: tuple[Stage, ...] = ()


class Stimulus(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What predictions assume is played: a level in dB for each driven input."""

    inputs: dict[str, Gain] = {}
    correlated: bool = True
