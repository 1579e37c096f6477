"""From an output's terminals to a listener through its sources: amplifier, box, place, air.

Levels are absolute only where amplifier gain and sensitivity of every source are known. Where they
are not, `Terms` states which parts are left out, for all sources of one sum alike; no missing
figure is ever made up.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
from msgspec import Struct

from xover.acoustics import air as air_of
from xover.acoustics.amplifier import channel_gain_db, transformer_gain_db
from xover.acoustics.geometry import SHORTEST_M, distance_m, is_outside_coverage
from xover.acoustics.loudspeaker import (
    REFERENCE_DRIVE_V,
    BoxResponse,
    Complexes,
    response_at_1m,
)
from xover.acoustics.transfer import Basis, Transfer, once
from xover.dsp.axis import Axis
from xover.model.names import listed
from xover.model.preset import Preset
from xover.model.rig import Listener, Loudspeaker, Source
from xover.model.units import DBU_REFERENCE_V, db_from_ratio, ratio_from_db, show_hz

BOUNDARY_DB: Final = {"free": 0.0, "floor": 6.0, "floor-wall": 12.0, "corner": 18.0}
"""What rigid planes close by add to a small source; common practice, the doubling rounded."""
BOUNDARY_BELOW_HZ: Final = 300.0
"""Boundaries act on boxes whose range ends below this frequency."""


class Chain(Struct, frozen=True, eq=False):
    """One source with everything between its output and a listener."""

    source: Source
    box: Loudspeaker
    at_1m: BoxResponse
    gain_db: float | None
    """Voltage gain from output to box terminals; None where unknown; 0 for an active box."""
    latency_ms: float
    """Amplifier and loudspeaker, not the output's own."""
    missing: tuple[str, ...]
    """What keeps the level from being absolute, each as a clause."""
    notes: tuple[str, ...]

    @property
    def is_absolute(self) -> bool:
        """Whether both the gain and the sensitivity are known."""
        return self.gain_db is not None and self.at_1m.level == "spl"


class Terms(Struct, frozen=True):
    """Which level terms all the sources of one sum carry; both: the sum is SPL."""

    gain: bool
    sensitivity: bool
    as_given: bool = False
    """Boxes with relative traces only: their traces' own levels stand."""


def chains_of(
    preset: Preset, output: str, axis: Axis, boxes: dict[str, BoxResponse]
) -> tuple[Chain, ...]:
    """The chains of an output's sources, in file order; `boxes` keeps boxes already computed."""
    return tuple(_chain(preset, source, axis, boxes) for source in preset.sources_of(output))


def terms_of(chains: Sequence[Chain]) -> Terms:
    """The level terms known for all of `chains`.

    An active box hides its amplifier inside its sensitivity, so beside passive boxes its level
    compares only where both terms are known throughout.
    """
    gain = all(chain.gain_db is not None for chain in chains)
    sensitivity = all(chain.at_1m.level == "spl" for chain in chains)
    if not (gain and sensitivity) and len({chain.box.active for chain in chains}) > 1:
        gain = sensitivity = False
    as_given = all(
        chain.at_1m.basis == "trace" and chain.at_1m.level == "relative" for chain in chains
    )
    return Terms(gain, sensitivity, as_given)


def terms_words(terms: Terms) -> str:
    """Which terms a relative level carries, as a sentence."""
    if terms.as_given:
        boxes = "boxes at the levels of their own relative traces"
    elif terms.sensitivity:
        boxes = "sensitivities counted"
    else:
        boxes = "every box at 0 dB in its pass band at 1 m"
    return f"relative level: {boxes}, amplifier gains {'' if terms.gain else 'not '}counted"


def modelled(
    preset: Preset,
    output: str,
    listener: Listener,
    chains: Sequence[Chain],
    terms: Terms,
    axis: Axis,
) -> Transfer:
    """The sum over an output's sources at a listener, for 0 dBu at the output's terminals.

    Per source: amplifier gain, box at 1 m, polarity, quantity, boundary, 1/r, ISO 9613-1
    absorption, and the delay of flight and latencies. `chains` must not be empty.
    """
    absolute = terms.gain and terms.sensitivity
    latency_ms = preset.output(output).latency_ms
    total = np.zeros(len(axis), dtype=np.complex128)
    notes: list[str] = []
    for chain in chains:
        response, said = _at_listener(preset, listener, chain, terms, axis, latency_ms)
        total += response
        notes += [*chain.at_1m.notes, *chain.notes, *said]
    notes += _outside_words(chains, listener)
    missing = () if absolute else once(clause for chain in chains for clause in chain.missing)
    if not absolute:
        notes += [terms_words(terms), *missing]
    notes += air_of.notes(preset.air)
    bases = {chain.at_1m.basis for chain in chains}
    basis: Basis = bases.pop() if len(bases) == 1 else "mixed"
    return Transfer(
        output=output,
        response=total,
        level="spl" if absolute else "relative",
        basis=basis,
        session=None,
        estimate=any(chain.at_1m.estimate for chain in chains),
        missing=missing,
        notes=once(notes),
        coherence=None,
        doubtful=np.zeros(len(axis), dtype=np.bool_),
    )


def _chain(preset: Preset, source: Source, axis: Axis, boxes: dict[str, BoxResponse]) -> Chain:
    box = preset.loudspeaker(source.loudspeaker)
    if box.name not in boxes:
        boxes[box.name] = response_at_1m(box, axis, air=preset.air)
    at_1m = boxes[box.name]
    missing: list[str] = []
    notes: list[str] = []
    if at_1m.level != "spl":
        missing.append(f"the box “{box.name}” has no absolute level at 1 m")
    gain_db, latency_ms = _gain(preset, source, box, missing, notes)
    if source.quantity > 1:
        notes.append(_coupling_words(preset, source))
    if source.boundary != "free" and not _boundary_acts(box):
        notes.append(
            f"the boundary of the source “{source.name}” is ignored: its box reaches above"
            f" {show_hz(BOUNDARY_BELOW_HZ)}"
        )
    return Chain(
        source=source,
        box=box,
        at_1m=at_1m,
        gain_db=gain_db,
        latency_ms=latency_ms + box.latency_ms,
        missing=tuple(missing),
        notes=tuple(notes),
    )


def _gain(
    preset: Preset, source: Source, box: Loudspeaker, missing: list[str], notes: list[str]
) -> tuple[float | None, float]:
    """Voltage gain to the box (None: unknown) and the amplifier's latency in ms."""
    name = source.name
    if box.active:
        if source.amplifier_channel is not None:
            notes.append(
                f"the source “{name}” is an active box: its amplifier channel is not counted"
            )
        return 0.0, 0.0
    if source.amplifier_channel is None:
        missing.append(f"the source “{name}” names no amplifier channel")
        return None, 0.0
    channel = preset.amplifier_channel(source.amplifier_channel)
    amplifier = preset.amplifier(channel.amplifier)
    gain_db = channel_gain_db(amplifier, channel, unlocked_attenuator=True)
    if channel.line_v is None:
        if source.tap_w is None:
            return gain_db, amplifier.latency_ms
        missing.append(
            f"the source “{name}” is on a tap but the channel “{channel.name}” has no line voltage"
        )
        return None, amplifier.latency_ms
    if source.tap_w is None:
        missing.append(
            f"the source “{name}” is on the line of the channel “{channel.name}” without a tap"
        )
        return None, amplifier.latency_ms
    gain_db += transformer_gain_db(box, source.tap_w, channel.line_v)
    return gain_db, amplifier.latency_ms


def _at_listener(
    preset: Preset,
    listener: Listener,
    chain: Chain,
    terms: Terms,
    axis: Axis,
    output_latency_ms: float,
) -> tuple[Complexes, tuple[str, ...]]:
    source = chain.source
    r_m = distance_m(source.position_m, listener.position_m)
    factor = factor_at_1m(chain, terms) / r_m
    absorbed_db = r_m * air_of.absorption_db_per_m(preset.air, axis.frequency_hz)
    flight_ms = 1000.0 * r_m / air_of.speed_of_sound_m_s(preset.air)
    response = chain.at_1m.response * (factor * 10.0 ** (-absorbed_db / 20.0))
    response *= axis.delay_phasor(flight_ms + output_latency_ms + chain.latency_ms)
    notes: list[str] = []
    if math.dist(source.position_m, listener.position_m) < SHORTEST_M:
        notes.append(
            f"the source “{source.name}” and “{listener.name}” are closer than 0.1 m: 0.1 m is used"
        )
    return response, tuple(notes)


def _outside_words(chains: Sequence[Chain], listener: Listener) -> list[str]:
    """One sentence for all of an output's sources whose coverage the listener sits outside."""
    names = [
        chain.source.name
        for chain in chains
        if is_outside_coverage(chain.source, chain.box, listener)
    ]
    if not names:
        return []
    what, whose = (
        ("the source", "its level") if len(names) == 1 else ("the sources", "their levels")
    )
    return [
        f"“{listener.name}” sits outside the coverage of {what} {listed(names)}: {whose} there "
        f"{'is' if len(names) == 1 else 'are'} computed as on axis, and less arrives"
    ]


def factor_at_1m(chain: Chain, terms: Terms) -> float:
    """What multiplies the box's own response at 1 m: quantity, boundary, levels, polarity."""
    source, box = chain.source, chain.box
    level_db = db_from_ratio(source.quantity)
    if _boundary_acts(box):
        level_db += BOUNDARY_DB[source.boundary]
    if terms.gain and chain.gain_db is not None:
        level_db += chain.gain_db
    if terms.gain and terms.sensitivity:
        level_db += db_from_ratio(DBU_REFERENCE_V / REFERENCE_DRIVE_V)
    if not terms.sensitivity and not terms.as_given:
        level_db -= chain.at_1m.own_level_db
    return ratio_from_db(level_db) * (-1.0 if source.polarity == "inverted" else 1.0)


def _boundary_acts(box: Loudspeaker) -> bool:
    return box.passband_hz[1] < BOUNDARY_BELOW_HZ


def _coupling_words(preset: Preset, source: Source) -> str:
    start = f"the {source.quantity} boxes of the source “{source.name}” are taken as coupled"
    if source.spacing_m is None:
        return f"{start}; their spacing is not given, so where that ends is not known"
    limit_hz = air_of.speed_of_sound_m_s(preset.air) / (2.0 * source.spacing_m)
    return f"{start}, which does not hold above {show_hz(limit_hz)}"
