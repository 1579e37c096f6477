"""Loudspeakers, amplifiers, sources, listeners and what was measured: the rig and the room.

Field meanings and units are those of `docs/preset-format.md`; the order of fields is the order
in the file. Nothing here computes.
Annotations here are types, never text, which msgspec would evaluate at every start (decision 0017).
"""

from msgspec import Struct

from xover.model.processing import Air, Input, Output
from xover.model.ranges import (
    AreaMm2,
    Attenuation,
    AzimuthDeg,
    Coherence,
    Count,
    CoverageDeg,
    DelayMs,
    EdgeDb,
    ElevationDeg,
    FrequencyHz,
    Gain,
    ImpedanceOhm,
    LengthM,
    LevelDbu,
    Line,
    MagnitudeDb,
    Name,
    PhaseDeg,
    PositionM,
    PowerW,
    Prose,
    SampleRateHz,
    SplDb,
    TraceDelayMs,
    VoltageV,
)
from xover.model.words import Basis, Boundary, Captured, Enclosure, Level, Polarity, Space


class Provenance(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Where a trace came from: the file's name, the hash of its bytes, a note, the time."""

    file: Line = ""
    sha256: Line = ""
    note: Prose = ""
    captured_at: Line = ""


class Trace(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A measured or published response, as columns of equal length over ascending frequency.

    `delay_ms` is bulk delay taken out of the phase column: e^(−j2πf·delay) belongs to the
    response. `session` names one capture chain at one time (one time zero, level and latency).
    """

    frequency_hz: tuple[FrequencyHz, ...]
    magnitude_db: tuple[MagnitudeDb, ...]
    phase_deg: tuple[PhaseDeg, ...] | None = None
    coherence: tuple[Coherence, ...] | None = None
    delay_ms: TraceDelayMs = 0.0
    level: Level = "relative"
    session: Name | None = None
    provenance: Provenance = Provenance()


class Power(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A loudspeaker's power rating; program is twice, peak four times continuous where null."""

    continuous: PowerW
    program: PowerW | None = None
    peak: PowerW | None = None
    basis: Basis = "unknown"


class DriverSection(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One driver of a passive multi-way box with a rating of its own."""

    band_hz: tuple[FrequencyHz, FrequencyHz]
    power_w: PowerW
    impedance_ohm: ImpedanceOhm


class OwnResponse(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A box's own response: referred to 1 m and 2.83 V, the flight over `distance_m` out once."""

    trace: Trace
    distance_m: LengthM = 1.0
    flight_removed: bool = True
    drive_v: VoltageV = 2.83


class Loudspeaker(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A kind of box, from its data sheet or from a trace of its own."""

    name: Name
    passband_hz: tuple[FrequencyHz, FrequencyHz]
    passband_edge_db: EdgeDb = -10.0
    enclosure: Enclosure = "unknown"
    sensitivity_db: SplDb | None = None
    sensitivity_space: Space = "free-field"
    max_spl_db: SplDb | None = None
    impedance_ohm: ImpedanceOhm | None = None
    minimum_impedance_ohm: ImpedanceOhm | None = None
    power_w: Power | None = None
    sections: tuple[DriverSection, ...] = ()
    polarity: Polarity = "normal"
    coverage_deg: tuple[CoverageDeg, CoverageDeg] | None = None
    taps_w: tuple[PowerW, ...] = ()
    taps_halve_at_70_v: bool = True
    boxes_per_transformer: Count = 1
    latency_ms: DelayMs = 0.0
    active: bool = False
    sensitivity_dbu: LevelDbu | None = None
    response: OwnResponse | None = None


class Amplifier(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A kind of amplifier: exactly one of `gain_db` and `sensitivity_dbu` is given."""

    name: Name
    gain_db: Gain | None = None
    sensitivity_dbu: LevelDbu | None = None
    power_w: dict[str, PowerW]
    minimum_load_ohm: ImpedanceOhm
    line_v: tuple[VoltageV, ...] = ()
    bridgeable: bool = False
    latency_ms: DelayMs = 0.0


class Cable(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The run from amplifier to box: one-way length and conductor cross-section."""

    length_m: LengthM
    area_mm2: AreaMm2


class AmplifierChannel(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One amplifier channel, fed by one output."""

    name: Name
    amplifier: Name
    output: Name
    bridged: bool = False
    attenuator_db: Attenuation = 0.0
    attenuator_locked: bool = False
    line_v: VoltageV | None = None
    cable: Cable | None = None


class Aim(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Where a box points: 0, 0 is along y, into the audience."""

    azimuth: AzimuthDeg = 0.0
    elevation: ElevationDeg = 0.0


class Source(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Boxes of one kind at one place, fed by one output."""

    name: Name
    output: Name
    loudspeaker: Name
    quantity: Count = 1
    spacing_m: LengthM | None = None
    position_m: PositionM
    aim_deg: Aim = Aim()
    boundary: Boundary = "free"
    polarity: Polarity = "normal"
    amplifier_channel: Name | None = None
    tap_w: PowerW | None = None


class Listener(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A place where somebody sits, or where the microphone stood."""

    name: Name
    position_m: PositionM


class CapturedSettings(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What was in force during a capture: the output and the inputs routed to it."""

    output: Output
    inputs: tuple[Input, ...] = ()


class CapturedPositions(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Where sources and microphone stood during a capture."""

    sources: dict[str, PositionM] = {}
    listener: PositionM | None = None


class Measurement(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One output captured at one listener."""

    output: Name
    listener: Name
    trace: Trace
    captured: Captured
    captured_settings: CapturedSettings | None = None
    driven_inputs: dict[str, Gain] = {}
    captured_input_dbu: LevelDbu | None = None
    captured_sample_rate_hz: SampleRateHz | None = None
    captured_air: Air | None = None
    captured_positions_m: CapturedPositions | None = None
