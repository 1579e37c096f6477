"""Responses as an engineer asks for them: an output, or the sum at a listener, ready to show.

The engine's complex arrays in decibels, wrapped degrees and milliseconds, with what was played
and what there is to say about it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from msgspec import Struct
from numpy.typing import ArrayLike

from xover.acoustics import field
from xover.dsp import response as electrical
from xover.dsp.axis import AXIS_NYQUIST_FRACTION, Axis, ComplexArray, FloatArray
from xover.model.drive import Drive, drive_of
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.units import show_hz
from xover.model.words import Level


class Response(Struct, frozen=True, eq=False):
    """One answer; every array has shape (n,).

    `magnitude_db` is −inf where nothing comes and NaN where nothing is known; `phase_deg` lies in
    ±180 with all delay included, NaN where it has no meaning, like `group_delay_ms`.
    """

    kind: Literal["output", "listener"]
    name: str
    frequency_hz: FloatArray
    response: ComplexArray
    magnitude_db: FloatArray
    phase_deg: FloatArray
    group_delay_ms: FloatArray
    level: Level
    input_level_dbu: float
    """The level at the driven inputs that an SPL is for."""
    drive: Drive
    basis: dict[str, str]
    """What each contributing output rests on: "measured", "trace", "model" or "mixed"."""
    notes: tuple[str, ...]

    @property
    def flight_ms(self) -> float:
        """The delay that is left where the response is loud and high: time of flight, mostly.

        The median group delay over the two highest octaves that lie within 20 dB of the largest
        magnitude; 0 where there is none. For pictures of phase, which it makes readable.
        """
        known = np.isfinite(self.group_delay_ms) & np.isfinite(self.magnitude_db)
        if not known.any():
            return 0.0
        loud = known & (self.magnitude_db >= np.max(self.magnitude_db[known]) - 20.0)
        high = loud & (self.frequency_hz >= self.frequency_hz[loud][-1] / 4.0)
        return float(np.median(self.group_delay_ms[high]))

    def phase_without_deg(self, delay_ms: float) -> FloatArray:
        """The phase within ±180° with `delay_ms` taken out, shape (n,), NaN as in `phase_deg`."""
        turned = self.phase_deg + 0.36 * self.frequency_hz * delay_ms
        return np.asarray((turned + 180.0) % 360.0 - 180.0)


def log_frequencies(preset: Preset, points_per_octave: int = 48) -> FloatArray:
    """20·2^(k/points) Hz up to 20 kHz and below 0.49 of the preset's sample rate, shape (n,)."""
    return Axis.log(points_per_octave, sample_rate_hz=preset.sample_rate_hz).frequency_hz


def output_response(
    preset: Preset,
    output: str,
    frequency_hz: ArrayLike | None = None,
    *,
    drive: Drive | None = None,
) -> Response:
    """Electrical response of `output` from the driven inputs, limiters excluded, muted = −∞.

    Input stage, matrix and output stage; the output's fixed latency is not in it. `frequency_hz`
    ascending, shape (n,), below half the sample rate (None: 48 points an octave). Independent
    inputs give the level of their power sum, without phase. Raises `Refused`.
    """
    axis = _axis(preset, frequency_hz)
    settled = drive_of(preset) if drive is None else drive
    try:
        item = preset.output(output)
    except KeyError:
        known = ", ".join(each.name for each in preset.outputs)
        raise Refused.at("", f"there is no output “{output}”; the outputs are {known}") from None
    notes: list[str] = []
    if item.muted:
        notes.append(f"“{output}” is muted")
    elif not any(name in item.inputs for name in settled.levels_db):
        notes.append(f"no driven input is routed to “{output}”")
    if settled.correlated:
        total = electrical.output_response(preset, output, axis, settled)
        delay_ms = electrical.output_group_delay_ms(preset, output, axis, settled)
    else:
        rows = electrical.output_responses(preset, output, axis, settled)
        total = np.sqrt(np.sum(np.abs(rows) ** 2, axis=0)).astype(np.complex128)
        delay_ms = np.full(len(axis), np.nan)
    return _answer(
        "output", output, axis, total, delay_ms, "relative", 0.0, settled, {}, tuple(notes)
    )


def listener_response(
    preset: Preset,
    listener: str,
    frequency_hz: ArrayLike | None = None,
    *,
    drive: Drive | None = None,
    only: Sequence[str] = (),
    input_level_dbu: float = 0.0,
) -> Response:
    """The sum of all outputs (or those in `only`) at `listener`.

    In dB SPL for `input_level_dbu` at the driven inputs where every level is known, relative
    otherwise. `frequency_hz` as in `output_response`. Raises `Refused` where levels cannot be
    summed.
    """
    axis = _axis(preset, frequency_hz)
    settled = drive_of(preset) if drive is None else drive
    answer = field.listener_response(
        preset, listener, axis, settled, input_level_dbu=input_level_dbu, only=only
    )
    delay_ms = field.group_delay_ms(preset, listener, axis, settled, only=only)
    return _answer(
        "listener",
        listener,
        axis,
        answer.total,
        delay_ms,
        answer.level,
        input_level_dbu,
        settled,
        {path.output: path.basis for path in answer.paths},
        answer.notes,
    )


def _axis(preset: Preset, frequency_hz: ArrayLike | None) -> Axis:
    if frequency_hz is None:
        return Axis.log(sample_rate_hz=preset.sample_rate_hz)
    wanted = np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
    limit = AXIS_NYQUIST_FRACTION * preset.sample_rate_hz
    for value in wanted.tolist():
        if not 0.0 < value < limit:
            raise Refused.at(
                "",
                f"{value:g} Hz cannot be computed: frequencies lie above 0 Hz and below "
                f"{show_hz(limit)} at this sample rate",
            )
    if np.any(np.diff(wanted) <= 0.0):
        raise Refused.at("", "frequencies must ascend, each named once")
    return Axis(wanted, preset.sample_rate_hz)


def _answer(
    kind: Literal["output", "listener"],
    name: str,
    axis: Axis,
    total: ComplexArray,
    delay_ms: FloatArray,
    level: Level,
    input_level_dbu: float,
    drive: Drive,
    basis: dict[str, str],
    notes: tuple[str, ...],
) -> Response:
    with np.errstate(divide="ignore"):
        magnitude_db = 20.0 * np.log10(np.abs(total))
    silent = total == 0.0
    phase_deg = np.where(silent, np.nan, np.degrees(np.angle(total)))
    if not drive.correlated:
        phase_deg = np.full(len(axis), np.nan)
    return Response(
        kind,
        name,
        axis.frequency_hz,
        total,
        magnitude_db,
        phase_deg,
        np.where(silent, np.nan, delay_ms),
        level,
        input_level_dbu,
        drive,
        basis,
        notes,
    )
