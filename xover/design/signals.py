"""Test signals as an engineer asks for them: samples, and the note that describes them.

Every level is that of a sine: 0 dBFS is a sine that just reaches full scale. Nothing is louder
than `SAFE_DBFS` unless that is asked for by name.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from xover.dsp.noise_and_pulses import band_pulse, level_steps, lobe_ratio_db, pink_noise
from xover.dsp.sweep import sweep_samples, sweep_shape
from xover.model.problems import Refused
from xover.model.signals import Play, SignalKind, SignalNote, Step, SweepShape
from xover.model.units import plain, show_hz

Array = NDArray[np.float64]

QUIET_DBFS = -30.0
"""The level without another being asked for."""
SAFE_DBFS = -12.0
"""Louder is refused unless asked for. Our own choice."""
TOP_OF_RATE = 0.45
"""Sweeps end below this part of the sample rate."""
LEAD_S = 0.2
"""Silence before the first sound."""
MARK_S = 0.4
"""How long a timing mark lasts; twice that where its band is narrower than three octaves."""
PINK_PERIOD_S = 20.0
"""Longer noise repeats itself after this."""
SECONDS_MAX = 1_800.0
SAMPLES_MAX = 1 << 27
"""All channels together: a gigabyte while it is made."""


class Signal(Struct, frozen=True, eq=False):
    """A test signal: `samples` (n_channels, n), full scale ±1, and its note."""

    samples: Array
    note: SignalNote


class Way(Struct, frozen=True):
    """One thing to be swept: an output by its name, or None, and the band it may have."""

    output: str | None
    low_hz: float
    high_hz: float


def sweep_signal(
    ways: Sequence[Way],
    *,
    duration_s: float = 5.0,
    fade_in_s: float | None = None,
    fade_out_s: float | None = None,
    gap_s: float = 1.0,
    level_dbfs: float = QUIET_DBFS,
    sample_rate_hz: float = 48_000.0,
    marks: bool = True,
    mark_on: int | None = None,
    one_channel: bool = False,
    loud: bool = False,
) -> Signal:
    """An exponential sweep for each of `ways`, one after the other, between two timing marks.

    A mark is a short sweep in the band of `ways[mark_on]`, by default of the way that reaches
    highest; two of them show how far the recorder's clock is from the player's, and the first is
    one time zero for all. Every way has a channel of its own unless `one_channel`; `gap_s` is the
    silence after each sound. Raises `Refused`.
    """
    _refuse_loud(level_dbfs, loud)
    if not ways:
        raise Refused.at("", "name at least one output to sweep")
    if len(ways) > 1 and not marks:
        raise Refused.at("", "several takes share one time zero by their mark; keep the marks")
    if not 0.1 <= gap_s <= 60.0:
        raise Refused.at("", f"the gap lies between 0.1 and 60 s, not {gap_s:g} s")
    shapes = []
    for way in ways:
        if way.high_hz > TOP_OF_RATE * sample_rate_hz:
            raise Refused.at(
                "",
                f"a sweep to {show_hz(way.high_hz)} needs a sample rate above "
                f"{show_hz(way.high_hz / TOP_OF_RATE)}; choose a lower stop or a higher rate",
            )
        shapes.append(
            sweep_shape(
                way.low_hz, way.high_hz, duration_s, fade_in_s=fade_in_s, fade_out_s=fade_out_s
            )
        )
    chosen = max(range(len(ways)), key=lambda k: ways[k].high_hz) if mark_on is None else mark_on
    on = ways[chosen]
    mark_s = MARK_S if on.high_hz > 8.0 * on.low_hz else 2.0 * MARK_S
    mark = _mark(on.low_hz, on.high_hz, mark_s)
    channels = 1 if one_channel else len(ways)
    plays: list[Play] = []
    at = round(LEAD_S * sample_rate_hz)

    def play(part: str, way: Way, shape: SweepShape, channel: int) -> None:
        nonlocal at
        plays.append(
            Play(
                part="mark" if part == "mark" else "sweep",
                channel=1 if one_channel else channel,
                at_sample=at,
                shape=shape,
                output=way.output,
            )
        )
        at += round((shape.duration_s + gap_s) * sample_rate_hz)

    if marks:
        play("mark", on, mark, chosen + 1)
    for index, (way, shape) in enumerate(zip(ways, shapes, strict=True)):
        play("sweep", way, shape, index + 1)
    if marks:
        play("mark", on, mark, chosen + 1)
    _refuse_long(at / sample_rate_hz, at * channels)
    samples = np.zeros((channels, at))
    amplitude = 10.0 ** (level_dbfs / 20.0)
    for one in plays:
        sound = sweep_samples(one.shape, sample_rate_hz=sample_rate_hz)
        samples[one.channel - 1, one.at_sample : one.at_sample + sound.size] += amplitude * sound
    names = ", ".join(
        f"{way.output + ' ' if way.output else ''}{show_hz(way.low_hz)} to {show_hz(way.high_hz)}"
        for way in ways
    )
    note = _note(
        "sweep", samples, sample_rate_hz, level_dbfs, plays=tuple(plays),
        text=f"exponential sweep: {names}",
    )  # fmt: skip
    return Signal(samples, note)


def pink_signal(
    low_hz: float,
    high_hz: float,
    *,
    crest_db: float = 12.0,
    duration_s: float = 30.0,
    level_dbfs: float = QUIET_DBFS,
    sample_rate_hz: float = 48_000.0,
    seed: int = 1,
    loud: bool = False,
) -> Signal:
    """Pink noise whose rms is that of a sine of `level_dbfs`, faded in and out over 0.1 s.

    Noise longer than 20 s repeats itself without a seam. Raises `Refused`, also where its peaks
    would pass full scale.
    """
    _refuse_loud(level_dbfs, loud)
    peak_dbfs = level_dbfs - 10.0 * np.log10(2.0) + crest_db
    if peak_dbfs > 0.0:
        raise Refused.at(
            "", f"at {plain(level_dbfs, 1)} dBFS peaks {plain(crest_db, 1)} dB above the rms pass "
            f"full scale by {plain(peak_dbfs, 1)} dB; lower the level or the crest factor",
        )  # fmt: skip
    if duration_s < 0.5:
        raise Refused.at("", "noise lasts at least half a second")
    count = round(duration_s * sample_rate_hz)
    _refuse_long(duration_s, count)
    period = pink_noise(
        low_hz, high_hz, crest_db=crest_db, duration_s=min(duration_s, PINK_PERIOD_S),
        sample_rate_hz=sample_rate_hz, seed=seed,
    )  # fmt: skip
    samples = np.resize(period, count) * 10.0 ** (level_dbfs / 20.0) / np.sqrt(2.0)
    fade = np.clip(np.arange(count) / (0.1 * sample_rate_hz), 0.0, 1.0)
    samples *= np.sin(0.5 * np.pi * fade) ** 2 * np.sin(0.5 * np.pi * fade[::-1]) ** 2
    note = _note(
        "pink", samples[None], sample_rate_hz, level_dbfs, band_hz=(low_hz, high_hz),
        crest_db=crest_db, seed=seed,
        text=f"pink noise, {show_hz(low_hz)} to {show_hz(high_hz)}, crest factor "
        f"{plain(crest_db, 1)} dB",
    )  # fmt: skip
    return Signal(samples[None], note)


def pulse_signal(
    kind: SignalKind,
    low_hz: float,
    high_hz: float,
    *,
    count: int = 10,
    every_s: float = 1.0,
    level_dbfs: float = QUIET_DBFS,
    sample_rate_hz: float = 48_000.0,
    loud: bool = False,
) -> Signal:
    """Pulses in a band, each swinging upward first and furthest, one `every_s`.

    The peak is that of a sine of `level_dbfs`. Raises `Refused`.
    """
    _refuse_loud(level_dbfs, loud)
    pulse, middle = band_pulse(low_hz, high_hz, sample_rate_hz=sample_rate_hz)
    spacing = round(every_s * sample_rate_hz)
    if spacing < pulse.size:
        raise Refused.at(
            "", f"pulses from {show_hz(low_hz)} up need {plain(pulse.size / sample_rate_hz, 2)} s "
            "each; leave more time between them",
        )  # fmt: skip
    if not 1 <= count <= 1_000:
        raise Refused.at("", f"1 to 1000 pulses, not {count}")
    _refuse_long(count * every_s, count * spacing)
    samples = np.zeros(count * spacing + round(LEAD_S * sample_rate_hz))
    first = round(LEAD_S * sample_rate_hz)
    for index in range(count):
        start = first + index * spacing
        samples[start : start + pulse.size] += pulse
    samples *= 10.0 ** (level_dbfs / 20.0)
    note = _note(
        kind, samples[None], sample_rate_hz, level_dbfs, band_hz=(low_hz, high_hz),
        text=f"{count} pulses, {show_hz(low_hz)} to {show_hz(high_hz)}, peak upward at sample "
        f"{first + middle} and every {spacing}; the largest downward swing is "
        f"{plain(lobe_ratio_db(pulse), 1)} dB smaller",
    )  # fmt: skip
    return Signal(samples[None], note)


def steps_signal(
    frequency_hz: float,
    *,
    from_dbfs: float = -40.0,
    to_dbfs: float = SAFE_DBFS,
    step_db: float = 1.0,
    hold_s: float = 1.0,
    rest_s: float = 0.5,
    sample_rate_hz: float = 48_000.0,
    loud: bool = False,
) -> Signal:
    """A sine in rising steps, a rest at the lowest level before each, after a timing mark.

    The levels are `from_dbfs`, `from_dbfs` + `step_db` … up to `to_dbfs`. The mark is a sweep over
    an octave about the frequency at the lowest level. Raises `Refused`.
    """
    _refuse_loud(to_dbfs, loud)
    if not 0.05 <= step_db <= 20.0 or from_dbfs >= to_dbfs:
        raise Refused.at("", "steps rise from a lower to a higher level, by 0.05 to 20 dB each")
    if not 1.0 <= frequency_hz <= TOP_OF_RATE * sample_rate_hz:
        raise Refused.at(
            "", f"a sine of {show_hz(frequency_hz)} does not fit below 0.45 of the sample rate"
        )
    if from_dbfs < -120.0:
        raise Refused.at("", "steps begin at −120 dBFS or above")
    count = int((to_dbfs - from_dbfs) / step_db + 1e-9) + 1
    levels_db: Array = np.asarray(from_dbfs + step_db * np.arange(count), dtype=np.float64)
    seconds = count * (hold_s + rest_s) + 2.0
    _refuse_long(seconds, int(seconds * sample_rate_hz))
    steps, starts = level_steps(
        levels_db, frequency_hz=frequency_hz, hold_s=hold_s, rest_s=max(rest_s, 0.0),
        sample_rate_hz=sample_rate_hz,
    )  # fmt: skip
    high_hz = min(frequency_hz * 2.0**0.5, TOP_OF_RATE * sample_rate_hz)
    mark = _mark(frequency_hz * 2.0**-0.5, high_hz, 2.0 * MARK_S)
    sound = 10.0 ** (from_dbfs / 20.0) * sweep_samples(mark, sample_rate_hz=sample_rate_hz)
    lead, gap = round(LEAD_S * sample_rate_hz), round(0.5 * sample_rate_hz)
    head = np.concatenate((np.zeros(lead), sound, np.zeros(gap)))
    samples = np.concatenate((head, steps))
    held = round(hold_s * sample_rate_hz)
    note = _note(
        "steps", samples[None], sample_rate_hz, float(levels_db[-1]), frequency_hz=frequency_hz,
        plays=(Play(part="mark", at_sample=lead, shape=mark),),
        steps=tuple(
            Step(at_sample=head.size + int(start), samples=held, level_dbfs=float(level_db))
            for start, level_db in zip(starts, levels_db, strict=True)
        ),
        text=f"{count} steps of a sine at {show_hz(frequency_hz)}, {plain(from_dbfs, 1)} to "
        f"{plain(float(levels_db[-1]), 1)} dBFS",
    )  # fmt: skip
    return Signal(samples[None], note)


def _mark(low_hz: float, high_hz: float, duration_s: float) -> SweepShape:
    """A short sweep, its fades long enough to keep it in its band."""
    most_s = duration_s / 4.0
    return sweep_shape(
        low_hz,
        high_hz,
        duration_s,
        fade_in_s=min(4.0 / low_hz, most_s),
        fade_out_s=min(max(0.01, 20.0 / high_hz), most_s),
    )


def _note(
    kind: SignalKind, samples: Array, sample_rate_hz: float, level_dbfs: float, **further: object
) -> SignalNote:
    return SignalNote(
        format="xover-signal",
        version=1,
        kind=kind,
        sample_rate_hz=sample_rate_hz,
        channels=samples.shape[0],
        samples=samples.shape[1],
        level_dbfs=level_dbfs,
        **further,  # type: ignore[arg-type]
    )


def _refuse_loud(level_dbfs: float, loud: bool) -> None:
    if not -120.0 <= level_dbfs <= 0.0:
        raise Refused.at("", f"a level lies between −120 and 0 dBFS, not {plain(level_dbfs, 1)}")
    if level_dbfs > SAFE_DBFS and not loud:
        raise Refused.at(
            "",
            f"{plain(level_dbfs, 1)} dBFS is above {plain(SAFE_DBFS, 0)} dBFS, which can hurt ears "
            "and burn drivers; lower the level, or add --loud where nothing but electronics hears "
            "it",
        )


def _refuse_long(seconds: float, samples: int) -> None:
    if seconds > SECONDS_MAX or samples > SAMPLES_MAX:
        raise Refused.at(
            "", f"the signal would last {plain(seconds, 0)} s; half an hour is the most, and "
            f"{SAMPLES_MAX // 1_000_000} million samples in all channels together",
        )  # fmt: skip
