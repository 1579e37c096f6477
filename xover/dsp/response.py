"""The electrical response of outputs: driven inputs through input stage, matrix, output stage.

Delays are exact linear phase; an output's fixed latency is not in here (it belongs to the path
to a listener). Limiters do nothing to a response. All responses are complex, shape (…, n).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from xover.dsp.axis import Axis, ComplexArray, FloatArray
from xover.dsp.batch import Cascade, cascade_responses
from xover.dsp.biquad import (
    Section,
    active_sections,
    cascade_response,
    section_derivative,
    section_group_delay_s,
    section_of,
    section_response,
)
from xover.dsp.crossover import HIGH_PASS, LOW_PASS, Side, crossover_kernel, crossover_sections
from xover.model.drive import Drive
from xover.model.preset import Preset
from xover.model.processing import Crossover, Input, Output
from xover.model.units import ratio_from_db


def input_stage(item: Input, axis: Axis) -> ComplexArray:
    """Gain, polarity, delay and equaliser of an input, shape (n,)."""
    return _stage(stage_factor(item), item.delay_ms, active_sections(item.eq), axis)


def output_stage(item: Output, axis: Axis) -> ComplexArray:
    """Gain, polarity, delay, crossover filters and equaliser of an output, shape (n,).

    Zeros where the output is muted; `latency_ms` is not included.
    """
    if item.muted:
        return np.zeros(len(axis), dtype=np.complex128)
    return _stage(stage_factor(item), item.delay_ms, output_sections(item), axis)


def crossover_response(item: Crossover, side: Side, axis: Axis) -> ComplexArray:
    """One crossover filter, shape (n,); a squared one evaluated once and squared."""
    sections, power = crossover_kernel(item, side)
    response = cascade_response(sections, axis)
    return np.square(response, out=response) if power == 2 else response


def stage_factor(item: Input | Output) -> float:
    """Gain and polarity of a stage as one real factor."""
    factor = ratio_from_db(item.gain_db)
    return -factor if item.polarity == "inverted" else factor


def output_sections(item: Output) -> tuple[Section, ...]:
    """Every running section of an output stage, in signal order."""
    sections: tuple[Section, ...] = ()
    if item.high_pass is not None:
        sections += crossover_sections(item.high_pass, HIGH_PASS)
    if item.low_pass is not None:
        sections += crossover_sections(item.low_pass, LOW_PASS)
    return sections + active_sections(item.eq)


def output_cascade(item: Output) -> Cascade:
    """An output stage without its delay as one row of a batch, squared filters kept squared."""
    plain = [section_of(section) for section in item.eq if not section.bypassed]
    squared: list[Section] = []
    for crossover, side in ((item.high_pass, HIGH_PASS), (item.low_pass, LOW_PASS)):
        if crossover is not None:
            sections, power = crossover_kernel(crossover, side)
            if power == 2:
                squared += sections
            else:
                plain += sections
    return Cascade(stage_factor(item), plain, squared)


def output_responses(preset: Preset, output_name: str, axis: Axis, drive: Drive) -> ComplexArray:
    """One row for each driven input, in the order of `drive.levels_db`; shape (n_driven, n).

    Drive level × input stage × route gain × output stage; zeros where an input is not routed.
    Raises `KeyError` for an unknown name and `ValueError` where axis and preset disagree about
    the sample rate.
    """
    check_rate(preset, axis)
    output = preset.output(output_name)
    rows = np.zeros((len(drive.levels_db), len(axis)), dtype=np.complex128)
    if output.muted:
        return rows
    stage = output_stage(output, axis)
    for row, (name, level_db) in zip(rows, drive.levels_db.items(), strict=True):
        item = preset.input(name)
        route_db = output.inputs.get(name)
        if route_db is not None:
            np.multiply(input_stage(item, axis), stage, out=row)
            row *= ratio_from_db(level_db) * ratio_from_db(route_db)
    return rows


def output_response(preset: Preset, output_name: str, axis: Axis, drive: Drive) -> ComplexArray:
    """The coherent sum of `output_responses`, shape (n,): what the output does to one signal.

    For independent signals (`drive.correlated` false) there is no such response; use the rows.
    """
    return np.asarray(output_responses(preset, output_name, axis, drive).sum(axis=0))


def output_group_delay_ms(preset: Preset, output_name: str, axis: Axis, drive: Drive) -> FloatArray:
    """−dφ/dω of the coherent sum in ms, delays included, shape (n,); NaN where the sum is 0.

    Analytic: the sections' own delays in closed form; for a sum of inputs the log-derivative rule
    τ = −Im(ΣH′/ΣH). A notch turns the phase by half a circle at its null; that jump is no delay.
    """
    check_rate(preset, axis)
    output = preset.output(output_name)
    routed = [
        (preset.input(name), ratio_from_db(level_db) * ratio_from_db(output.inputs[name]))
        for name, level_db in drive.levels_db.items()
        if name in output.inputs
    ]
    if output.muted or not routed:
        return np.full(len(axis), np.nan)
    delay_s = _group_delay_s(output_sections(output), axis) + output.delay_ms / 1000.0
    if len(routed) == 1:
        item = routed[0][0]
        delay_s += _group_delay_s(active_sections(item.eq), axis) + item.delay_ms / 1000.0
    else:
        # A delay common to all inputs is taken out, so that long ones cost no digits.
        common_ms = min(item.delay_ms for item, _ in routed)
        total = np.zeros(len(axis), dtype=np.complex128)
        slope = np.zeros(len(axis), dtype=np.complex128)
        for item, factor in routed:
            value, derivative = _input_with_derivative(item, axis, common_ms)
            total += factor * value
            slope += factor * derivative
        with np.errstate(divide="ignore", invalid="ignore"):
            delay_s += common_ms / 1000.0 - np.imag(slope / total)
    response = output_response(preset, output_name, axis, drive)
    return np.where(response == 0.0, np.nan, delay_s * 1000.0)


def electrical_responses(preset: Preset, axis: Axis, drive: Drive) -> ComplexArray:
    """The coherent responses of all outputs in file order, shape (n_outputs, n).

    The fast way to the whole rig: the same figures as `output_response`, all cascades evaluated
    as one batch. Raises as `output_responses`.
    """
    check_rate(preset, axis)
    cascades: list[Cascade] = []
    delays_ms: list[float] = []
    shaped: dict[str, int] = {}
    flat: dict[str, float] = {}
    for name, level_db in drive.levels_db.items():
        item = preset.input(name)
        factor = ratio_from_db(level_db) * stage_factor(item)
        if item.eq or item.delay_ms:
            shaped[name] = len(cascades)
            cascades.append(Cascade(factor, list(active_sections(item.eq)), []))
            delays_ms.append(item.delay_ms)
        else:
            flat[name] = factor
    mixes = [_mix(output, flat, shaped) for output in preset.outputs]
    for output, (constant, parts) in zip(preset.outputs, mixes, strict=True):
        if constant or parts:
            factor, plain, squared = output_cascade(output)
            cascades.append(Cascade(factor if parts else factor * constant, plain, squared))
        else:
            cascades.append(Cascade(0.0, [], []))
        delays_ms.append(output.delay_ms)
    responses = cascade_responses(cascades, axis)
    for row, delay_ms in zip(responses, delays_ms, strict=True):
        if delay_ms:
            row *= axis.delay_phasor(delay_ms)
    result = responses[len(shaped) :]
    for row, (constant, parts) in zip(result, mixes, strict=True):
        if parts:
            gains = np.array([gain for _, gain in parts])
            row *= constant + gains @ responses[[index for index, _ in parts]]
    return result


def _mix(
    output: Output, flat: dict[str, float], shaped: dict[str, int]
) -> tuple[float, list[tuple[int, float]]]:
    """What an output is fed: a constant from flat inputs; row and route gain of shaped ones."""
    constant = 0.0
    parts: list[tuple[int, float]] = []
    if not output.muted:
        for name, route_db in output.inputs.items():
            if name in flat:
                constant += flat[name] * ratio_from_db(route_db)
            elif name in shaped:
                parts.append((shaped[name], ratio_from_db(route_db)))
    return constant, parts


def check_rate(preset: Preset, axis: Axis) -> None:
    """Raise `ValueError` unless the axis runs at the preset's sample rate."""
    if axis.sample_rate_hz != preset.sample_rate_hz:
        raise ValueError(
            f"the axis runs at {axis.sample_rate_hz:g} Hz, "
            f"the preset at {preset.sample_rate_hz:g} Hz"
        )


def _stage(factor: float, delay_ms: float, sections: Sequence[Section], axis: Axis) -> ComplexArray:
    response = cascade_response(sections, axis)
    response *= factor
    if delay_ms:
        response *= axis.delay_phasor(delay_ms)
    return response


def _group_delay_s(sections: Sequence[Section], axis: Axis) -> FloatArray:
    delay_s = np.zeros(len(axis))
    for section in sections:
        delay_s += section_group_delay_s(section, axis)
    return delay_s


def _input_with_derivative(
    item: Input, axis: Axis, common_ms: float
) -> tuple[ComplexArray, ComplexArray]:
    """An input stage less a common delay, and its dH/dω: the product rule, finite at nulls."""
    delay_ms = item.delay_ms - common_ms
    value = stage_factor(item) * axis.delay_phasor(delay_ms)
    derivative = value * (-1j * delay_ms / 1000.0)
    for section in active_sections(item.eq):
        response = section_response(section, axis)
        derivative = derivative * response + value * section_derivative(section, axis)
        value = value * response
    return value, derivative
