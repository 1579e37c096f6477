"""The sum at a listener: every output's path there, measured or modelled, on one level and axis.

Absolute and relative levels are never mixed in one sum; paths without a shared time zero are
summed only with a sentence that says so. An output of which nothing is known contributes nothing,
and that is said too.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from xover.acoustics.loudspeaker import BoxResponse, complex_trace, range_notes
from xover.acoustics.measured import coherence_on, is_summable, measured
from xover.acoustics.modelled import Chain, chains_of, modelled, terms_of
from xover.acoustics.transfer import Basis, Transfer, once
from xover.dsp.axis import Axis
from xover.dsp.response import output_responses
from xover.model.drive import Drive
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import Output
from xover.model.rig import Listener
from xover.model.units import ratio_from_db
from xover.model.words import Level

Complexes = NDArray[np.complex128]
Floats = NDArray[np.float64]

GROUP_DELAY_STEP: Final = 1e-6
"""Relative frequency step of the symmetric difference: no aliasing below 10 s of delay."""


class PathResponse(Struct, frozen=True, eq=False):
    """One output at one listener, with today's settings and what is driven."""

    output: str
    responses: Complexes
    """(n_driven, n), one row a driven input in the drive's order; NaN where nothing is known."""
    level: Level
    """"spl": magnitude in dB re 20 µPa for the stated input level."""
    basis: Basis
    session: str | None
    estimate: bool
    notes: tuple[str, ...]
    coherence: Floats | None
    doubtful: NDArray[np.bool_]

    @property
    def total(self) -> Complexes:
        """The coherent sum of the rows, (n,)."""
        return np.asarray(self.responses.sum(axis=0))


class ListenerResponse(Struct, frozen=True, eq=False):
    """The sum over outputs at one listener."""

    listener: str
    total: Complexes
    """(n,); for an uncorrelated drive a real magnitude without meaning as a phase."""
    correlated: bool
    level: Level
    input_level_dbu: float
    paths: tuple[PathResponse, ...]
    """The outputs that contribute."""
    notes: tuple[str, ...]

    @property
    def magnitude_db(self) -> Floats:
        """20·log10 of the magnitude, (n,): −inf where the sum is 0, NaN where it is not known."""
        with np.errstate(divide="ignore"):
            return np.asarray(20.0 * np.log10(np.abs(self.total)))

    @property
    def phase_deg(self) -> Floats:
        """Phase within ±180°, (n,): NaN for an uncorrelated drive and where the sum is 0."""
        if not self.correlated:
            return np.full(self.total.shape, np.nan)
        return np.where(self.total == 0.0, np.nan, np.degrees(np.angle(self.total)))


def paths_at(
    preset: Preset,
    outputs: Sequence[str],
    listener: str,
    axis: Axis,
    drive: Drive,
    *,
    input_level_dbu: float = 0.0,
) -> tuple[PathResponse, ...]:
    """Outputs at one listener: today's electrical responses times measured or modelled paths.

    Zeros where an output is muted, no driven input is routed to it, or nothing is known of it.
    `input_level_dbu` is the level at the driven inputs that an absolute level is for; relative
    modelled paths carry the same level terms. Raises `Refused` for an unknown name, for a capture
    whose settings cannot be divided out, and where absolute and relative levels would meet;
    silent outputs do not count.
    """
    audible = [name for name in outputs if is_audible(preset, name, drive)]
    transfers, notes = transfers_at(preset, audible, listener, axis)
    refuse_mixed_levels(listener, transfers)
    return tuple(
        _path(preset, name, transfers, notes, axis, drive, input_level_dbu) for name in outputs
    )


def listener_response(
    preset: Preset,
    listener: str,
    axis: Axis,
    drive: Drive,
    *,
    input_level_dbu: float = 0.0,
    only: Sequence[str] = (),
) -> ListenerResponse:
    """The sum at a listener over all outputs, or those in `only`; exact names.

    Correlated drive: the complex sum. Uncorrelated: √Σ|row sum over outputs|² over the driven
    inputs. NaN at a frequency where a contributing path is not known. Raises `Refused` for an
    unknown name and where absolute and relative levels would meet in the sum.
    """
    for name in only:
        _known_output(preset, name)
    wanted = [item.name for item in preset.outputs if not only or item.name in only]
    audible = [name for name in wanted if is_audible(preset, name, drive)]
    paths = paths_at(preset, audible, listener, axis, drive, input_level_dbu=input_level_dbu)
    notes = [
        f"“{name}” contributes nothing: {why_silent(preset, name)}"
        for name in wanted
        if name not in audible
    ]
    notes += [note for path in paths for note in path.notes]
    contributing = tuple(
        path for path in paths if np.isnan(path.responses).any() or path.responses.any()
    )
    notes += time_zero_notes(contributing)
    rows = np.zeros((len(drive.levels_db), len(axis)), dtype=np.complex128)
    for path in contributing:
        rows += path.responses
    if drive.correlated:
        total = rows.sum(axis=0)
    else:
        total = np.sqrt(np.sum(np.square(np.abs(rows)), axis=0)).astype(np.complex128)
    return ListenerResponse(
        listener=listener,
        total=total,
        correlated=drive.correlated,
        level=contributing[0].level if contributing else "relative",
        input_level_dbu=input_level_dbu,
        paths=contributing,
        notes=once(notes),
    )


def group_delay_ms(
    preset: Preset,
    listener: str,
    axis: Axis,
    drive: Drive,
    *,
    only: Sequence[str] = (),
) -> Floats:
    """−dφ/dω of the sum at a listener in ms, (n,), by a symmetric difference of the whole sum.

    Evaluated at f·(1 ± 10⁻⁶); one-sided where a trace ends there. NaN for an uncorrelated drive
    and where the sum is 0 or not known.
    """
    if not drive.correlated:
        return np.full(len(axis), np.nan)
    sides = []
    for moved in shifted_axes(axis):
        sides.append(listener_response(preset, listener, moved, drive, only=only).total)
    return delay_between(axis, *sides)


def shifted_axes(axis: Axis) -> tuple[Axis, Axis, Axis]:
    """The axes on which `delay_between` wants responses: a little below, itself, above."""
    steps = (-GROUP_DELAY_STEP, GROUP_DELAY_STEP)
    below, above = (Axis(axis.frequency_hz * (1.0 + step), axis.sample_rate_hz) for step in steps)
    return below, axis, above


def delay_between(axis: Axis, low: Complexes, centre: Complexes, high: Complexes) -> Floats:
    """−dφ/dω in ms, shape as given, from responses on `shifted_axes`; one-sided beside NaN.

    NaN where the response is 0 or not known.
    """
    frequency_hz = axis.frequency_hz
    low_hz = frequency_hz * (1.0 - GROUP_DELAY_STEP)
    high_hz = frequency_hz * (1.0 + GROUP_DELAY_STEP)
    gone_low, gone_high = np.isnan(low), np.isnan(high)
    low_hz, low = np.where(gone_low, frequency_hz, low_hz), np.where(gone_low, centre, low)
    high_hz, high = np.where(gone_high, frequency_hz, high_hz), np.where(gone_high, centre, high)
    turned = high * np.conj(low)
    known = (turned != 0.0) & ~np.isnan(turned) & ~np.isnan(centre) & (high_hz > low_hz)
    with np.errstate(divide="ignore", invalid="ignore"):
        delay_s = -np.angle(turned) / (2.0 * np.pi * (high_hz - low_hz))
    return np.where(known, 1000.0 * delay_s, np.nan)


def transfers_at(
    preset: Preset,
    outputs: Sequence[str],
    listener: str,
    axis: Axis,
    *,
    boxes: dict[str, BoxResponse] | None = None,
) -> tuple[dict[str, Transfer], dict[str, tuple[str, ...]]]:
    """What lies between each output and the listener, and what there is to say of each output.

    An output of which nothing is known has no transfer. Relative modelled transfers carry the
    same level terms. `boxes` keeps boxes already computed for this preset and axis, by name.
    Raises `Refused` for an unknown name.
    """
    place = _known_listener(preset, listener)
    transfers: dict[str, Transfer] = {}
    notes: dict[str, tuple[str, ...]] = {}
    chains: dict[str, tuple[Chain, ...]] = {}
    boxes = {} if boxes is None else boxes
    for name in outputs:
        _known_output(preset, name)
        measurement = preset.measurement(name, listener)
        if measurement is not None and is_summable(measurement):
            transfers[name] = measured(preset, measurement, axis)
            continue
        if measurement is not None:
            notes[name] = (
                f"the capture of “{name}” at “{listener}” was made with unknown settings: it is"
                " shown, never summed",
            )
        chains[name] = chains_of(preset, name, axis, boxes)
        if not chains[name]:
            reason = f"“{name}” contributes nothing: it has no source and no usable capture here"
            notes[name] = (*notes.get(name, ()), reason)
    found = {name: each for name, each in chains.items() if each}
    absolute = {name for name, each in found.items() if all(chain.is_absolute for chain in each)}
    relative = [chain for name, each in found.items() if name not in absolute for chain in each]
    shared = terms_of(relative)
    for name, each in found.items():
        terms = terms_of(each) if name in absolute else shared
        transfers[name] = modelled(preset, name, place, each, terms, axis)
    return transfers, notes


def shown_capture(preset: Preset, output: str, listener: str, axis: Axis) -> Transfer | None:
    """A pair's trace as it was captured, settings and all, for display; None without a capture.

    The only form in which a capture with unknown settings appears anywhere.
    """
    measurement = preset.measurement(output, listener)
    if measurement is None:
        return None
    trace = measurement.trace
    response, estimate = complex_trace(trace, axis.frequency_hz)
    return Transfer(
        output=output,
        response=response,
        level=trace.level,
        basis="measured",
        session=trace.session,
        estimate=estimate,
        missing=(),
        notes=range_notes(trace, f"“{output}” at “{listener}”", axis.frequency_hz),
        coherence=coherence_on(trace, axis.frequency_hz),
        doubtful=np.zeros(len(axis), dtype=np.bool_),
    )


def _path(
    preset: Preset,
    name: str,
    transfers: dict[str, Transfer],
    notes: dict[str, tuple[str, ...]],
    axis: Axis,
    drive: Drive,
    input_level_dbu: float,
) -> PathResponse:
    silent = np.zeros((len(drive.levels_db), len(axis)), dtype=np.complex128)
    transfer = transfers.get(name)
    if transfer is None:
        return PathResponse(
            output=name,
            responses=silent,
            level="relative",
            basis="model",
            session=None,
            estimate=False,
            notes=notes.get(name, ()),
            coherence=None,
            doubtful=np.zeros(len(axis), dtype=np.bool_),
        )
    responses = silent
    if is_audible(preset, name, drive):
        responses = output_responses(preset, name, axis, drive) * transfer.response
        # An input that is not routed stays at zero where the trace says nothing.
        routed = [item in preset.output(name).inputs for item in drive.levels_db]
        responses[np.logical_not(routed)] = 0.0
    if transfer.level == "spl":
        responses = responses * ratio_from_db(input_level_dbu)
    return PathResponse(
        output=name,
        responses=responses,
        level=transfer.level,
        basis=transfer.basis,
        session=transfer.session,
        estimate=transfer.estimate,
        notes=once((*notes.get(name, ()), *transfer.notes)),
        coherence=transfer.coherence,
        doubtful=transfer.doubtful,
    )


def is_audible(preset: Preset, name: str, drive: Drive) -> bool:
    """Whether the output is open and at least one driven input is routed to it."""
    output = _known_output(preset, name)
    return not output.muted and any(item in output.inputs for item in drive.levels_db)


def why_silent(preset: Preset, name: str) -> str:
    """Why an output that is not audible is silent, as a clause."""
    return "it is muted" if preset.output(name).muted else "no driven input is routed to it"


def _known_output(preset: Preset, name: str) -> Output:
    try:
        return preset.output(name)
    except KeyError:
        known = ", ".join(item.name for item in preset.outputs)
        raise Refused.at("", f"there is no output “{name}”; the outputs are {known}") from None


def _known_listener(preset: Preset, name: str) -> Listener:
    try:
        return preset.listener(name)
    except KeyError:
        known = ", ".join(item.name for item in preset.listeners) or "none"
        raise Refused.at("", f"there is no listener “{name}”; the listeners are {known}") from None


def _quoted(names: Sequence[str]) -> str:
    return ", ".join(f"“{name}”" for name in names)


def refuse_mixed_levels(listener: str, transfers: Mapping[str, Transfer]) -> None:
    """Raise `Refused` where a sum of these would mix absolute and relative levels."""
    absolute = [name for name, each in transfers.items() if each.level == "spl"]
    relative = [name for name, each in transfers.items() if each.level == "relative"]
    if not absolute or not relative:
        return
    reasons = once(clause for name in relative for clause in transfers[name].missing)
    raise Refused.at(
        "",
        f"a sum at “{listener}” would mix absolute levels ({_quoted(absolute)}) with relative ones"
        f" ({_quoted(relative)}: {'; '.join(reasons)}); keep to one kind with --only, give every"
        " source its sensitivity and amplifier channel, or attach captures in SPL with"
        " --captured-input-dbu",
    )


def time_zero_notes(paths: Sequence[PathResponse | Transfer]) -> tuple[str, ...]:
    """A sentence where the paths of one sum do not share one time zero."""
    zeros: dict[tuple[str, str], list[str]] = {}
    for path in paths:
        if path.basis != "measured":
            key, words = ("model", ""), "computed"
        elif path.session is None or path.estimate:
            key, words = ("alone", path.output), "measured, time zero unknown"
        else:
            key, words = ("session", path.session), f"measured, session “{path.session}”"
        zeros.setdefault(key, [words]).append(path.output)
    if len(zeros) < 2:
        return ()
    parts = [f"{_quoted(names)} ({words})" for words, *names in zeros.values()]
    return (
        f"{' and '.join(parts)} do not share one time zero: the phase between them is not known,"
        " and their sum holds only where one of them dominates",
    )
