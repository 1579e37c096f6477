"""`xover signal`: test signals at a stated low level, with the note that lets them be read back."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import click

from xover.cli.common import F, Figure, example, group, open_preset
from xover.cli.outcome import say, say_notes
from xover.cli.progress import progress
from xover.cli.signal_ways import one_way, say_levels, ways_of, write
from xover.model.problems import Refused
from xover.model.units import plain

if TYPE_CHECKING:
    from xover.design.signals import Signal

TELLING_DB = 5.0
"""A pulse whose downward swing is not this much smaller tells a polarity badly. Our own choice."""
frequency = Figure(1.0, 200_000.0)
seconds = Figure(0.0, 3_600.0)


def level_option(name: str, key: str, default_dbfs: float, help: str) -> Callable[[F], F]:
    """A level in dBFS, as those of files are given."""
    return click.option(
        name,
        key,
        type=Figure(-120.0, 0.0),
        default=default_dbfs,
        show_default=True,
        metavar="DBFS",
        help=help,
    )


def seconds_option(
    name: str, key: str, within: Figure, default_s: float, help: str
) -> Callable[[F], F]:
    """A time in seconds that has a default."""
    return click.option(
        name, key, type=within, default=default_s, show_default=True, metavar="S", help=help
    )


file_options = group(
    click.option("-o", "output_file", required=True, metavar="FILE.wav", help="Write here."),
    click.option("--force", is_flag=True, help="Overwrite the files named by -o."),
    click.option(
        "--rate",
        "sample_rate_hz",
        type=Figure(8_000.0, 384_000.0),
        default=48_000.0,
        show_default=True,
        metavar="HZ",
        help="Sample rate.",
    ),
    click.option(
        "--bits",
        type=click.Choice(["16", "24", "32"]),
        default="24",
        show_default=True,
        help="Bits a sample; 32 is floating point.",
    ),
    click.option("--loud", is_flag=True, help="Allow a level above −12 dBFS."),
)
"""What every signal is asked: the file it becomes."""


in_band_options = group(
    file_options,
    level_option(
        "--level",
        "level_dbfs",
        -30.0,
        "Level, as that of a sine: 0 dBFS just reaches full scale.",
    ),
    click.option("--start", "start_hz", type=frequency, metavar="HZ", help="Lowest frequency."),
    click.option("--stop", "stop_hz", type=frequency, metavar="HZ", help="Highest frequency."),
    click.option("--preset", metavar="PRESET", help="The preset that --output belongs to."),
)
"""File, level and band of a signal; --output and `beyond_option` follow."""
beyond_option = click.option(
    "--beyond",
    "beyond_octaves",
    type=Figure(0.0, 3.0),
    default=0.0,
    show_default=True,
    metavar="OCTAVES",
    help="Go so far past the output's band, its filters being in force.",
)
one_band_options = group(
    in_band_options,
    click.option(
        "--output", "outputs", metavar="NAME", multiple=True, help="Keep to this output's band."
    ),
    beyond_option,
)
"""The same for a signal in the band of one output."""
pulse_options = group(
    one_band_options,
    click.option(
        "--count",
        type=click.IntRange(1, 1_000),
        default=10,
        show_default=True,
        help="How many pulses.",
    ),
    seconds_option("--every", "every_s", Figure(0.01, 60.0), 1.0, "One in so long."),
)


@click.group(
    epilog=example("xover signal sweep --preset presets/harbour-hall.json --output Sub -o sub.wav"),
)
def command() -> None:
    """Write test signals as WAV files, at a low level unless another is asked for.

    Each file carries a note of what it plays, in its own comment and in FILE.wav.json beside it.

    Hearing and drivers: start with the level down, wear ear protection; never play low
    frequencies into a high-frequency driver.
    """


@command.command(
    short_help="an exponential sweep between two marks, to measure with",
    epilog=example("xover signal sweep --start 30 --stop 18000 --duration 3 -o sweep.wav"),
)
@in_band_options
@click.option(
    "--output",
    "outputs",
    multiple=True,
    metavar="NAME",
    help="Keep to this output's band; repeat it for one file with a sweep for each.",
)
@click.option("--every-output", is_flag=True, help="A sweep for every output that is not muted.")
@beyond_option
@seconds_option("--duration", "duration_s", Figure(0.05, 600.0), 5.0, "How long each sweep lasts.")
@click.option("--fade-in", "fade_in_s", type=seconds, metavar="S", help="Fade in over so long.")
@click.option("--fade-out", "fade_out_s", type=seconds, metavar="S", help="Fade out over so long.")
@click.option(
    "--gap",
    "gap_s",
    type=Figure(0.1, 60.0),
    metavar="S",
    help="Silence after each sound (default: 1 s; 8 s with --one-channel).",
)
@click.option("--without-marks", is_flag=True, help="The sweep alone, without timing marks.")
@click.option("--mark-on", metavar="NAME", help="The output that plays the timing marks.")
@click.option("--one-channel", is_flag=True, help="All sweeps in one channel, to be muted by hand.")
@click.option(
    "--full-scale-dbu",
    type=Figure(-60.0, 60.0),
    metavar="X",
    help="What the player puts out for a full-scale sine, to stay below the limiters.",
)
def sweep(
    outputs: tuple[str, ...],
    every_output: bool,
    preset: str | None,
    mark_on: str | None,
    gap_s: float | None,
    without_marks: bool,
    one_channel: bool,
    full_scale_dbu: float | None,
    **options: Any,
) -> None:
    """An exponential sweep, with a short mark before and after that times it.

    With several outputs it is one file that plays a sweep for each in turn, in a channel each: the
    mark gives all of them one time zero, so that they can be aligned without a loop-back. Play
    it, record all of it with one microphone, then `xover trace REC --sweep FILE.wav`.

    Hearing and drivers: start with the level down, wear ear protection.
    """
    from xover.design.signal_levels import unseen_crossovers
    from xover.design.signals import sweep_signal

    if every_output and outputs:
        raise Refused.at("", "--every-output and --output cannot go together")
    if full_scale_dbu is not None and preset is None:
        raise Refused.at("", "--full-scale-dbu needs --preset and --output, whose limiters count")
    loaded = None if preset is None else open_preset(preset)
    ways = ways_of(loaded, outputs, every_output, options)
    names = [way.output for way in ways]
    mark_index = None
    if mark_on is not None:
        from xover.model.names import find

        known = [name for name in names if name is not None]
        mark_index = names.index(find(known, mark_on, kind="output in this file"))
    say_notes(
        unseen_crossovers([(way.output, way.low_hz, way.high_hz) for way in ways if way.output])
    )
    if gap_s is None:
        gap_s = 8.0 if one_channel and len(ways) > 1 else 1.0
    if loaded is not None:
        say_levels(loaded, names, full_scale_dbu, options["level_dbfs"])
    signal = sweep_signal(
        ways,
        duration_s=options["duration_s"],
        fade_in_s=options["fade_in_s"],
        fade_out_s=options["fade_out_s"],
        gap_s=gap_s,
        level_dbfs=options["level_dbfs"],
        sample_rate_hz=options["sample_rate_hz"],
        marks=not without_marks,
        mark_on=mark_index,
        one_channel=one_channel,
        loud=options["loud"],
    )
    write(signal, options)


@command.command(
    short_help="pink noise of a stated crest factor",
    epilog=example("xover signal pink --crest 9 -o pink.wav"),
)
@one_band_options
@click.option(
    "--crest",
    "crest_db",
    type=Figure(0.0, 40.0),
    default=12.0,
    show_default=True,
    metavar="DB",
    help="Crest factor, peak against rms, 6 to 14 dB.",
)
@seconds_option("--duration", "duration_s", Figure(0.5, 1_800.0), 30.0, "How long it lasts.")
@click.option(
    "--seed",
    type=click.IntRange(0),
    default=1,
    show_default=True,
    help="For other noise.",
)
def pink(outputs: tuple[str, ...], preset: str | None, **options: Any) -> None:
    """Pink noise: equal power in every octave, with a stated crest factor.

    Its level is its rms, against the rms of a sine that just reaches full scale.

    Hearing and drivers: start with the level down, wear ear protection.
    """
    from xover.design.signals import pink_signal

    way = one_way(preset, outputs, options)
    with progress("shaping the crest factor"):
        signal = pink_signal(
            way.low_hz,
            way.high_hz,
            crest_db=options["crest_db"],
            duration_s=options["duration_s"],
            level_dbfs=options["level_dbfs"],
            sample_rate_hz=options["sample_rate_hz"],
            seed=options["seed"],
            loud=options["loud"],
        )
    write(signal, options)


@command.command(
    name="click",
    short_help="short clicks, to hear delays by",
    epilog=example("xover signal click --count 20 -o click.wav"),
)
@pulse_options
def click_(outputs: tuple[str, ...], preset: str | None, **options: Any) -> None:
    """Short clicks, to hear delays by. Its level is its peak.

    Hearing and drivers: start with the level down, wear ear protection.
    """
    write(_pulses("click", preset, outputs, options, (100.0, 16_000.0)), options)


@command.command(
    short_help="pulses that show which way round a loudspeaker is wired",
    epilog=example(
        "xover signal polarity --preset presets/harbour-hall.json --output Sub -o p.wav"
    ),
)
@pulse_options
def polarity(outputs: tuple[str, ...], preset: str | None, **options: Any) -> None:
    """Pulses whose largest swing is upward, in the band of what has to pass them on.

    What comes out with its largest swing downward is inverted. Its level is its peak.

    Hearing and drivers: start with the level down, wear ear protection.
    """
    signal = _pulses("polarity", preset, outputs, options, (60.0, 12_000.0))
    from xover.dsp.noise_and_pulses import lobe_ratio_db

    ratio_db = lobe_ratio_db(signal.samples[0])
    if ratio_db < TELLING_DB:
        say(
            f"in so narrow a band the pulse swings down nearly as far as up ({plain(ratio_db, 1)} "
            "dB less); with the output's filters in force --beyond 1 tells more"
        )
    write(signal, options)


@command.command(
    short_help="a sine louder step by step, to find where a limiter acts",
    epilog=example("xover signal steps --frequency 80 --from -40 --to -15 -o steps.wav"),
)
@file_options
@click.option(
    "--frequency",
    "frequency_hz",
    type=frequency,
    default=1000.0,
    show_default=True,
    metavar="HZ",
    help="Of the sine.",
)
@level_option("--from", "from_dbfs", -40.0, "The lowest level.")
@level_option("--to", "to_dbfs", -12.0, "The highest level.")
@click.option(
    "--step",
    "step_db",
    type=Figure(0.05, 20.0),
    default=1.0,
    show_default=True,
    metavar="DB",
    help="From one to the next.",
)
@seconds_option("--hold", "hold_s", Figure(0.02, 60.0), 1.0, "How long each level is held.")
@seconds_option("--rest", "rest_s", Figure(0.0, 60.0), 0.5, "At the lowest level before each.")
def steps(**options: Any) -> None:
    """A sine that gets louder step by step, to find where a limiter sets in.

    Play it through the processor alone, amplifiers disconnected.

    Hearing and drivers: a steady sine burns a driver long before it sounds loud.
    """
    from xover.design.signals import steps_signal

    signal = steps_signal(
        options["frequency_hz"],
        from_dbfs=options["from_dbfs"],
        to_dbfs=options["to_dbfs"],
        step_db=options["step_db"],
        hold_s=options["hold_s"],
        rest_s=options["rest_s"],
        sample_rate_hz=options["sample_rate_hz"],
        loud=options["loud"],
    )
    write(signal, options)


def _pulses(
    kind: str,
    preset: str | None,
    outputs: tuple[str, ...],
    options: dict[str, Any],
    otherwise_hz: tuple[float, float],
) -> Signal:
    from xover.design.signals import pulse_signal

    way = one_way(preset, outputs, options, otherwise_hz)
    return pulse_signal(
        "click" if kind == "click" else "polarity",
        way.low_hz,
        way.high_hz,
        count=options["count"],
        every_s=options["every_s"],
        level_dbfs=options["level_dbfs"],
        sample_rate_hz=options["sample_rate_hz"],
        loud=options["loud"],
    )
