"""Presets for tests: one that uses every field, and a hypothesis strategy that makes any.

`from tests.strategies import everything, presets`. Every name and figure is invented.
"""

from __future__ import annotations

import unicodedata
from typing import Any, get_args

from hypothesis import strategies as st
from msgspec import UNSET

from xover.model import ranges
from xover.model.names import fold
from xover.model.preset import Preset
from xover.model.processing import (
    Air,
    Crossover,
    EqSection,
    Group,
    Input,
    Limit,
    Limiter,
    Output,
    Stimulus,
)
from xover.model.rig import (
    Aim,
    Amplifier,
    AmplifierChannel,
    Cable,
    CapturedPositions,
    CapturedSettings,
    DriverSection,
    Listener,
    Loudspeaker,
    Measurement,
    OwnResponse,
    Power,
    Provenance,
    Source,
    Trace,
)
from xover.model.words import EQ_SHAPES, FAMILY_SLOPES, Stage


def minimal() -> Preset:
    """The smallest legal preset."""
    return Preset(title="Smallest", inputs=(Input(name="In"),), outputs=(Output(name="Out"),))


def everything() -> Preset:
    """A legal preset in which every field of the format stands with a value of its own."""
    every_eq = (
        EqSection(kind="peak", frequency_hz=112.5, gain_db=-3.0, q=4.3, bypassed=True),
        EqSection(kind="low_shelf", frequency_hz=80.0, gain_db=2.5, q=0.7071, order=2),
        EqSection(kind="high_shelf", frequency_hz=8000.0, gain_db=-1.5, order=1),
        EqSection(kind="notch", frequency_hz=50.0, q=30.0),
        EqSection(kind="band_pass", frequency_hz=1000.0, q=0.05),
        EqSection(kind="all_pass", frequency_hz=90.0, order=1),
        EqSection(kind="all_pass", frequency_hz=90.0, q=1.1, order=2),
        EqSection(kind="low_pass", frequency_hz=18000.0, q=0.6),
        EqSection(kind="high_pass", frequency_hz=20.0, q=1.2),
    )
    limiter = Limiter(
        rms=Limit(threshold_dbu=8.25, attack_ms=250.0, release_ms=1000.0),
        peak=Limit(threshold_dbu=14.5, attack_ms=0.5, release_ms=50.0),
    )
    sub = Output(
        name="Sub",
        channel=3,
        patch="Stage left, multi 3",
        inputs={"Left": -3.0, "Aux ö": 0.0},
        gain_db=1.5,
        polarity="inverted",
        delay_ms=3.42,
        latency_ms=1.07,
        muted=True,
        high_pass=Crossover(family="butterworth", slope_db_per_octave=24, frequency_hz=30.0),
        low_pass=Crossover(family="linkwitz-riley", slope_db_per_octave=24, frequency_hz=100.0),
        eq=every_eq,
        limiter=limiter,
        locked=("high_pass", "limiter"),
    )
    left = Input(
        name="Left",
        channel=1,
        gain_db=-1.0,
        polarity="inverted",
        delay_ms=0.25,
        eq=every_eq[:2],
        nominal_dbu=4.0,
    )
    trace = Trace(
        frequency_hz=(20.0, 25.5, 31.25),
        magnitude_db=(-12.0, -0.0, 3.5),
        phase_deg=(-720.5, 0.0, 1e-5),
        coherence=(0.0, 0.5, 1.0),
        delay_ms=-1.5,
        level="spl",
        session="evening",
        provenance=Provenance(
            file="sub_row7.txt",
            sha256="0" * 64,
            note="two\nlines\tand a tab",
            captured_at="2031-05-04T18:00:00Z",
        ),
    )
    sub_box = Loudspeaker(
        name="Sub 18",
        passband_hz=(32.0, 140.0),
        passband_edge_db=-6.0,
        enclosure="vented",
        sensitivity_db=98.5,
        sensitivity_space="half-space",
        max_spl_db=134.0,
        impedance_ohm=8.0,
        minimum_impedance_ohm=6.1,
        power_w=Power(continuous=800.0, program=1600.0, peak=3200.0, basis="aes"),
        sections=(DriverSection(band_hz=(32.0, 140.0), power_w=800.0, impedance_ohm=8.0),),
        polarity="inverted",
        coverage_deg=(360.0, 180.0),
        taps_w=(50.0, 100.0),
        taps_halve_at_70_v=False,
        boxes_per_transformer=2,
        latency_ms=0.1,
        response=OwnResponse(trace=trace, distance_m=2.0, flight_removed=False, drive_v=4.0),
    )
    own_box = Loudspeaker(
        name="Delay 5",
        passband_hz=(90.0, 18000.0),
        max_spl_db=121.0,
        active=True,
        sensitivity_dbu=6.0,
    )
    return Preset(
        title="Everything “quoted” \\ back",
        venue="Invented Hall",
        author="A. N. Engineer",
        notes="One line.\n\tAnother, with <b>markup</b> and \u202edirection.",
        tags=("spring", "two trucks"),
        based_on="r-000017",
        sample_rate_hz=96000.0,
        air=Air(temperature_c=27.5, relative_humidity_percent=38.0, pressure_kpa=98.2),
        inputs=(left, Input(name="Aux ö")),
        outputs=(sub, Output(name="Delay", inputs={"Left": -6.5})),
        groups=(Group(name="All low", outputs=("Sub", "Delay"), follow=("delay", "gain")),),
        stimulus=Stimulus(inputs={"Left": 0.0, "Aux ö": -10.0}, correlated=False),
        loudspeakers=(sub_box, own_box),
        amplifiers=(
            Amplifier(
                name="Two-channel",
                gain_db=32.0,
                power_w={"8": 1000.0, "4": 1800.0, "2.7": 2200.0},
                minimum_load_ohm=2.7,
                line_v=(70.7, 100.0),
                bridgeable=True,
                latency_ms=0.2,
            ),
            Amplifier(
                name="Install", sensitivity_dbu=4.0, power_w={"8": 200.0}, minimum_load_ohm=4.0
            ),
        ),
        amplifier_channels=(
            AmplifierChannel(
                name="Amp 1 A",
                amplifier="Two-channel",
                output="Sub",
                bridged=True,
                attenuator_db=-3.0,
                attenuator_locked=True,
                line_v=100.0,
                cable=Cable(length_m=40.0, area_mm2=2.5),
            ),
        ),
        sources=(
            Source(
                name="Sub left",
                output="Sub",
                loudspeaker="Sub 18",
                quantity=4,
                spacing_m=0.6,
                position_m=(-4.0, 0.5, -0.0),
                aim_deg=Aim(azimuth=-15.0, elevation=5.0),
                boundary="floor-wall",
                polarity="inverted",
                amplifier_channel="Amp 1 A",
                tap_w=100.0,
            ),
            Source(name="Delay mast", output="Delay", loudspeaker="Delay 5", position_m=(0, 30, 5)),
        ),
        listeners=(Listener(name="Row 7", position_m=(0.0, 12.0, 1.2)),),
        measurements=(
            Measurement(
                output="Sub",
                listener="Row 7",
                trace=trace,
                captured="settings",
                captured_settings=CapturedSettings(output=sub, inputs=(left, Input(name="Aux ö"))),
                driven_inputs={"Left": -6.0},
                captured_input_dbu=-10.0,
                captured_sample_rate_hz=48000.0,
                captured_air=Air(temperature_c=19.0),
                captured_positions_m=CapturedPositions(
                    sources={"Sub left": (-4.0, 0.0, 0.0)}, listener=(0.0, 12.5, 1.2)
                ),
            ),
        ),
        processor="House processor",
    )


def number(kind: Any, *, below: float | None = None) -> st.SearchStrategy[float]:
    """Any number in the range that an annotated type of `xover.model.ranges` states."""
    meta = kind.__metadata__[0]
    low = meta.ge if meta.ge is not None else meta.gt
    high = meta.le if below is None else min(meta.le, below)
    common = st.sampled_from([value for value in (1.0, 20.0, 1.5) if low <= value <= high] or [low])
    return common | st.floats(
        low, high, exclude_min=meta.gt is not None, exclude_max=below is not None
    )


def _legal_name(text: str) -> str:
    return unicodedata.normalize("NFC", text.strip())


names = (
    st.text(st.characters(exclude_categories=("Cs", "Cc")), min_size=1, max_size=8)
    .map(_legal_name)
    .filter(lambda text: text and text == _legal_name(text))
)
lines = st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=12)
prose = st.text(
    st.characters(exclude_categories=("Cs", "Cc")) | st.sampled_from("\n\r\t"), max_size=20
)


def unique_names(least: int, most: int) -> st.SearchStrategy[list[str]]:
    """Names that differ after case folding."""
    return st.lists(names, min_size=least, max_size=most, unique_by=fold)


def _few(items: st.SearchStrategy[Any], most: int = 2) -> st.SearchStrategy[tuple[Any, ...]]:
    return st.lists(items, max_size=most).map(tuple)


def _ascending(kind: Any) -> st.SearchStrategy[tuple[float, float]]:
    return (
        st.tuples(number(kind), number(kind))
        .filter(lambda pair: pair[0] != pair[1])
        .map(lambda pair: (min(pair), max(pair)))
    )


polarity = st.sampled_from(("normal", "inverted"))
stages = st.lists(st.sampled_from(get_args(Stage)), unique=True, max_size=3).map(tuple)
position_m = st.tuples(*[number(ranges.CoordinateM)] * 3)


@st.composite
def eq_sections(draw: st.DrawFn, rate_hz: float = 48_000.0) -> EqSection:
    """An equaliser section of any kind and order."""
    kind = draw(st.sampled_from(tuple(EQ_SHAPES)))
    shape = EQ_SHAPES[kind]
    order = draw(st.sampled_from(shape.orders))
    return EqSection(
        kind=kind,
        frequency_hz=draw(number(ranges.FilterFrequencyHz, below=0.49 * rate_hz)),
        gain_db=draw(number(ranges.Gain)) if shape.has_gain else UNSET,
        q=draw(number(ranges.Q)) if order == 2 else UNSET,
        order=order,
        bypassed=draw(st.booleans()),
    )


@st.composite
def crossovers(draw: st.DrawFn, rate_hz: float = 48_000.0) -> Crossover:
    """A crossover filter of any family and slope."""
    family = draw(st.sampled_from(tuple(FAMILY_SLOPES)))
    return Crossover(
        family=family,
        slope_db_per_octave=draw(st.sampled_from(FAMILY_SLOPES[family])),
        frequency_hz=draw(number(ranges.FilterFrequencyHz, below=0.49 * rate_hz)),
    )


limits = st.builds(
    Limit,
    threshold_dbu=number(ranges.LevelDbu),
    attack_ms=number(ranges.TimeConstantMs),
    release_ms=number(ranges.TimeConstantMs),
)
limiters = st.builds(Limiter, rms=st.none() | limits, peak=st.none() | limits)
airs = st.builds(
    Air,
    temperature_c=number(ranges.TemperatureC),
    relative_humidity_percent=number(ranges.HumidityPercent),
    pressure_kpa=number(ranges.PressureKpa),
)


def inputs_named(name: str, rate_hz: float) -> st.SearchStrategy[Input]:
    """Any input of this name."""
    return st.builds(
        Input,
        name=st.just(name),
        channel=st.none() | st.integers(1, 100_000),
        gain_db=number(ranges.Gain),
        polarity=polarity,
        delay_ms=number(ranges.DelayMs),
        eq=_few(eq_sections(rate_hz)),
        nominal_dbu=st.none() | number(ranges.LevelDbu),
    )


def outputs_named(name: str, inputs: list[str], rate_hz: float) -> st.SearchStrategy[Output]:
    """Any output of this name, routed from some of `inputs`."""
    return st.builds(
        Output,
        name=st.just(name),
        channel=st.none() | st.integers(1, 100_000),
        patch=lines,
        inputs=st.dictionaries(st.sampled_from(inputs), number(ranges.RouteGain), max_size=2),
        gain_db=number(ranges.Gain),
        polarity=polarity,
        delay_ms=number(ranges.DelayMs),
        latency_ms=number(ranges.DelayMs),
        muted=st.booleans(),
        high_pass=st.none() | crossovers(rate_hz),
        low_pass=st.none() | crossovers(rate_hz),
        eq=_few(eq_sections(rate_hz)),
        limiter=st.none() | limiters,
        locked=stages,
    )


@st.composite
def traces(draw: st.DrawFn) -> Trace:
    """A short trace with or without phase and coherence."""
    frequency_hz = sorted(
        draw(st.lists(number(ranges.FrequencyHz), min_size=1, max_size=4, unique=True))
    )
    size = len(frequency_hz)

    def column(kind: Any) -> tuple[float, ...]:
        return tuple(draw(st.lists(number(kind), min_size=size, max_size=size)))

    return Trace(
        frequency_hz=tuple(frequency_hz),
        magnitude_db=column(ranges.MagnitudeDb),
        phase_deg=column(ranges.PhaseDeg) if draw(st.booleans()) else None,
        coherence=column(ranges.Coherence) if draw(st.booleans()) else None,
        delay_ms=draw(number(ranges.TraceDelayMs)),
        level=draw(st.sampled_from(("spl", "relative"))),
        session=draw(st.none() | names),
        provenance=Provenance(
            file=draw(lines), sha256=draw(lines), note=draw(prose), captured_at=draw(lines)
        ),
    )


@st.composite
def loudspeakers_named(draw: st.DrawFn, name: str) -> Loudspeaker:
    """Any loudspeaker of this name, passive or active."""
    active = draw(st.booleans())
    power = st.builds(
        Power,
        continuous=number(ranges.PowerW),
        program=st.none() | number(ranges.PowerW),
        peak=st.none() | number(ranges.PowerW),
        basis=st.sampled_from(("aes", "iec", "unknown")),
    )
    section = st.builds(
        DriverSection,
        band_hz=_ascending(ranges.FrequencyHz),
        power_w=number(ranges.PowerW),
        impedance_ohm=number(ranges.ImpedanceOhm),
    )
    response = st.builds(
        OwnResponse,
        trace=traces(),
        distance_m=number(ranges.LengthM),
        flight_removed=st.booleans(),
        drive_v=number(ranges.VoltageV),
    )
    return Loudspeaker(
        name=name,
        passband_hz=draw(_ascending(ranges.FrequencyHz)),
        passband_edge_db=draw(number(ranges.EdgeDb)),
        enclosure=draw(st.sampled_from(("sealed", "vented", "unknown"))),
        sensitivity_db=draw(st.none() | number(ranges.SplDb)),
        sensitivity_space=draw(st.sampled_from(("free-field", "half-space"))),
        max_spl_db=draw(number(ranges.SplDb)) if active else draw(st.none()),
        impedance_ohm=None if active else draw(number(ranges.ImpedanceOhm)),
        minimum_impedance_ohm=draw(st.none() | number(ranges.ImpedanceOhm)),
        power_w=None if active else draw(power),
        sections=draw(_few(section)),
        polarity=draw(polarity),
        coverage_deg=draw(st.none() | st.tuples(*[number(ranges.CoverageDeg)] * 2)),
        taps_w=draw(_few(number(ranges.PowerW))),
        taps_halve_at_70_v=draw(st.booleans()),
        boxes_per_transformer=draw(st.integers(1, 10_000)),
        latency_ms=draw(number(ranges.DelayMs)),
        active=active,
        sensitivity_dbu=draw(number(ranges.LevelDbu)) if active else None,
        response=draw(st.none() | response),
    )


@st.composite
def amplifiers_named(draw: st.DrawFn, name: str) -> Amplifier:
    """Any amplifier of this name."""
    by_gain = draw(st.booleans())
    return Amplifier(
        name=name,
        gain_db=draw(number(ranges.Gain)) if by_gain else None,
        sensitivity_dbu=None if by_gain else draw(number(ranges.LevelDbu)),
        power_w=draw(
            st.dictionaries(
                st.sampled_from(("2", "2.7", "4", "8", "16")),
                number(ranges.PowerW),
                min_size=1,
                max_size=3,
            )
        ),
        minimum_load_ohm=draw(number(ranges.ImpedanceOhm)),
        line_v=draw(st.sampled_from(((), (70.7,), (100.0,), (100.0, 70.7)))),
        bridgeable=draw(st.booleans()),
        latency_ms=draw(number(ranges.DelayMs)),
    )


@st.composite
def _channel(
    draw: st.DrawFn, name: str, amplifiers: tuple[Amplifier, ...], outputs: list[str]
) -> AmplifierChannel:
    amplifier = draw(st.sampled_from(amplifiers))
    cable = st.builds(Cable, length_m=number(ranges.LengthM), area_mm2=number(ranges.AreaMm2))
    return AmplifierChannel(
        name=name,
        amplifier=amplifier.name,
        output=draw(st.sampled_from(outputs)),
        bridged=amplifier.bridgeable and draw(st.booleans()),
        attenuator_db=draw(number(ranges.Attenuation)),
        attenuator_locked=draw(st.booleans()),
        line_v=draw(st.sampled_from((None, 70.7, 100.0))),
        cable=draw(st.none() | cable),
    )


@st.composite
def _source(
    draw: st.DrawFn,
    name: str,
    outputs: list[str],
    boxes: tuple[Loudspeaker, ...],
    channels: tuple[AmplifierChannel, ...],
) -> Source:
    output = draw(st.sampled_from(outputs))
    box = draw(st.sampled_from(boxes))
    fitting = [] if box.active else [one.name for one in channels if one.output == output]
    aim = st.builds(Aim, azimuth=number(ranges.AzimuthDeg), elevation=number(ranges.ElevationDeg))
    return Source(
        name=name,
        output=output,
        loudspeaker=box.name,
        quantity=draw(st.integers(1, 10_000)),
        spacing_m=draw(st.none() | number(ranges.LengthM)),
        position_m=draw(position_m),
        aim_deg=draw(aim),
        boundary=draw(st.sampled_from(("free", "floor", "floor-wall", "corner"))),
        polarity=draw(polarity),
        amplifier_channel=draw(st.sampled_from([None, *fitting])),
        tap_w=draw(st.none() | number(ranges.PowerW)),
    )


@st.composite
def _measurement(
    draw: st.DrawFn, output: Output, listener: str, inputs: tuple[Input, ...], sources: list[str]
) -> Measurement:
    captured = draw(st.sampled_from(("flat", "settings", "unknown")))
    driven = st.sampled_from([one.name for one in inputs])
    positions = st.builds(
        CapturedPositions,
        sources=st.dictionaries(st.sampled_from([*sources, "Moved since"]), position_m, max_size=2),
        listener=st.none() | position_m,
    )
    return Measurement(
        output=output.name,
        listener=listener,
        trace=draw(traces()),
        captured=captured,
        captured_settings=CapturedSettings(output=output, inputs=inputs)
        if captured == "settings"
        else None,
        driven_inputs=draw(st.dictionaries(driven, number(ranges.Gain), max_size=2)),
        captured_input_dbu=draw(st.none() | number(ranges.LevelDbu)),
        captured_sample_rate_hz=draw(st.sampled_from((None, 384_000.0))),
        captured_air=draw(st.none() | airs),
        captured_positions_m=draw(st.none() | positions),
    )


@st.composite
def presets(draw: st.DrawFn) -> Preset:
    """Any legal preset: every field of the format, names in any script, figures to the limits."""
    rate_hz = draw(st.sampled_from((48_000.0, 96_000.0)) | number(ranges.SampleRateHz))

    def built(make: Any, least: int, most: int, *args: Any) -> tuple[Any, ...]:
        return tuple(draw(make(name, *args)) for name in draw(unique_names(least, most)))

    inputs = built(inputs_named, 1, 2, rate_hz)
    input_names = [one.name for one in inputs]
    outputs = built(outputs_named, 1, 2, input_names, rate_hz)
    output_names = [one.name for one in outputs]
    boxes = built(loudspeakers_named, 0, 2)
    amplifiers = built(amplifiers_named, 0, 1)
    channels = built(_channel, 0, 2, amplifiers, output_names) if amplifiers else ()
    sources = built(_source, 0, 2, output_names, boxes, channels) if boxes else ()
    listeners = tuple(
        Listener(name=name, position_m=draw(position_m)) for name in draw(unique_names(0, 2))
    )
    pairs = [(output, listener.name) for output in outputs for listener in listeners]
    chosen = draw(st.lists(st.sampled_from(pairs), max_size=1)) if pairs else []
    groups = tuple(
        Group(
            name=name,
            outputs=tuple(draw(st.lists(st.sampled_from(output_names), unique=True))),
            follow=draw(stages),
        )
        for name in draw(unique_names(0, 1))
    )
    stimulus = st.builds(
        Stimulus,
        inputs=st.dictionaries(st.sampled_from(input_names), number(ranges.Gain)),
        correlated=st.booleans(),
    )
    return Preset(
        title=draw(names),
        venue=draw(lines),
        author=draw(lines),
        notes=draw(prose),
        tags=tuple(draw(st.lists(lines, max_size=2, unique=True))),
        based_on=draw(st.none() | lines),
        sample_rate_hz=rate_hz,
        air=draw(airs),
        inputs=inputs,
        outputs=outputs,
        groups=groups,
        stimulus=draw(st.none() | stimulus),
        loudspeakers=boxes,
        amplifiers=amplifiers,
        amplifier_channels=channels,
        sources=sources,
        listeners=listeners,
        measurements=tuple(
            draw(_measurement(output, listener, inputs, [one.name for one in sources]))
            for output, listener in chosen
        ),
        processor=draw(st.none() | names),
    )
