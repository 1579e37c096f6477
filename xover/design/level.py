"""How loud a noise of a stated level and crest factor is at a listener, and how long it may last.

Octave bands and A-weighted SPL for a pink or programme-like noise, headroom before each limiter,
permitted times by published rules. Refuses where a level is only relative; a prediction is never a
reading: a calibrated meter decides.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from msgspec import Struct

from xover.acoustics.bands import (
    HIGHEST_HZ,
    LOWEST_HZ,
    NOMINAL_HZ,
    Spectrum,
    edges_hz,
    noise_weights,
)
from xover.acoustics.exposure import (
    OSHA_CEILING_DB,
    WHO_VENUE_DB,
    niosh_permitted_min,
    osha_permitted_min,
)
from xover.acoustics.field import (
    PathResponse,
    is_audible,
    paths_at,
    time_zero_notes,
    why_silent,
)
from xover.acoustics.loudspeaker import (
    REFERENCE_DRIVE_V,
    SINE_CREST_DB,
    BoxResponse,
    free_field_db,
)
from xover.acoustics.modelled import chains_of
from xover.acoustics.transfer import once
from xover.acoustics.weighting import a_weighting_db, c_weighting_db
from xover.design.level_basis import on_data_sheets, rests_on_estimates, with_estimates
from xover.dsp.axis import Axis, FloatArray
from xover.dsp.response import output_responses
from xover.model.drive import Drive, drive_of
from xover.model.names import listed, quoted
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.units import (
    DBU_REFERENCE_V,
    db_from_ratio,
    plain,
    ratio_from_db,
    show_dbu,
    show_hz,
)

CREST_DB: Final = 12.0
"""Peak over rms of the noise where none is asked for: common practice, no source."""
POINTS_PER_OCTAVE: Final = 96
SILENT_DB: Final = -30.0
"""Where an output's own filters leave this little, what is not known of its path is left out."""
KNOWN_SHARE: Final = 0.5
"""A band of which less than this is known has no level."""

EXPOSURE_CAUTION: Final = (
    "a prediction is not a reading: a calibrated meter decides, local rules on exposure come "
    "first, and hearing does not recover; protect it while testing"
)


class Band(Struct, frozen=True):
    """One octave band: its nominal middle, and its level in dB SPL (None where not known)."""

    frequency_hz: float
    spl_db: float | None


class Headroom(Struct, frozen=True):
    """How far an output is below its limiters, in dB; negative where one already acts."""

    output: str
    level_dbu: float | None
    """Rms at the processor's output, limiters not counted; None where it is silent."""
    rms_db: float | None
    peak_db: float | None


class FirstLimit(Struct, frozen=True):
    """The limiter that acts first, and how loud it is then."""

    output: str
    limiter: str
    """ "rms" or "peak"."""
    headroom_db: float
    input_level_dbu: float
    a_weighted_db: float


class LevelAnswer(Struct, frozen=True):
    """One listener's levels; times in minutes a day."""

    listener: str
    input_level_dbu: float
    crest_db: float
    spectrum: Spectrum
    drive: Drive
    bands: tuple[Band, ...]
    a_weighted_db: float | None
    c_weighted_db: float | None
    unweighted_db: float | None
    headroom: tuple[Headroom, ...]
    first: FirstLimit | None
    niosh_min: float | None
    osha_min: float | None
    estimated: bool
    """Whether a level rests on a data sheet's maximum SPL."""
    cautions: tuple[str, ...]
    notes: tuple[str, ...]


def level(
    preset: Preset,
    listener: str,
    *,
    input_level_dbu: float,
    crest_db: float = CREST_DB,
    spectrum: Spectrum = "pink",
    drive: Drive | None = None,
) -> LevelAnswer:
    """Octave-band and weighted SPL at `listener` (exact name) for noise at the driven inputs.

    `input_level_dbu` is the rms level of the whole noise, 22.4 Hz to 22.4 kHz, at a driven input
    with 0 dB. Limiters are not counted; headroom says how far away they are; a box that would pass
    the maximum SPL of its data sheet with its peaks is held there. Band powers are
    |H|² averaged over log frequency with the noise's spectrum (IEC 61260-1 bands, IEC 61672-1
    weightings). Captures that are not in SPL give way to the data sheets. Raises
    `Refused` where the level at the listener is only relative or nothing sounds there.
    """
    settled = drive_of(preset) if drive is None else drive
    axis = _axis(preset)
    used, estimated_boxes = with_estimates(preset)
    audible = [item.name for item in used.outputs if is_audible(used, item.name, settled)]
    used, computed_words = on_data_sheets(used, audible, listener, axis)
    paths = paths_at(used, audible, listener, axis, settled, input_level_dbu=input_level_dbu)
    contributing = [path for path in paths if _sounds(path)]
    _refuse_relative(listener, contributing)
    weights = noise_weights(spectrum, axis.frequency_hz)
    held_db, held_words = _beyond_boxes(
        used, contributing, settled, input_level_dbu, crest_db, axis, weights
    )
    power, known, notes = _power(used, paths, axis, settled, held_db)
    notes = [
        *(
            f"{quoted(item.name)} contributes nothing: {why_silent(used, item.name)}"
            for item in used.outputs
            if item.name not in audible
        ),
        *computed_words,
        *notes,
        *(note for path in contributing for note in path.notes),
        *time_zero_notes(contributing),
    ]
    bands = tuple(
        Band(nominal_hz, _band_db(at, axis, power, known, weights))
        for at, nominal_hz in enumerate(NOMINAL_HZ)
    )
    a_db, c_db, z_db = (
        _total_db(power, known, weights, weighting)
        for weighting in (
            a_weighting_db(axis.frequency_hz),
            c_weighting_db(axis.frequency_hz),
            np.zeros(len(axis)),
        )
    )
    headroom = tuple(
        _headroom(preset, item.name, axis, settled, weights, input_level_dbu, crest_db)
        for item in preset.outputs
    )
    first = _first(headroom, input_level_dbu, a_db)
    estimated = [
        path.output
        for path in contributing
        if rests_on_estimates(used, path, listener, estimated_boxes)
    ]
    missing = [show_hz(band.frequency_hz) for band in bands if band.spl_db is None]
    if missing:
        notes.append(f"not known, and counted in no sum: the bands at {', '.join(missing)}")
    if axis.frequency_hz[-1] < HIGHEST_HZ * 0.99:
        notes.append(f"the sample rate ends the noise at {show_hz(float(axis.frequency_hz[-1]))}")
    return LevelAnswer(
        listener=listener,
        input_level_dbu=input_level_dbu,
        crest_db=crest_db,
        spectrum=spectrum,
        drive=settled,
        bands=bands,
        a_weighted_db=a_db,
        c_weighted_db=c_db,
        unweighted_db=z_db,
        headroom=headroom,
        first=first,
        niosh_min=None if a_db is None else niosh_permitted_min(a_db),
        osha_min=None if a_db is None else osha_permitted_min(a_db),
        estimated=bool(estimated or held_db),
        cautions=tuple(
            [
                *_limit_cautions(first, estimated, crest_db),
                *held_words,
                *_exposure_cautions(a_db),
            ]
        ),
        notes=once(notes),
    )


def _axis(preset: Preset) -> Axis:
    return Axis.log(
        POINTS_PER_OCTAVE,
        sample_rate_hz=preset.sample_rate_hz,
        low_hz=LOWEST_HZ,
        high_hz=HIGHEST_HZ,
    )


def _power(
    preset: Preset,
    paths: tuple[PathResponse, ...],
    axis: Axis,
    drive: Drive,
    held_db: Mapping[str, float],
) -> tuple[FloatArray, FloatArray, list[str]]:
    """|p|² re (20 µPa)² at every point for a sine there, (n,); where it is known, as 1 and 0."""
    rows = np.zeros((len(drive.levels_db), len(axis)), dtype=np.complex128)
    notes: list[str] = []
    for path in paths:
        responses = path.responses / ratio_from_db(held_db.get(path.output, 0.0))
        unknown = np.isnan(responses).any(axis=0)
        if unknown.any():
            own = _output_power(preset, path.output, axis, drive)
            faint = own < np.max(own) * 10.0 ** (SILENT_DB / 10.0)
            responses[:, unknown & faint] = 0.0
            if (unknown & faint).any():
                notes.append(
                    f"what is not known of {quoted(path.output)} where its filters leave less than "
                    f"{plain(SILENT_DB, 0)} dB is left out"
                )
        rows += responses
    if drive.correlated:
        power = np.square(np.abs(rows.sum(axis=0)))
    else:
        power = np.sum(np.square(np.abs(rows)), axis=0)
    known = np.isfinite(power)
    return np.where(known, power, 0.0), known.astype(np.float64), notes


def _output_power(preset: Preset, output: str, axis: Axis, drive: Drive) -> FloatArray:
    rows = output_responses(preset, output, axis, drive)
    if drive.correlated:
        return np.asarray(np.square(np.abs(rows.sum(axis=0))))
    return np.asarray(np.sum(np.square(np.abs(rows)), axis=0))


def _sounds(path: PathResponse) -> bool:
    return bool(np.isnan(path.responses).any() or path.responses.any())


def _refuse_relative(listener: str, paths: list[PathResponse]) -> None:
    if not paths:
        raise Refused.at(
            "",
            f"nothing sounds at {quoted(listener)}: no output that is open and driven has a source "
            "or a usable capture there",
        )
    if any(path.level != "spl" for path in paths):
        names = listed(path.output for path in paths if path.level != "spl")
        reasons = once(note for path in paths for note in path.notes if "relative level" in note)
        why = f" ({'; '.join(reasons)})" if reasons else ""
        raise Refused.at(
            "",
            f"the level at {quoted(listener)} is only known as relative dB: {names}{why}; give "
            "every source its amplifier channel and every box its sensitivity or maximum SPL, or "
            "attach captures in SPL with --captured-input-dbu",
        )


def _band_db(
    band: int, axis: Axis, power: FloatArray, known: FloatArray, weights: FloatArray
) -> float | None:
    low_hz, high_hz = edges_hz(band)
    inside = (axis.frequency_hz >= low_hz) & (axis.frequency_hz < high_hz)
    whole = float(weights[inside].sum())
    covered = float((weights * known)[inside].sum())
    if whole <= 0.0 or covered < KNOWN_SHARE * whole:
        return None
    # What is not known of a band is taken to be as loud as the rest of it.
    total = float((weights * power)[inside].sum()) * whole / covered
    return 10.0 * math.log10(total) if total > 0.0 else -math.inf


def _total_db(
    power: FloatArray, known: FloatArray, weights: FloatArray, weighting_db: FloatArray
) -> float | None:
    total = float(np.sum(weights * known * power * 10.0 ** (weighting_db / 10.0)))
    return 10.0 * math.log10(total) if total > 0.0 else None


def _headroom(
    preset: Preset,
    output: str,
    axis: Axis,
    drive: Drive,
    weights: FloatArray,
    input_level_dbu: float,
    crest_db: float,
) -> Headroom:
    """From an output's rms level, and its peak as the rms of the sine that has it."""
    total = float(np.sum(weights * _output_power(preset, output, axis, drive)))
    if total <= 0.0:
        return Headroom(output, None, None, None)
    level_dbu = 10.0 * math.log10(total) + input_level_dbu
    limiter = preset.output(output).limiter
    rms_db = peak_db = None
    if limiter is not None and limiter.rms is not None:
        rms_db = limiter.rms.threshold_dbu - level_dbu
    if limiter is not None and limiter.peak is not None:
        peak_db = limiter.peak.threshold_dbu - (level_dbu + crest_db - SINE_CREST_DB)
    return Headroom(output, level_dbu, rms_db, peak_db)


def _first(
    headroom: tuple[Headroom, ...], input_level_dbu: float, a_db: float | None
) -> FirstLimit | None:
    found = [
        (room_db, each.output, name)
        for each in headroom
        for name, room_db in (("rms", each.rms_db), ("peak", each.peak_db))
        if room_db is not None
    ]
    if not found or a_db is None:
        return None
    room_db, output, name = min(found)
    return FirstLimit(output, name, room_db, input_level_dbu + room_db, a_db + room_db)


def _limit_cautions(
    first: FirstLimit | None, estimated: Sequence[str], crest_db: float
) -> list[str]:
    found: list[str] = []
    if first is not None and first.headroom_db < 0.0:
        found.append(
            f"the {first.limiter} limiter of {quoted(first.output)} acts already, "
            f"{plain(-first.headroom_db, 1)} dB below this level: what is heard is less than the "
            f"figures, from {show_dbu(first.input_level_dbu)} at the inputs on"
        )
    if estimated:
        found.append(
            f"estimated from a data sheet's maximum SPL: {listed(estimated)}; that is a peak, so "
            f"noise reaches at most {plain(crest_db, 1)} dB less, its crest factor"
        )
    return found


def _exposure_cautions(a_db: float | None) -> list[str]:
    found: list[str] = []
    if a_db is not None and a_db > WHO_VENUE_DB:
        found.append(
            f"{plain(a_db, 1)} dB(A) is above the {plain(WHO_VENUE_DB, 0)} dB LAeq over 15 minutes "
            "of the WHO's standard for venues (2022)"
        )
    if a_db is not None and a_db > OSHA_CEILING_DB:
        found.append(f"above {plain(OSHA_CEILING_DB, 0)} dB(A) OSHA permits no time at all")
    found.append(EXPOSURE_CAUTION)
    return found


def _beyond_boxes(
    preset: Preset,
    paths: Sequence[PathResponse],
    drive: Drive,
    input_level_dbu: float,
    crest_db: float,
    axis: Axis,
    weights: FloatArray,
) -> tuple[dict[str, float], list[str]]:
    """Outputs that the noise would drive beyond a box's maximum SPL: by how much, and sentences.

    A box that reaches its maximum with its peaks gives no more; the whole output is held there.
    """
    held_db: dict[str, float] = {}
    words: list[str] = []
    boxes: dict[str, BoxResponse] = {}
    for path in paths:
        electrical = weights * _output_power(preset, path.output, axis, drive)
        for chain in chains_of(preset, path.output, axis, boxes):
            most_db = chain.box.max_spl_db
            if most_db is None or chain.gain_db is None or chain.at_1m.level != "spl":
                continue
            most_db += free_field_db(chain.box)
            at_1m = np.nan_to_num(np.square(np.abs(chain.at_1m.response)))
            total = float(np.sum(electrical * at_1m))
            if total <= 0.0:
                continue
            peak_db = 10.0 * math.log10(total) + input_level_dbu + crest_db + chain.gain_db
            peak_db += db_from_ratio(DBU_REFERENCE_V / REFERENCE_DRIVE_V)
            over_db = peak_db - most_db
            if over_db > 0.0:
                held_db[path.output] = max(over_db, held_db.get(path.output, 0.0))
                words.append(
                    f"{quoted(chain.source.name)} would have to reach {plain(peak_db, 1)} dB at "
                    f"1 m with its peaks, and {quoted(chain.box.name)} ends at "
                    f"{plain(most_db, 1)} dB: held there, {plain(most_db - crest_db, 1)} dB of "
                    f"noise, {plain(over_db, 1)} dB less than asked for"
                )
    return held_db, list(once(words))
