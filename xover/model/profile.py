"""The processor profile: what one kind of processor can be given, in its own units and steps.

Written once by hand from a manual. Frozen; field meanings are those of
`docs/processor-format.md`, the order of fields is the order in the file. What no single field
can state is in `model.profile_rules`, the arithmetic of steps in `model.grids`.
"""

from __future__ import annotations

from typing import Annotated, Final, Literal

from msgspec import UNSET, Meta, Struct, UnsetType

from xover.model.ranges import Count, DelayMs, LevelDbu, Name, SampleRateHz, TemperatureC
from xover.model.words import EqKind, FirstOrderKind

FORMAT: Final = "xover-processor"
VERSION: Final = 1

Finite = Annotated[float, Meta(ge=-1e6, le=1e6)]
Positive = Annotated[float, Meta(gt=0.0, le=1e6)]
Bands = Annotated[int, Meta(ge=0, le=1_000)]

DelayUnit = Literal["ms", "samples", "m", "ft"]
Normalisation = Literal["magnitude", "phase", "delay"]
WidthUnit = Literal["q", "bandwidth_octaves"]
WidthConvention = Literal["half-gain", "minus-3-db", "from-flat-3-db", "denominator", "constant-q"]
ShelfCorner = Literal["half-gain", "3-db-from-flat", "3-db-from-plateau"]
ShelfWidthUnit = Literal["q", "slope"]
HighFrequency = Literal["bilinear", "bilinear-width-corrected", "analogue-matched", "unknown"]
ThresholdUnit = Literal["dbu", "dbv", "dbfs", "v"]
Reads = Literal["sine-rms", "peak"]
LimiterPosition = Literal["before-gain", "after-gain"]

GAIN_DEPENDENT: tuple[WidthConvention, ...] = ("minus-3-db", "from-flat-3-db")
"""Conventions that are singular near 3.01 dB and hold from `SMALL_GAIN_DB` up."""
SMALL_GAIN_DB = 6.0


class Grid(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The values a setting can take, in one of three forms.

    `min`, `max` and `step`: min + k·step; `min`, `max` and `per_octave`: min·2^(k/per_octave);
    or `values` alone, rising. Never above `max`.
    """

    min: Finite | UnsetType = UNSET
    max: Finite | UnsetType = UNSET
    step: Positive | UnsetType = UNSET
    per_octave: Positive | UnsetType = UNSET
    values: tuple[Finite, ...] | UnsetType = UNSET


class Steps(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Evenly spaced values: min + k·step, never above `max`."""

    min: Finite
    max: Finite
    step: Positive


class DelaySetting(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Delay as the processor takes it, from 0 in steps to `max`, in its own unit."""

    unit: DelayUnit
    max: Positive
    step: Positive
    air_temperature_c: TemperatureC = 20.0


class CrossoverSetting(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """High-pass and low-pass: the slopes of each family, how Bessel corners are meant, the grid."""

    families: dict[str, tuple[int, ...]]
    bessel_normalisation: Normalisation = "magnitude"
    frequency_hz: Grid


class WidthSetting(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The width of a peak section: unit, what is meant by it, and its values."""

    unit: WidthUnit
    convention: WidthConvention = "half-gain"
    values: Grid


class ShelfWidthSetting(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The steepness of a second-order shelf."""

    unit: ShelfWidthUnit
    values: Grid


class EqSetting(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The equaliser: how many bands, which kinds of second and first order, their values."""

    bands_per_output: Bands
    bands_per_input: Bands = 0
    kinds: tuple[EqKind, ...]
    first_order_kinds: tuple[FirstOrderKind, ...] = ()
    frequency_hz: Grid
    gain_db: Steps
    width: WidthSetting
    small_gain_convention: WidthConvention | None = None
    shelf_corner: ShelfCorner = "half-gain"
    shelf_width: ShelfWidthSetting | None = None
    high_frequency: HighFrequency = "unknown"


class ThresholdSetting(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A limiter's threshold: unit, steps, and whether the figure is an rms or a peak level."""

    unit: ThresholdUnit
    min: Finite
    max: Finite
    step: Positive
    reads: Reads


class LimitSetting(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One limiter: its threshold and its times."""

    threshold: ThresholdSetting
    attack_ms: Grid
    release_ms: Grid


class LimiterSetting(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The limiters of an output, and whether they sit before or after its gain."""

    rms: LimitSetting | None = None
    peak: LimitSetting | None = None
    position: LimiterPosition


class Profile(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A whole profile; the order of the fields is the order in the file."""

    format: Literal["xover-processor"] = FORMAT
    version: Literal[1] = VERSION
    name: Name
    inputs: Count
    outputs: Count
    sample_rates_hz: tuple[SampleRateHz, ...]
    internal_sample_rate_hz: SampleRateHz | None = None
    latency_ms: DelayMs = 0.0
    name_characters: Count | None = None
    full_scale_dbu: LevelDbu | None = None
    gain_db: Steps
    delay: DelaySetting
    polarity: bool = True
    crossover: CrossoverSetting
    eq: EqSetting
    limiter: LimiterSetting | None = None
