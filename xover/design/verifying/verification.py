"""Verification of one output: does the capture match what was meant, and if not, why not.

Latency and gain of the measuring loop are fitted along, so an output's own delay and gain cannot
be tested here; `verifying.sessions` does that where the loop was captured by itself or several
outputs in one session.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import zip_longest

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from xover.design.adapting.bands import ANALOGUE_RATE_HZ
from xover.design.verifying.parts import Part, parts_of
from xover.design.verifying.points import Points
from xover.design.verifying.search import Fit, Problem
from xover.design.verifying.slips import Change, Slip, candidates, changes_of, finer, roundings_of
from xover.dsp.axis import Axis, ComplexArray, FloatArray
from xover.model.places import label
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import Crossover, EqSection, Output
from xover.model.profile import Profile
from xover.model.units import show_hz, show_ms

NEPER_DB = 20.0 / np.log(10.0)
SIGNIFICANT = 30.0
"""By how much a slip has to lower χ² before it is believed at all."""
OTHER_OUTPUT_COST = 3.0
AS_WELL = 9.0
"""Explanations within this of χ² of each other fit alike: three standard deviations. Common
practice, no source."""
REFINED = 6
"""Of so many fields that explain most by themselves the values are fitted closely. Common practice,
no source."""
EXPLANATIONS = 5
KNOWN_LOOP = (0.1, 1.0)
UNKNOWN_LOOP = (0.3, 3.0)
UNKNOWN_STEPS = (0.5, 4.0)
"""What may remain of level (dB rms) and phase (degrees rms) in a match, by how well the measuring
loop and the device's steps are known. Common practice, no source."""
TELLING = 0.5
FAR_DB, FAR_DEG = 2.0, 20.0
"""An explanation that leaves more than this part of χ², or more than both of these (rms), explains
nothing. Common practice, no source."""

NOTHING_TELLS = (
    "no slip of settings explains this: perhaps another output or input is patched, another preset "
    "is loaded, something in the chain is clipped or limiting, or more than two slips came together"
)
OWN_TIME = (
    "delay is not told: this recording's time zero is its own (the direct sound, or a timing mark "
    "that came the same way). It is told where the recorder started with a file of one sweep (time "
    "zero “file”), or with a loop-back channel as reference"
)
STEPS_ALLOWED = (
    "no processor's profile is given, so steps of 1/24 octave, 0.5 dB and 10 % of Q are allowed "
    "for: slips that small pass unseen, with a profile they do not"
)


class Explanation(Struct, frozen=True):
    """One way to explain a capture, with what remains unexplained and how likely it is."""

    slips: tuple[Slip, ...]
    residual_db_rms: float
    residual_deg_rms: float
    confidence: float


class Verified(Struct, frozen=True):
    """One output: whether it matches, what remains, and the explanations, best first.

    `latency_ms` is the time from input to output beyond the filters' own, None where the capture's
    time zero is its own; `gain_offset_db` the gain of the whole loop beyond the filters'. Both are
    None where nothing explains the capture. `difference_db` and `difference_deg` are captured over
    meant at `frequency_hz`, loop gain and latency taken out. With `loop_known` the interface is in
    none of these.
    """

    output: str
    matches: bool
    residual_db_rms: float
    residual_deg_rms: float
    latency_ms: float | None
    gain_offset_db: float | None
    explanations: tuple[Explanation, ...]
    not_testable: tuple[str, ...]
    tolerance_db: float
    tolerance_deg: float
    frequency_hz: tuple[float, ...]
    difference_db: tuple[float, ...]
    difference_deg: tuple[float, ...]
    loop_known: bool
    notes: tuple[str, ...] = ()


def verify_output(
    preset: Preset,
    output: str,
    points: Points,
    *,
    driven: str,
    loop_known: bool = False,
    profile: Profile | None = None,
    places: Mapping[str, str] | None = None,
) -> Verified:
    """Compare the points of a capture with what `preset` means for an output.

    `driven` is the input that carried the signal. With a profile, `preset` is what the device
    holds; `places` then names, for bands that stand elsewhere in the preset that was adapted, that
    place (`Adaptation.places`), and the answer speaks of those. Raises `Refused` where the output
    is muted or not fed by that input.
    """
    at = next(k for k, item in enumerate(preset.outputs) if item.name == output)
    axis = Axis(points.frequency_hz, preset.sample_rate_hz)
    parts, meant = _meant(preset, at, driven, axis)
    known = places or {}
    names = [_name(preset, one.where, known) for one in parts]
    parts = [Part(known.get(one.where, one.where), one.item, one.side, one.log) for one in parts]
    _check_resolution(parts, names, points)
    unseen = _unseen(parts, points)
    problem = Problem(
        points,
        meant,
        loop_known=loop_known,
        extra_np=_high_frequency_doubt(preset, at, driven, axis, meant, profile),
        roundings=roundings_of(parts, axis) if profile is None else None,
    )
    rate_hz = preset.sample_rate_hz
    singles = changes_of(candidates(parts, names, rate_hz, profile), parts, axis)
    singles += _whole(preset, at, driven, meant, axis)
    (as_meant,) = problem.fits([()])
    fits = problem.fits([(one,) for one in singles])
    around = [
        each
        for change in _most_likely(fits)
        for each in finer(change, parts, names, rate_hz, profile)
    ]
    fits += problem.fits([(one,) for one in changes_of(around, parts, axis)])
    fits.sort(key=lambda fit: fit.total)
    level_db, phase_deg = _rms(as_meant, problem)
    loop = KNOWN_LOOP if loop_known else UNKNOWN_LOOP
    tolerance_db, tolerance_deg = UNKNOWN_STEPS if profile is None else loop
    is_explained = as_meant.chi_square - fits[0].total >= SIGNIFICANT
    matches = not is_explained and level_db <= tolerance_db and phase_deg <= tolerance_deg
    notes = _range_notes([names[k] for k in unseen], points)
    if not matches and _leaves_much(fits[0], problem):
        pairs = problem.pairs(singles)
        fits = sorted([*fits, *pairs], key=lambda fit: fit.total)
    if not matches:
        fits = _simplest_first(fits, problem)
    best = as_meant if matches else fits[0]
    is_told = matches or _tells(best, as_meant, problem)
    explanations = [] if matches or not is_told else _explain(fits, problem)
    if points.is_clipped:
        notes.append(
            "samples of the recording stand at full scale: it may be clipped, which looks like "
            "wrong settings; lower the gain and capture again"
        )
    if not is_told:
        notes.append(NOTHING_TELLS)
    elif explanations and _leaves_much(best, problem, factor=4.0):
        notes.append(
            "none of these explains all of it: perhaps more than two slips, another input, or "
            "a capture of something else"
        )
    if not points.shares_time:
        notes.append(OWN_TIME)
    if profile is None:
        notes.append(STEPS_ALLOWED)
    return Verified(
        output=output,
        matches=matches,
        residual_db_rms=level_db,
        residual_deg_rms=phase_deg,
        latency_ms=points.delay_ms + 1e3 * best.delay_s if is_told and points.shares_time else None,
        gain_offset_db=float(NEPER_DB * best.gain_np) if is_told else None,
        explanations=tuple(explanations),
        not_testable=(
            f"outputs[{at}].gain_db",
            f"outputs[{at}].delay_ms",
            *(parts[k].where for k in unseen),
        ),
        tolerance_db=tolerance_db,
        tolerance_deg=tolerance_deg,
        frequency_hz=tuple(points.frequency_hz.tolist()),
        difference_db=tuple((NEPER_DB * as_meant.residual.real).tolist()),
        difference_deg=tuple(np.rad2deg(as_meant.residual.imag).tolist()),
        loop_known=loop_known,
        notes=tuple(notes),
    )


def _meant(preset: Preset, at: int, driven: str, axis: Axis) -> tuple[list[Part], ComplexArray]:
    """The parts of an output from one input, and ln of their product with the polarities."""
    output = preset.outputs[at]
    if driven not in output.inputs:
        raise Refused.at(
            f"outputs[{at}].inputs",
            f"“{output.name}” is not fed by “{driven}”; name the input that carried the signal",
        )
    k, item = next((k, one) for k, one in enumerate(preset.inputs) if one.name == driven)
    parts = parts_of(output, f"outputs[{at}]", [(f"inputs[{k}]", item)], axis)
    total: ComplexArray = np.zeros(len(axis), dtype=np.complex128)
    for part in parts:
        total = total + part.log
    inverted = (output.polarity == "inverted") != (item.polarity == "inverted")
    return parts, total + (1j * np.pi if inverted else 0.0)


def _name(preset: Preset, held: str, places: Mapping[str, str]) -> str:
    """A part for people; a band by its number in their preset, and by the processor's if other."""
    where = places.get(held)
    if where is None:
        return label(preset, held)
    return f"{label(preset, where)} ({label(preset, held).rpartition(', ')[2]} on the processor)"


def _check_resolution(parts: Sequence[Part], names: Sequence[str], points: Points) -> None:
    """Raise `Refused` where the capture is too short for the lowest filter."""
    if not parts:
        return
    at = min(range(len(parts)), key=lambda k: parts[k].item.frequency_hz)
    lowest_hz = parts[at].item.frequency_hz
    if points.resolution_hz > lowest_hz:
        raise Refused.at(
            "",
            f"the capture is too short: it tells {show_hz(points.resolution_hz)} apart, and "
            f"{names[at]} is at {show_hz(lowest_hz)}; capture at least "
            f"{show_ms(3e3 / lowest_hz, 0)}",
        )


def _unseen(parts: Sequence[Part], points: Points) -> list[int]:
    """The parts whose frequency lies outside what was captured."""
    low, high = float(points.frequency_hz[0]), float(points.frequency_hz[-1])
    return [
        k for k, part in enumerate(parts) if not low / 1.1 <= part.item.frequency_hz <= high * 1.1
    ]


def _range_notes(unseen: Sequence[str], points: Points) -> list[str]:
    low, high = float(points.frequency_hz[0]), float(points.frequency_hz[-1])
    if not unseen:
        return []
    return [
        f"the capture stands out of the noise from {show_hz(low)} to {show_hz(high)} only: "
        f"{', '.join(unseen)} cannot be seen in it"
    ]


def _whole(preset: Preset, at: int, driven: str, meant: ComplexArray, axis: Axis) -> list[Change]:
    """Slips of the whole output: polarity, and the settings of another."""
    item = preset.outputs[at]
    name = label(preset, f"outputs[{at}]")
    seen = "normal" if item.polarity == "inverted" else "inverted"
    words = f"{name} polarity: meant {item.polarity}, looks {seen}"
    slip = Slip(f"outputs[{at}].polarity", item.polarity, seen, words)
    turned = np.full(len(axis), 1j * np.pi)
    found = [Change((slip,), frozenset({-1}), 0.0, turned)]
    for k, other in enumerate(preset.outputs):
        if k == at:
            continue
        renamed = replace(other, name=item.name, inputs=item.inputs, polarity=item.polarity)
        outputs = (*preset.outputs[:at], renamed, *preset.outputs[at + 1 :])
        _, log = _meant(replace(preset, outputs=outputs), at, driven, axis)
        delta = log - meant
        if np.max(np.abs(delta)) < 1e-6:
            continue
        words = f"{name}: looks like the settings of {label(preset, f'outputs[{k}]')}"
        slip = Slip(f"outputs[{at}]", item.name, other.name, words)
        every = frozenset(range(-1, 1_000))
        wrong = max(2, _fields_apart(item, other))
        found.append(Change((slip,), every, OTHER_OUTPUT_COST, delta, wrong))
    return found


def _fields_apart(one: Output, other: Output) -> int:
    """In how many fields the filters of two outputs differ; one that is missing counts as one."""
    pairs: list[tuple[Crossover | EqSection | None, Crossover | EqSection | None]] = [
        (one.high_pass, other.high_pass),
        (one.low_pass, other.low_pass),
        *zip_longest(one.eq, other.eq),
    ]
    return sum(
        a is not b
        if a is None or b is None
        else sum(getattr(a, field) != getattr(b, field) for field in a.__struct_fields__)
        for a, b in pairs
    )


def _most_likely(fits: Sequence[Fit]) -> list[Change]:
    """The best single change of each of the few fields that explain most."""
    best: dict[frozenset[str], Fit] = {}
    for fit in sorted(fits, key=lambda fit: fit.total):
        best.setdefault(fit.places, fit)
    return [fit.changes[0] for fit in list(best.values())[:REFINED]]


def _simplest_first(fits: Sequence[Fit], problem: Problem) -> list[Fit]:
    """Likeliest first, and what needs fewer wrong fields before the settings of another output.

    Those cost `OTHER_OUTPUT_COST` more than the likeliest explanation that fits as well with fewer
    fields. Where all fit badly, what counts as alike grows with what they leave.
    """
    wrong = np.array([fit.wrong for fit in fits])
    chi_square = np.array([fit.chi_square for fit in fits])
    total = np.array([fit.total for fit in fits])
    ranked = list(fits)
    whole = np.array([fit.wrong > len(fit.places) for fit in fits])
    for k in np.flatnonzero(whole).tolist():
        alike = AS_WELL * max(1.0, chi_square[k] / (2.0 * problem.root.size))
        simpler = total[(wrong < wrong[k]) & (chi_square <= chi_square[k] + alike)]
        if simpler.size:
            least = float(simpler.min()) + OTHER_OUTPUT_COST
            ranked[k] = replace(fits[k], total=max(fits[k].total, least))
    return sorted(ranked, key=lambda fit: fit.total)


def _high_frequency_doubt(
    preset: Preset,
    at: int,
    driven: str,
    axis: Axis,
    meant: ComplexArray,
    profile: Profile | None,
) -> FloatArray | None:
    """Where the device's filters near half its rate are unknown: bilinear against analogue."""
    if profile is not None and profile.eq.high_frequency != "unknown":
        return None
    _, log = _meant(preset, at, driven, Axis(axis.frequency_hz, ANALOGUE_RATE_HZ))
    return np.asarray(np.abs(log - meant))


def _tells(best: Fit, as_meant: Fit, problem: Problem) -> bool:
    """Whether the best explanation explains anything."""
    level_db, phase_deg = _rms(best, problem)
    is_far_off = level_db > FAR_DB and phase_deg > FAR_DEG
    return best.chi_square <= TELLING * as_meant.chi_square and not is_far_off


def _leaves_much(best: Fit, problem: Problem, *, factor: float = 1.3) -> bool:
    """Whether a fit leaves clearly more than noise: χ² against twice the number of points."""
    return best.chi_square > 2.0 * problem.root.size * factor + 40.0


def _rms(fit: Fit, problem: Problem) -> tuple[float, float]:
    """What remains of level in dB and of phase in degrees, weighted by how well it is known."""
    weight = problem.root**2 / np.sum(problem.root**2)
    level = NEPER_DB * np.sqrt(np.sum(weight * fit.residual.real**2))
    phase = np.rad2deg(np.sqrt(np.sum(weight * fit.residual.imag**2)))
    return float(level), float(phase)


def _explain(fits: Sequence[Fit], problem: Problem) -> list[Explanation]:
    """The best fit of each set of places, most likely first."""
    seen: set[frozenset[str]] = set()
    kept: list[Fit] = []
    for fit in fits:
        if fit.places not in seen:
            seen.add(fit.places)
            kept.append(fit)
        if len(kept) == EXPLANATIONS:
            break
    behind = np.array([fit.total - kept[0].total for fit in kept])
    likelihood = np.exp(-0.5 * np.minimum(behind, 1e3))
    share = likelihood / likelihood.sum()
    found = []
    for fit, confidence in zip(kept, share, strict=True):
        level_db, phase_deg = _rms(fit, problem)
        slips = tuple(slip for change in fit.changes for slip in change.slips)
        found.append(Explanation(slips, level_db, phase_deg, float(confidence)))
    return found
