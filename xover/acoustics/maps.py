"""Levels over an audience plane in one band: the computed sum at every point of a grid.

The same terms as the sum at a listener, so that both give the same figures; captures say nothing
between the places where they were made and have no part in it. No directivity, no reflections.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from itertools import combinations
from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from xover.acoustics import air as air_of
from xover.acoustics.area import Area
from xover.acoustics.bands import Band
from xover.acoustics.field import is_audible, why_silent
from xover.acoustics.geometry import SHORTEST_M
from xover.acoustics.loudspeaker import BoxResponse
from xover.acoustics.modelled import (
    Chain,
    Terms,
    chains_of,
    factor_at_1m,
    terms_of,
    terms_words,
)
from xover.acoustics.transfer import once
from xover.dsp.axis import AXIS_NYQUIST_FRACTION, Axis
from xover.dsp.response import output_responses
from xover.model.drive import Drive
from xover.model.names import listed
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.ranges import PositionM
from xover.model.units import show_hz
from xover.model.words import Level

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

LEAST_FREQUENCIES, MOST_FREQUENCIES = 24, 512
"""Frequencies in a band: enough that no comb between two sources slips through them."""
_CHUNK: Final = 24_576
"""Points times sources worked on at once: a few hundred kilobytes, so that caches hold them."""


class LevelMap(Struct, frozen=True, eq=False):
    """Levels over an area; `level_db` is (rows, columns), −inf where nothing sounds."""

    area: Area
    band: Band
    level_db: Floats
    level: Level
    """"spl": for `input_level_dbu` of the driven inputs within the band."""
    input_level_dbu: float
    outputs: tuple[str, ...]
    """The outputs that contribute."""
    notes: tuple[str, ...]

    @property
    def spread_db(self) -> float:
        """Between the loudest and the quietest point, in dB."""
        return float(np.max(self.level_db) - np.min(self.level_db))

    def at(self, row: int, column: int) -> tuple[float, float, float]:
        """The x and y in metres and the level in dB of one point."""
        area = self.area
        return (
            float(area.xs_m[column]),
            float(area.ys_m[row]),
            float(self.level_db[row, column]),
        )

    @property
    def loudest(self) -> tuple[float, float, float]:
        """The x, y and level of the loudest point."""
        row, column = divmod(int(np.argmax(self.level_db)), self.area.columns)
        return self.at(row, column)

    @property
    def quietest(self) -> tuple[float, float, float]:
        """The x, y and level of the quietest point."""
        row, column = divmod(int(np.argmin(self.level_db)), self.area.columns)
        return self.at(row, column)


def level_map(
    preset: Preset,
    area: Area,
    band: Band,
    drive: Drive,
    *,
    only: Sequence[str] = (),
    input_level_dbu: float = 0.0,
    going: Callable[[float], bool] | None = None,
) -> LevelMap:
    """The level of the computed sum in `band` at every point of `area`.

    The mean of |sum|² over log frequency in the band: what pink noise of that level makes. `going`
    is told the share that is done and stops the work by answering false. Raises `Refused` where
    nothing sounds, absolute and relative levels would meet, the band is out of reach, or it was
    stopped.
    """
    points_m = area.points_m
    rig = rig_of(preset, band, drive, only=only)
    mean = band_power(rig, points_m, going=going)
    with np.errstate(divide="ignore"):
        level_db = 10.0 * np.log10(mean).reshape(area.rows, area.columns)
    if rig.level == "spl":
        level_db += input_level_dbu
    notes = list(rig.notes)
    inside = _inside(rig, points_m)
    if inside:
        notes.append(f"{inside} points are closer than 0.1 m to a source: 0.1 m is used")
    return LevelMap(
        area, band, level_db, rig.level, input_level_dbu, rig.outputs, once(notes)
    )  # fmt: skip


class BandRig(Struct, frozen=True, eq=False):
    """Everything about the sources that does not depend on the point: n frequencies, s sources."""

    frequency_hz: Floats
    """(n,) evenly spaced."""
    weights: Floats
    """(n,) over log frequency; 0 where a trace says nothing."""
    coefficients: Complexes
    """(n, i, s): what reaches 1 m of each source from each signal, latencies included."""
    positions_m: Floats
    """(s, 3)"""
    absorption_np_m: Floats
    """(n,) nepers a metre."""
    speed_m_s: float
    level: Level
    outputs: tuple[str, ...]
    notes: tuple[str, ...]


def rig_of(
    preset: Preset,
    band: Band,
    drive: Drive,
    *,
    only: Sequence[str] = (),
    frequencies: int | None = None,
) -> BandRig:
    """The sources as `band_power` wants them; `frequencies` in the band where not by their spread.

    Raises `Refused` as `level_map`.
    """
    low_hz, high_hz = band.edges_hz
    limit_hz = AXIS_NYQUIST_FRACTION * preset.sample_rate_hz
    if not (low_hz >= 1.0 and high_hz < limit_hz):
        raise Refused.at(
            "",
            f"the {band.words} reaches from {show_hz(low_hz)} to {show_hz(high_hz)}; bands lie "
            f"between 1 Hz and {show_hz(limit_hz)} at this sample rate",
        )
    heard = [
        item.name
        for item in preset.outputs
        if (not only or item.name in only)
        and is_audible(preset, item.name, drive)
        and preset.sources_of(item.name)
    ]
    if not heard:
        raise Refused.at(
            "sources",
            "nothing sounds here: no output that is open and played has a source with a position",
        )
    count = frequencies or _count(preset, band, heard, drive)
    frequency_hz, weights = band.frequencies(min(count, MOST_FREQUENCIES))
    axis = Axis(frequency_hz, preset.sample_rate_hz)
    boxes: dict[str, BoxResponse] = {}
    chains = {name: chains_of(preset, name, axis, boxes) for name in heard}
    notes = _notes(preset, only, heard, chains, drive)
    if count > MOST_FREQUENCIES and frequencies is None:
        notes.append(
            f"sources arrive so far apart that {count} frequencies would be needed in this band; "
            f"{MOST_FREQUENCIES} are taken, fine combing is averaged less exactly"
        )
    levels, level = _terms(chains, notes)
    coefficients, places = [], []
    for name in heard:
        rows = output_responses(preset, name, axis, drive)
        signals = rows.sum(axis=0, keepdims=True) if drive.correlated else rows
        latency_ms = preset.output(name).latency_ms
        for chain in chains[name]:
            path = chain.at_1m.response * factor_at_1m(chain, levels[name])
            path = path * axis.delay_phasor(latency_ms + chain.latency_ms)
            # What is not routed stays silent where a trace says nothing.
            coefficients.append(np.where(signals == 0.0, 0.0, signals * path))
            places.append(chain.source.position_m)
    stacked = np.array(coefficients).transpose(2, 1, 0)
    unknown = np.isnan(stacked).any(axis=(1, 2))
    if unknown.all():
        raise Refused.at(
            "", f"no trace of a box says anything in the {band.words}; choose another band"
        )
    if unknown.any():
        notes.append("frequencies of the band that a box's trace does not cover are left out")
        weights = np.where(unknown, 0.0, weights)
        weights /= weights.sum()
        stacked[unknown] = 0.0
    return BandRig(
        frequency_hz,
        weights,
        np.ascontiguousarray(stacked),
        np.array(places),
        air_of.absorption_db_per_m(preset.air, frequency_hz) * (math.log(10.0) / 20.0),
        air_of.speed_of_sound_m_s(preset.air),
        level,
        tuple(heard),
        once(notes),
    )


def band_power(
    rig: BandRig, points_m: Floats, *, going: Callable[[float], bool] | None = None
) -> Floats:
    """(p,) the mean of |sum|² over the band at points (p, 3); 1 is 0 dB of the rig's level.

    Frequencies lie evenly, so that each phasor is the one before times a constant one: the cost
    of a point is a few products a frequency. Raises `Refused` where `going` answers false.
    """
    mean = np.empty(len(points_m))
    step = max(64, _CHUNK // len(rig.positions_m))
    turn = -2j * math.pi / rig.speed_m_s
    spacing_hz = float(rig.frequency_hz[1] - rig.frequency_hz[0])
    for start in range(0, len(points_m), step):
        if going is not None and not going(start / len(points_m)):
            raise Refused.at("", "stopped before it was done")
        points = points_m[start : start + step]
        r_m = _distances(rig.positions_m, points)
        phasor = np.exp(turn * rig.frequency_hz[0] * r_m) / r_m
        onward = np.exp(turn * spacing_hz * r_m)
        power = np.zeros(len(points))
        for weight, absorption, row in zip(
            rig.weights, rig.absorption_np_m, rig.coefficients, strict=True
        ):
            if weight:
                total = row @ (phasor * np.exp(-absorption * r_m))
                power += weight * np.sum(total.real**2 + total.imag**2, axis=0)
            phasor *= onward
        mean[start : start + step] = power
    return mean


def _distances(places_m: Floats, points_m: Floats) -> Floats:
    """(s, p) metres, never below the shortest."""
    square = np.zeros((len(places_m), len(points_m)))
    for axis in range(3):
        square += np.square(places_m[:, axis, None] - points_m[None, :, axis])
    return np.asarray(np.maximum(np.sqrt(square), SHORTEST_M))


def _inside(rig: BandRig, points_m: Floats) -> int:
    """How many points lie inside the shortest distance of a source."""
    near = np.zeros(len(points_m), dtype=bool)
    for place in rig.positions_m:
        near |= np.sum(np.square(points_m - place), axis=1) < SHORTEST_M**2
    return int(near.sum())


def _count(preset: Preset, band: Band, heard: Sequence[str], drive: Drive) -> int:
    """Two frequencies and more a period of the finest comb that two sources can make.

    The difference of two ways is at most the sources' distance; delays and latencies add to it.
    """
    c = air_of.speed_of_sound_m_s(preset.air)
    ends: list[tuple[PositionM, float]] = []
    for name in heard:
        output = preset.output(name)
        inputs_ms = [preset.input(key).delay_ms for key in drive.levels_db if key in output.inputs]
        for source in preset.sources_of(name):
            latency_ms = preset.loudspeaker(source.loudspeaker).latency_ms
            for delay_ms in set(inputs_ms):
                total_ms = output.delay_ms + output.latency_ms + latency_ms + delay_ms
                ends.append((source.position_m, total_ms))
    ends = list(dict.fromkeys(ends))
    if len(ends) > 64:  # the pairs of a large rig: its whole extent is near enough
        low = tuple(min(place[axis] for place, _ in ends) for axis in range(3))
        high = tuple(max(place[axis] for place, _ in ends) for axis in range(3))
        times_ms = [time_ms for _, time_ms in ends]
        spread_s = math.dist(low, high) / c + (max(times_ms) - min(times_ms)) / 1000.0
    else:
        spread_s = max(
            (
                math.dist(one, other) / c + abs(one_ms - other_ms) / 1000.0
                for (one, one_ms), (other, other_ms) in combinations(ends, 2)
            ),
            default=0.0,
        )
    low_hz, high_hz = band.edges_hz
    return max(LEAST_FREQUENCIES, math.ceil(2.0 * (high_hz - low_hz) * spread_s) + 1)


def _terms(
    chains: Mapping[str, tuple[Chain, ...]], notes: list[str]
) -> tuple[dict[str, Terms], Level]:
    """The level terms of each output and the level of their sum; relative ones share theirs."""
    absolute = [name for name, each in chains.items() if all(one.is_absolute for one in each)]
    relative = [name for name in chains if name not in absolute]
    if absolute and relative:
        missing = once(why for name in relative for one in chains[name] for why in one.missing)
        raise Refused.at(
            "",
            f"a map would mix absolute levels ({listed(absolute)}) with relative ones "
            f"({listed(relative)}: {'; '.join(missing)}); keep to one kind with --only, or give "
            "every source its sensitivity and amplifier channel",
        )
    shared = terms_of([one for each in chains.values() for one in each])
    if relative:
        notes.append(terms_words(shared))
        notes += [why for each in chains.values() for one in each for why in one.missing]
        return dict.fromkeys(chains, shared), "relative"
    return {name: terms_of(each) for name, each in chains.items()}, "spl"


def _notes(
    preset: Preset,
    only: Sequence[str],
    heard: Sequence[str],
    chains: dict[str, tuple[Chain, ...]],
    drive: Drive,
) -> list[str]:
    notes: list[str] = []
    for output in preset.outputs:
        if output.name in heard or (only and output.name not in only):
            continue
        if not is_audible(preset, output.name, drive):
            why = why_silent(preset, output.name)
        else:
            why = "it has no source with a position"
        notes.append(f"“{output.name}” contributes nothing: {why}")
    captured = [name for name in heard if any(item.output == name for item in preset.measurements)]
    if captured:
        notes.append(
            f"{listed(captured)} {'was' if len(captured) == 1 else 'were'} captured at listeners; "
            "a capture says nothing of other places, so the map is computed from boxes and places"
        )
    notes += [note for each in chains.values() for chain in each for note in chain.at_1m.notes]
    notes += [note for each in chains.values() for chain in each for note in chain.notes]
    if any(chain.box.coverage_deg is not None for each in chains.values() for chain in each):
        notes.append(
            "coverage of boxes is not in the level: beside and behind them less arrives than shown"
        )
    notes += air_of.notes(preset.air)
    return notes
