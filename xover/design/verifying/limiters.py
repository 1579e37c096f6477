"""A limiter as typed against the limiter meant: threshold, attack and release from a staircase.

The sine of a staircase passes the processor alone, amplifiers disconnected. Whichever limiter of
the output has the lower threshold is the one that is seen.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from xover.dsp.axis import Axis
from xover.dsp.limiter_steps import Held, measure_limiter
from xover.dsp.response import input_stage, output_stage
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import Limit
from xover.model.units import (
    db_from_ratio,
    plain,
    ratio_from_db,
    short,
    show_db,
    show_dbu,
    show_hz,
)

THRESHOLD_DB = 0.5
TIMES = 2.0
"""Times count as typed up to this ratio either way: devices define them in ways of their own.
Common practice, no source."""
Kind = Literal["rms", "peak"]


class StepRecording(Struct, frozen=True, eq=False):
    """A recording (n,) with the staircase that was played."""

    samples: NDArray[np.float64]
    sample_rate_hz: float
    frequency_hz: float
    steps: tuple[Held, ...]


class LimiterVerified(Struct, frozen=True):
    """One output's limiter: what was meant, what was seen, and what is said of it.

    `threshold_dbu` and `highest_dbu` are rms levels at the processor's output; None where the
    player's full scale is not known, or nothing limited.
    """

    output: str
    matches: bool
    kind: Kind
    frequency_hz: float
    meant_threshold_dbu: float
    threshold_dbu: float | None
    threshold_played_dbfs: float | None
    highest_dbu: float | None
    meant_attack_ms: float
    attack_ms: float | None
    meant_release_ms: float
    release_ms: float | None
    sentences: tuple[str, ...]


def verify_limiter(
    preset: Preset,
    output: str,
    recording: StepRecording,
    *,
    driven: str,
    player_full_scale_dbu: float | None,
) -> LimiterVerified:
    """Compare a recorded staircase with the limiter that `preset` means for an output.

    `player_full_scale_dbu` is the level of the player's 0 dBFS (a sine's rms) at the processor's
    input; without it only times are compared. Raises `Refused` where the output has no limiter, or
    the staircase is not in the recording.
    """
    item = preset.output(output)
    kind, limit = _lower(output, item.limiter.rms if item.limiter else None,
                         item.limiter.peak if item.limiter else None)  # fmt: skip
    found = measure_limiter(
        recording.samples,
        sample_rate_hz=recording.sample_rate_hz,
        frequency_hz=recording.frequency_hz,
        steps=recording.steps,
        kind=kind,
    )
    gain_db = _gain_db(preset, output, driven, recording.frequency_hz)
    to_dbu = None if player_full_scale_dbu is None else player_full_scale_dbu + gain_db
    seen_dbu = None
    if to_dbu is not None and found.threshold_db is not None:
        seen_dbu = found.threshold_db + to_dbu
    highest_dbu = None if to_dbu is None else found.highest_db + to_dbu
    sentences = []
    matches = True
    words = f"{kind} threshold"
    if found.threshold_db is None:
        highest = "" if highest_dbu is None else f" up to {show_dbu(highest_dbu)} at the output"
        expected = highest_dbu is not None and highest_dbu < limit.threshold_dbu
        matches = expected
        sentences.append(
            f"nothing limits{highest}"
            + ("; play louder to reach the threshold" if expected else ": bypassed or set too high")
        )
    elif seen_dbu is None:
        sentences.append(
            f"limiting sets in at {plain(found.threshold_db, 1)} dBFS played; say the player's "
            "full scale with --full-scale-dbu to compare it with the threshold meant"
        )
    elif abs(seen_dbu - limit.threshold_dbu) > THRESHOLD_DB:
        matches = False
        off_db = seen_dbu - limit.threshold_dbu
        pair = f"meant {show_dbu(limit.threshold_dbu)}, looks like {show_dbu(seen_dbu)}"
        sentences.append(f"{words}: {pair}{_story(off_db, item.gain_db)}")
    else:
        sentences.append(f"{words}: {show_dbu(seen_dbu)}, as meant")
    if found.threshold_db is not None and found.rise_db_per_db > 0.15:
        matches = False
        sentences.append(
            f"above it the output still rises {plain(found.rise_db_per_db, 2)} dB a dB: this is "
            "compression, not a limit"
        )
    for name, meant, seen in (
        ("attack", limit.attack_ms, found.attack_ms),
        ("release", limit.release_ms, found.release_ms),
    ):
        if found.threshold_db is None:
            continue
        told = _time(name, meant, seen, found.shortest_ms)
        matches = matches and told[0]
        sentences.append(told[1])
    return LimiterVerified(
        output=output,
        matches=matches,
        kind=kind,
        frequency_hz=recording.frequency_hz,
        meant_threshold_dbu=limit.threshold_dbu,
        threshold_dbu=seen_dbu,
        threshold_played_dbfs=found.threshold_db,
        highest_dbu=highest_dbu,
        meant_attack_ms=limit.attack_ms,
        attack_ms=found.attack_ms,
        meant_release_ms=limit.release_ms,
        release_ms=found.release_ms,
        sentences=tuple(sentences),
    )


def _lower(output: str, rms: Limit | None, peak: Limit | None) -> tuple[Kind, Limit]:
    """The limiter that a sine meets first."""
    if rms is not None and (peak is None or rms.threshold_dbu <= peak.threshold_dbu):
        return "rms", rms
    if peak is not None:
        return "peak", peak
    raise Refused.at("", f"“{output}” has no limiter, so there is nothing to compare")


def _gain_db(preset: Preset, output: str, driven: str, frequency_hz: float) -> float:
    """From the driven input to the output at one frequency, dB. Raises `Refused` where it is −∞."""
    item = preset.output(output)
    axis = Axis(np.array([frequency_hz]), preset.sample_rate_hz)
    response = abs(complex((output_stage(item, axis) * input_stage(preset.input(driven), axis))[0]))
    if response == 0.0:
        raise Refused.at("", f"“{output}” is muted, so no limiter can be met")
    if response < ratio_from_db(-20.0 + item.gain_db):
        raise Refused.at(
            "",
            f"at {show_hz(frequency_hz)} the filters of “{output}” take "
            f"{plain(-db_from_ratio(response), 0)} dB; make the staircase inside its band",
        )
    return db_from_ratio(response * ratio_from_db(item.inputs[driven]))


def _story(off_db: float, gain_db: float) -> str:
    """How such an error comes about."""
    if abs(abs(off_db) - 3.01) <= 0.4:
        return ", a peak read as rms or the reverse"
    if gain_db and abs(abs(off_db) - abs(gain_db)) <= 0.4:
        return ", the output's gain counted wrongly"
    if abs(abs(off_db) - 2.2) <= 0.3:
        return ", dBV for dBu"
    return f", {show_db(off_db)} off"


def _time(
    name: str, meant_ms: float, seen_ms: float | None, shortest_ms: float
) -> tuple[bool, str]:
    """Whether a time is as meant, and what is said."""
    if seen_ms is None:
        if meant_ms > 2.0 * shortest_ms:
            return False, (
                f"{name}: meant {short(meant_ms)} ms, looks shorter than a period "
                f"({short(shortest_ms, 1)} ms)"
            )
        return True, f"{name}: shorter than a period ({short(shortest_ms, 1)} ms), not told apart"
    close = 1.0 / TIMES <= seen_ms / max(meant_ms, 1e-9) <= TIMES
    too_short_to_tell = meant_ms < 2.0 * shortest_ms and seen_ms < 4.0 * shortest_ms
    if close or too_short_to_tell:
        return True, f"{name}: about {plain(seen_ms, 0)} ms, meant {short(meant_ms)} ms"
    return False, f"{name}: meant {short(meant_ms)} ms, looks like {plain(seen_ms, 0)} ms"
