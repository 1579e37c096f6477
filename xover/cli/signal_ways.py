"""What the signal commands share: whose band, which level, writing the file, what is said of it.

Every file is written with the cautions that go with it.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from xover.cli.common import open_preset, output_names, write_stdout
from xover.cli.outcome import say, say_notes, tell
from xover.model.problems import Refused
from xover.model.units import plain, show_hz

if TYPE_CHECKING:
    from xover.design.signals import Signal, Way
    from xover.model.preset import Preset
    from xover.model.signals import SignalNote

CAUTIONS = (
    "hearing: start with the level all the way down, wear ear protection, clear the room of "
    "people without it",
    "drivers: never play a range into a driver that is not made for it, least of all low "
    "frequencies into a high-frequency driver; keep protective filters and limiters in",
    "recording electrical outputs: amplifiers disconnected; never connect a power output or a "
    "70/100 V line to an audio interface",
)
LOUD_CAUTION = "--loud: this level can hurt ears and burn drivers; play it into electronics only"
WHOLE_BAND_HZ = (20.0, 20_000.0)


def one_way(
    preset: str | None,
    outputs: tuple[str, ...],
    options: dict[str, Any],
    otherwise_hz: tuple[float, float] = WHOLE_BAND_HZ,
) -> Way:
    """The one band a signal is to keep to, from the options. Raises `Refused`."""
    if len(outputs) > 1:
        raise Refused.at("", "this signal is for one --output at a time")
    loaded = None if preset is None else open_preset(preset)
    return ways_of(loaded, outputs, False, options, otherwise_hz)[0]


def ways_of(
    loaded: Preset | None,
    outputs: tuple[str, ...],
    every_output: bool,
    options: dict[str, Any],
    otherwise_hz: tuple[float, float] = WHOLE_BAND_HZ,
) -> list[Way]:
    """What is to be swept and in which band; what the bands rest on is said."""
    from xover.design.signal_levels import output_band
    from xover.design.signals import TOP_OF_RATE, Way

    start_hz, stop_hz, beyond = (
        options["start_hz"], options["stop_hz"], options["beyond_octaves"],
    )  # fmt: skip
    top_hz = TOP_OF_RATE * options["sample_rate_hz"]
    if loaded is None:
        if outputs or every_output or beyond:
            raise Refused.at("", "--output, --every-output and --beyond need --preset PRESET")
        low_hz = otherwise_hz[0] if start_hz is None else start_hz
        high_hz = min(otherwise_hz[1], top_hz) if stop_hz is None else stop_hz
        return [Way(None, low_hz, high_hz)]
    if every_output:
        outputs = tuple(item.name for item in loaded.outputs if not item.muted)
    if not outputs:
        raise Refused.at("", "--preset needs --output NAME: whose band is to be kept")
    ways: list[Way] = []
    for name in output_names(loaded, outputs):
        if any(way.output == name for way in ways):
            raise Refused.at("", f"“{name}” is named twice; name each output once")
        band = output_band(loaded, name, beyond_octaves=beyond)
        say_notes(band.said)
        low_hz, high_hz = band.low_hz, min(band.high_hz, top_hz)
        for asked, option, inside in (
            (start_hz, "--start", start_hz is None or start_hz >= low_hz),
            (stop_hz, "--stop", stop_hz is None or stop_hz <= band.high_hz),
        ):
            if not inside:
                raise Refused.at(
                    "",
                    f"{option} {show_hz(asked)} lies outside the band of “{name}”, "
                    f"{show_hz(low_hz)} to {show_hz(band.high_hz)}; choose it inside, or widen the "
                    "band with --beyond",
                )
        ways.append(
            Way(
                name,
                low_hz if start_hz is None else start_hz,
                high_hz if stop_hz is None else min(stop_hz, high_hz),
            )
        )
    return ways


def say_levels(
    loaded: Preset, names: list[str | None], full_scale_dbu: float | None, level_dbfs: float
) -> None:
    """Say how loud may be played below the limiters; refuse what is known to be louder."""
    from xover.design.signal_levels import quiet_level

    levels = {
        name: quiet_level(loaded, name, full_scale_dbu=full_scale_dbu) for name in names if name
    }
    say_notes(sentence for quiet in levels.values() for sentence in quiet.said)
    for name, quiet in levels.items():
        if quiet.level_dbfs is not None and level_dbfs > quiet.level_dbfs:
            most_dbfs = math.floor(10.0 * quiet.level_dbfs) / 10.0
            raise Refused.at(
                "",
                f"at {plain(level_dbfs, 1)} dBFS the sweep would come closer than 6 dB to the "
                f"limiter of “{name}”; take --level {plain(most_dbfs, 1)} or less",
            )


def write(signal: Signal, options: dict[str, Any]) -> None:
    """Write the signal where -o says, with the cautions, and say what it is."""
    from xover.files.signal_files import wav_bytes, write_signal

    rate_hz = options["sample_rate_hz"]
    if rate_hz != round(rate_hz):
        raise Refused.at("", "a WAV file's sample rate is a whole number of Hz")
    say_notes(CAUTIONS)
    if options["loud"]:
        say(LOUD_CAUTION)
    path, bits = options["output_file"], options["bits"]
    if path != "-" and not path.lower().endswith(".wav"):
        raise Refused.at("", f"-o {path}: signals are WAV files; name one that ends in .wav, or -")
    if path == "-":
        write_stdout(wav_bytes(signal, bits=bits))
        return
    beside = write_signal(path, signal, bits=bits, overwrite=options["force"])
    tell("\n".join(_summary(path, beside, signal.note)), whole=[path, beside or ""])


def _summary(path: str, beside: str | None, note: SignalNote) -> list[str]:
    rate_hz = note.sample_rate_hz
    lines = [
        f"{path}: {note.text}",
        f"  level {plain(note.level_dbfs, 1)} dBFS, {plain(note.samples / rate_hz, 2)} s at "
        f"{show_hz(rate_hz)}, channels: {note.channels}",
    ]
    if len(note.sweeps()) > 1:
        lines += [
            f"  {plain(play.at_sample / rate_hz, 1):>7} s  channel {play.channel}  "
            + ("timing mark" if play.part == "mark" else "sweep")
            + ("" if play.output is None else f", {play.output}")
            for play in note.plays
        ]
    lines.append(f"  its note: in the file, and {beside}")
    return lines
