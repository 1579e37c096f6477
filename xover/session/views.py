"""Curves of a preset under edit: only what an edit touched is computed again.

Electrical responses come from the evaluator of the rig, paths to listeners are kept as long as the
parts of the preset that they rest on are the same objects. A sum that cannot be told is a sentence
in its curve, never an exception on the way to the screen.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Sequence
from functools import cached_property, partial
from typing import Final, Literal

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from xover.acoustics import field
from xover.acoustics.loudspeaker import BoxResponse
from xover.acoustics.transfer import Transfer, once
from xover.dsp.axis import AXIS_NYQUIST_FRACTION, Axis, ComplexArray, FloatArray
from xover.dsp.evaluator import RigEvaluator
from xover.model.drive import Drive, drive_of
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.units import ratio_from_db
from xover.model.words import Level

POINTS: Final = 480
"""Frequencies of a curve where nothing else is asked."""
_BESIDE: Final = 1.0001
"""How far, as a ratio, the points around a window keep from its ends."""
_AXES_KEPT: Final = 4
_FIELDS_KEPT: Final = 64

Kind = Literal["output", "path", "sum", "capture"]
Window = tuple[float, float, int]
"""Low and high Hz of a part of the axis, and how many points stand in it."""


class Request(Struct, frozen=True, kw_only=True):
    """Which curves are wanted; exact names."""

    outputs: tuple[str, ...] = ()
    """Electrical responses."""
    listener: str | None = None
    """Where paths, sum and captures are taken."""
    paths: tuple[str, ...] = ()
    """Outputs shown as they arrive at the listener."""
    sum: bool = False
    only: tuple[str, ...] = ()
    """The outputs in the sum; all where empty."""
    captures: tuple[str, ...] = ()
    """Outputs whose capture at the listener is shown as it was made."""
    drive: Drive | None = None
    """What is played; None: the preset's stimulus, else all inputs alike."""
    input_level_dbu: float = 0.0
    """The level at the driven inputs that an SPL is for."""
    group_delay: bool = False
    points: int = POINTS
    low_hz: float = 20.0
    high_hz: float = 20_000.0
    window: Window | None = None
    """What is looked at closely: it has points of its own, outside it every second one stays."""


class Curve(Struct, frozen=True, eq=False, dict=True):
    """One curve; every array has shape (n,)."""

    kind: Kind
    name: str
    """The output, or the listener of a sum."""
    response: ComplexArray
    """NaN where nothing is known; a real magnitude where `has_phase` is false."""
    level: Level = "relative"
    has_phase: bool = True
    basis: str = ""
    """"measured", "trace", "model" or "mixed" of a path."""
    estimate: bool = False
    notes: tuple[str, ...] = ()
    problem: str = ""
    """Why there is no such curve, as a sentence; the response is NaN then."""
    coherence: FloatArray | None = None
    group_delay_ms: FloatArray | None = None

    @cached_property
    def magnitude_db(self) -> FloatArray:
        """20·log10 of the magnitude: −inf where nothing comes, NaN where nothing is known."""
        with np.errstate(divide="ignore"):
            level_db = np.asarray(20.0 * np.log10(np.abs(self.response)))
        level_db.flags.writeable = False
        return level_db

    @cached_property
    def phase_deg(self) -> FloatArray:
        """Within ±180°, all delay in it; NaN where it has no meaning."""
        if not self.has_phase:
            return np.full(self.response.shape, np.nan)
        return np.where(self.response == 0.0, np.nan, np.degrees(np.angle(self.response)))


class View(Struct, frozen=True, eq=False):
    """What was asked for, in the order of asking: outputs, paths, sum, captures."""

    frequency_hz: FloatArray
    curves: tuple[Curve, ...]
    drive: Drive

    def curve(self, kind: Kind, name: str) -> Curve:
        """The curve of this kind and name; `KeyError` where it was not asked for."""
        for curve in self.curves:
            if (curve.kind, curve.name) == (kind, name):
                return curve
        raise KeyError(name)


class Viewer:
    """Computes views, keeping what it can from one to the next. Not for two threads at once."""

    def __init__(self) -> None:
        self._engines: OrderedDict[tuple[object, ...], list[_Engine]] = OrderedDict()

    def view(self, preset: Preset, request: Request) -> View:
        """The curves asked for. Raises `Refused` for an unknown name."""
        drive = drive_of(preset) if request.drive is None else request.drive
        engines = self._engines_for(preset, request)
        views = [engine.curves(preset, request, drive) for engine in engines]
        curves = views[0]
        if request.group_delay:
            axis = engines[0].axis
            for at, (centre, low, high) in enumerate(zip(*views, strict=True)):
                delay_ms = np.full(len(axis), np.nan)
                if centre.has_phase and not centre.problem:
                    delay_ms = field.delay_between(
                        axis, low.response, centre.response, high.response
                    )
                curves[at] = replace(centre, group_delay_ms=delay_ms)
        return View(engines[0].axis.frequency_hz, tuple(curves), drive)

    def _engines_for(self, preset: Preset, request: Request) -> list[_Engine]:
        """One engine, or three on neighbouring axes where group delay is wanted."""
        rate_hz = preset.sample_rate_hz
        key = (rate_hz, request.points, request.low_hz, request.high_hz, request.window)
        engines = self._engines.setdefault(key, [])
        self._engines.move_to_end(key)
        if len(self._engines) > _AXES_KEPT:
            # Windows go first: they are passed through, the whole axis is come back to.
            gone = next((each for each in self._engines if each[-1] is not None), None)
            self._engines.pop(next(iter(self._engines)) if gone in (None, key) else gone)
        if not engines:
            engines.append(_Engine(Axis(_frequencies_hz(request, rate_hz), rate_hz)))
        if request.group_delay and len(engines) == 1:
            below, _, above = field.shifted_axes(engines[0].axis)
            engines += [_Engine(below), _Engine(above)]
        return engines if request.group_delay else engines[:1]


class _Field(Struct, frozen=True, eq=False):
    """What lies between the audible outputs and one listener."""

    parts: tuple[object, ...]
    outputs: tuple[tuple[str, float], ...]
    transfers: dict[str, Transfer]
    notes: dict[str, tuple[str, ...]]
    array: ComplexArray
    """(1, n_outputs, n): zeros for outputs that contribute nothing."""


class _Engine:
    """Evaluators and fields on one axis."""

    def __init__(self, axis: Axis) -> None:
        self.axis = axis
        self._together = RigEvaluator(axis)
        self._alone: dict[str, RigEvaluator] = {}
        """One for each independent input."""
        self._fields: OrderedDict[tuple[str, tuple[str, ...]], _Field] = OrderedDict()
        self._known_now: dict[tuple[str, tuple[str, ...]], _Field] = {}
        """Those of the preset that is being looked at, already found to be right for it."""
        self._boxes: dict[str, BoxResponse] = {}
        self._boxes_of: tuple[object, ...] = (None, None)
        self._made: dict[tuple[Kind, str], tuple[tuple[object, ...], Curve]] = {}

    def curves(self, preset: Preset, request: Request, drive: Drive) -> list[Curve]:
        """The curves of a request on this axis, without group delay."""
        self._known_now = {}
        alone = not drive.correlated and len(drive.levels_db) > 1
        drives = [drive]
        if alone:
            drives = [Drive({name: db}) for name, db in drive.levels_db.items()]
        evaluators = [self._evaluator(each, alone=alone) for each in drives]
        index = {output.name: at for at, output in enumerate(preset.outputs)}
        for name in (*request.outputs, *request.paths, *request.only):
            field.is_audible(preset, name, drive)  # refuses unknown names
        rows: list[list[ComplexArray]] = []
        if request.outputs or request.paths:
            rows = [
                evaluator.rows(preset, each)
                for evaluator, each in zip(evaluators, drives, strict=True)
            ]
        curves: list[Curve] = []
        for name in request.outputs:
            own = tuple(row[index[name]] for row in rows)
            curves.append(self._curve("output", name, own, partial(_electrical, name, own)))
        listener = request.listener
        if listener is None:
            return [replace(curve, has_phase=False) for curve in curves] if alone else curves
        field.transfers_at(preset, (), listener, self.axis)  # refuses an unknown one
        heard = tuple(
            item.name for item in preset.outputs if field.is_audible(preset, item.name, drive)
        )
        for name in request.paths:
            own = tuple(row[index[name]] for row in rows)
            curves.append(self._path(preset, request, heard, name, own))
        if request.sum:
            among = tuple(name for name in heard if not request.only or name in request.only)
            curves.append(self._sum(preset, request, drives, evaluators, among))
        if alone:  # a capture keeps its phase, whatever is played now
            curves = [_without_phase(curve) for curve in curves]
        return curves + [self._capture(preset, name, listener) for name in request.captures]

    def _evaluator(self, drive: Drive, *, alone: bool) -> RigEvaluator:
        if not alone:
            return self._together
        return self._alone.setdefault(next(iter(drive.levels_db)), RigEvaluator(self.axis))

    def _path(
        self,
        preset: Preset,
        request: Request,
        heard: tuple[str, ...],
        name: str,
        own: tuple[ComplexArray, ...],
    ) -> Curve:
        """One output at the listener; the same object as long as nothing in it has changed."""
        listener = request.listener or ""
        try:
            known = self._field(preset, listener, heard)
        except Refused as refused:
            return self._nothing("path", name, str(refused))
        transfer, notes = known.transfers.get(name), known.notes.get(name, ())

        def made() -> Curve:
            electrical = _joined(own)
            if transfer is None:
                return Curve("path", name, np.zeros_like(electrical), notes=notes)
            response = electrical * transfer.response
            if transfer.level == "spl":
                response = response * ratio_from_db(request.input_level_dbu)
            return Curve(
                "path",
                name,
                response,
                transfer.level,
                basis=transfer.basis,
                estimate=transfer.estimate,
                notes=once((*notes, *transfer.notes)),
                coherence=transfer.coherence,
            )

        return self._curve("path", name, (*own, transfer, notes, request.input_level_dbu), made)

    def _curve(
        self, kind: Kind, name: str, parts: tuple[object, ...], made: Callable[[], Curve]
    ) -> Curve:
        """A curve as it was where it rests on the same parts, else made anew."""
        known = self._made.get((kind, name))
        if known is not None and _rest_alike(known[0], parts):
            return known[1]
        curve = made()
        self._made[kind, name] = parts, curve
        return curve

    def _sum(
        self,
        preset: Preset,
        request: Request,
        drives: Sequence[Drive],
        evaluators: Sequence[RigEvaluator],
        among: tuple[str, ...],
    ) -> Curve:
        listener = request.listener or ""
        try:
            known = self._field(preset, listener, among)
            field.refuse_mixed_levels(listener, known.transfers)
        except Refused as refused:
            return self._nothing("sum", listener, str(refused))
        transfers = tuple(known.transfers.values())
        sums = [
            evaluator.sums(preset, each, known.array)[0]
            for evaluator, each in zip(evaluators, drives, strict=True)
        ]
        response, level = _joined(sums), transfers[0].level if transfers else "relative"
        if level == "spl":
            response = response * ratio_from_db(request.input_level_dbu)
        notes = [
            f"“{item.name}” contributes nothing: {field.why_silent(preset, item.name)}"
            for item in preset.outputs
            if item.name not in among and (not request.only or item.name in request.only)
        ]
        notes += [note for each in known.notes.values() for note in each]
        notes += [note for each in transfers for note in each.notes]
        notes += field.time_zero_notes(transfers)
        estimate = any(each.estimate for each in transfers)
        return Curve("sum", listener, response, level, estimate=estimate, notes=once(notes))

    def _field(self, preset: Preset, listener: str, among: tuple[str, ...]) -> _Field:
        """What lies between outputs and listener, from before where it rests on the same parts."""
        key = (listener, among)
        if key in self._known_now:
            return self._known_now[key]
        known = self._known_now[key] = self._field_anew(preset, listener, among)
        return known

    def _field_anew(self, preset: Preset, listener: str, among: tuple[str, ...]) -> _Field:
        place = next((item for item in preset.listeners if item.name == listener), None)
        parts = (
            preset.sources,
            preset.loudspeakers,
            preset.amplifiers,
            preset.amplifier_channels,
            preset.measurements,
            preset.air,
            place,
        )
        outputs = tuple((output.name, output.latency_ms) for output in preset.outputs)
        key = (listener, among)
        known = self._fields.get(key)
        if known is not None and _are_same(known.parts, parts) and known.outputs == outputs:
            self._fields.move_to_end(key)
            return known
        if not _are_same(self._boxes_of, (preset.loudspeakers, preset.air)):
            self._boxes, self._boxes_of = {}, (preset.loudspeakers, preset.air)
        transfers, notes = field.transfers_at(preset, among, listener, self.axis, boxes=self._boxes)
        array = np.zeros((1, len(preset.outputs), len(self.axis)), dtype=np.complex128)
        for at, output in enumerate(preset.outputs):
            if output.name in transfers:
                array[0, at] = transfers[output.name].response
        known = self._fields[key] = _Field(parts, outputs, transfers, notes, array)
        self._fields.move_to_end(key)
        if len(self._fields) > _FIELDS_KEPT:
            self._fields.popitem(last=False)
        return known

    def _capture(self, preset: Preset, name: str, listener: str) -> Curve:
        shown = field.shown_capture(preset, name, listener, self.axis)
        if shown is None:
            return self._nothing(
                "capture", name, f"nothing was captured of “{name}” at “{listener}”"
            )
        return Curve(
            "capture",
            name,
            shown.response,
            shown.level,
            basis="measured",
            estimate=shown.estimate,
            notes=shown.notes,
            coherence=shown.coherence,
        )

    def _nothing(self, kind: Kind, name: str, problem: str) -> Curve:
        nothing = np.full(len(self.axis), np.nan, dtype=np.complex128)
        return Curve(kind, name, nothing, has_phase=False, problem=problem)


def _frequencies_hz(request: Request, rate_hz: float) -> FloatArray:
    """The frequencies of a request, ascending, below half the sample rate."""
    limit_hz = AXIS_NYQUIST_FRACTION * rate_hz
    whole_hz = np.geomspace(request.low_hz, min(request.high_hz, limit_hz), request.points)
    if request.window is None or request.window[0] >= limit_hz:
        return whole_hz
    low_hz, high_hz, points = request.window
    close_hz = np.geomspace(low_hz, min(high_hz, limit_hz), points)
    thin_hz = np.append(whole_hz[:-1:2], whole_hz[-1])
    below_hz = thin_hz[thin_hz * _BESIDE < low_hz]
    above_hz = thin_hz[thin_hz > high_hz * _BESIDE]
    return np.concatenate([below_hz, close_hz, above_hz])


def _joined(responses: Sequence[ComplexArray]) -> ComplexArray:
    """The one response, or the magnitude of the power sum of independent ones, (n,)."""
    if len(responses) == 1:
        return responses[0]
    power = np.sum(np.square(np.abs(responses)), axis=0)
    return np.asarray(np.sqrt(power), dtype=np.complex128)


def _electrical(name: str, responses: Sequence[ComplexArray]) -> Curve:
    return Curve("output", name, _joined(responses))


def _without_phase(curve: Curve) -> Curve:
    magnitude = np.asarray(np.abs(curve.response), dtype=np.complex128)
    return replace(curve, response=magnitude, has_phase=False)


def _rest_alike(these: tuple[object, ...], those: tuple[object, ...]) -> bool:
    """Whether arrays and structures are the same objects and figures are equal."""
    return len(these) == len(those) and all(
        this is that or (isinstance(this, float) and this == that)
        for this, that in zip(these, those, strict=True)
    )


def _are_same(these: tuple[object, ...], those: tuple[object, ...]) -> bool:
    return all(this is that for this, that in zip(these, those, strict=True))
