"""The electrical response of outputs: driven inputs through input stage, matrix, output stage.

Delays are exact linear phase; an output's fixed latency is not in here (it belongs to the path
to a listener). Limiters do nothing to a response. All responses are complex, shape (…, n).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from xover.dsp.axis import Axis, ComplexArray, FloatArray
from xover.dsp.biquad import (
    Section,
    active_sections,
    cascade_response,
    section_derivative,
    section_group_delay_s,
    section_response,
)
from xover.dsp.crossover import crossover_sections
from xover.model.drive import Drive
from xover.model.preset import Preset
from xover.model.processing import Input, Output
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


def stage_factor(item: Input | Output) -> float:
    """Gain and polarity of a stage as one real factor."""
    factor = ratio_from_db(item.gain_db)
    return -factor if item.polarity == "inverted" else factor


def output_sections(item: Output) -> tuple[Section, ...]:
    """Every running section of an output stage, in signal order."""
    sections: tuple[Section, ...] = ()
    if item.high_pass is not None:
        sections += crossover_sections(item.high_pass, "high_pass")
    if item.low_pass is not None:
        sections += crossover_sections(item.low_pass, "low_pass")
    return sections + active_sections(item.eq)


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

    Analytic: the sections' own delays in closed form, and for a sum of inputs the log-derivative rule
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
