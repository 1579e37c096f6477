"""When and how loud each output's direct sound arrives at a listener.

The table behind delay by distance: from positions, delays and latencies alone, so an output
without sources has no row. Levels compare outputs; they are not a prediction of loudness.
"""

from __future__ import annotations

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from xover.acoustics.air import speed_of_sound_m_s
from xover.acoustics.field import transfers_at
from xover.acoustics.geometry import distance_m, nearest
from xover.acoustics.transfer import Transfer
from xover.dsp.axis import Axis
from xover.dsp.response import output_responses
from xover.model.drive import Drive
from xover.model.preset import Preset
from xover.model.processing import Output
from xover.model.rig import Source
from xover.model.units import ratio_from_db
from xover.model.words import Level

PASS_BAND_DB = -10.0
"""An output's pass band is where its electrical response is within this of its largest."""


class Arrival(Struct, frozen=True):
    """The direct sound of one output's nearest source at one listener."""

    listener: str
    output: str
    source: str
    distance_m: float
    time_ms: float
    """Flight, delays of output and input, and every latency on the way."""
    level_db: float
    """Mean power over log frequency in the output's pass band; −inf if silent, NaN if unknown."""
    level: Level


def arrivals(
    preset: Preset, listener: str, drive: Drive, *, input_level_dbu: float = 0.0
) -> tuple[Arrival, ...]:
    """One row for each output that has a source, in file order.

    An output's nearest source counts for the time; where several driven inputs feed it, the one
    with the least delay. Level: the output's path at the listener (measured where it was),
    power-averaged over log frequency where its electrical response is within 10 dB of its largest
    and, for a computed path, inside the nearest box's quoted range. Levels of outputs compare
    where `level` is the same. Raises `Refused` for an unknown listener.
    """
    axis = Axis.log(24, sample_rate_hz=preset.sample_rate_hz)
    heard = [item for item in preset.outputs if preset.sources_of(item.name)]
    transfers, _ = transfers_at(preset, [item.name for item in heard], listener, axis)
    place_m = preset.listener(listener).position_m
    rows = []
    for output in heard:
        source = nearest(preset.sources_of(output.name), place_m)
        transfer = transfers[output.name]
        assert source is not None
        level_db = _level_db(preset, output, source, transfer, axis, drive)
        if transfer.level == "spl":
            level_db += input_level_dbu
        rows.append(
            Arrival(
                listener=listener,
                output=output.name,
                source=source.name,
                distance_m=distance_m(source.position_m, place_m),
                time_ms=arrival_ms(preset, source, listener, drive),
                level_db=level_db,
                level=transfer.level,
            )
        )
    return tuple(rows)


def arrival_ms(preset: Preset, source: Source, listener: str, drive: Drive) -> float:
    """When a source's direct sound arrives, in ms after the stimulus enters the processor.

    r/c + output delay + every latency + the least delay among the driven inputs routed to it.
    """
    r_m = distance_m(source.position_m, preset.listener(listener).position_m)
    return arrival_after_ms(preset, source.output, source, r_m, drive)


def arrival_after_ms(
    preset: Preset, output: str, source: Source | None, r_m: float, drive: Drive
) -> float:
    """`arrival_ms` over a way of `r_m` metres; without a source its box and amplifier cost no time.

    For ways that were measured on site.
    """
    item = preset.output(output)
    time_ms = 1000.0 * r_m / speed_of_sound_m_s(preset.air)
    time_ms += item.delay_ms + item.latency_ms
    if source is not None:
        box = preset.loudspeaker(source.loudspeaker)
        time_ms += box.latency_ms
        if source.amplifier_channel is not None and not box.active:
            channel = preset.amplifier_channel(source.amplifier_channel)
            time_ms += preset.amplifier(channel.amplifier).latency_ms
    inputs_ms = [preset.input(name).delay_ms for name in drive.levels_db if name in item.inputs]
    return time_ms + min(inputs_ms, default=0.0)


def level_difference_db(
    preset: Preset, output: str, reference: str, listener: str, drive: Drive
) -> float:
    """How much louder one output is than another at a listener, in the band that both play, in dB.

    Mean powers over log frequency where both pass bands of `arrivals` meet, or each in its own
    where they never do. NaN where a level is not known or silent, or of another kind.
    """
    axis = Axis.log(24, sample_rate_hz=preset.sample_rate_hz)
    transfers, _ = transfers_at(preset, [output, reference], listener, axis)
    if set(transfers) != {output, reference} or len({t.level for t in transfers.values()}) > 1:
        return float("nan")
    powers, bands = [], []
    for name in (output, reference):
        transfer = transfers[name]
        source = nearest(preset.sources_of(name), preset.listener(listener).position_m)
        electrical = _magnitude(output_responses(preset, name, axis, drive), drive)
        if not electrical.any():
            return float("nan")
        bands.append(_pass_band(preset, source, transfer, axis, electrical))
        powers.append(np.square(electrical * np.abs(transfer.response)))
    bands = [band & ~np.isnan(power) for band, power in zip(bands, powers, strict=True)]
    if (bands[0] & bands[1]).any():
        bands = [bands[0] & bands[1]] * 2
    means = [
        np.mean(power[band]) if band.any() else 0.0
        for band, power in zip(bands, powers, strict=True)
    ]
    if not min(means) > 0.0:
        return float("nan")
    return float(10.0 * np.log10(means[0] / means[1]))


def _pass_band(
    preset: Preset,
    source: Source | None,
    transfer: Transfer,
    axis: Axis,
    electrical: NDArray[np.float64],
) -> NDArray[np.bool_]:
    band = np.asarray(electrical >= ratio_from_db(PASS_BAND_DB) * np.max(electrical))
    if transfer.basis != "measured" and source is not None:
        low_hz, high_hz = preset.loudspeaker(source.loudspeaker).passband_hz
        inside = band & (axis.frequency_hz >= low_hz) & (axis.frequency_hz <= high_hz)
        # An output filtered outside its box's range still has a level: that of its own band.
        band = inside if inside.any() else band
    return band


def _level_db(
    preset: Preset, output: Output, source: Source, transfer: Transfer, axis: Axis, drive: Drive
) -> float:
    rows = output_responses(preset, output.name, axis, drive)
    if not rows.any():
        return -np.inf
    electrical = _magnitude(rows, drive)
    band = _pass_band(preset, source, transfer, axis, electrical)
    power = np.square(electrical * np.abs(transfer.response))[band]
    power = power[~np.isnan(power)]
    if not power.size:
        return float("nan")
    mean = float(np.mean(power))
    return float(10.0 * np.log10(mean)) if mean > 0.0 else -np.inf


def _magnitude(rows: NDArray[np.complex128], drive: Drive) -> NDArray[np.float64]:
    if drive.correlated:
        return np.asarray(np.abs(rows.sum(axis=0)))
    return np.asarray(np.sqrt(np.sum(np.square(np.abs(rows)), axis=0)))
