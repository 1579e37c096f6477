"""`xover trace`: read a measured response, summarise it, attach it to a preset."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

import click

from xover.cli.common import (
    level_pairs,
    listener_names,
    open_preset,
    output_names,
    save_changed,
)
from xover.cli.outcome import print_json, say
from xover.model.names import clean, find, inert
from xover.model.problems import Refused
from xover.model.units import show_hz, show_ms

if TYPE_CHECKING:
    from xover.dsp.captured import CapturedResponse
    from xover.files.captures import TextAnswers
    from xover.files.traces import Column
    from xover.model.preset import Preset
    from xover.model.rig import Provenance, Trace
    from xover.model.words import Captured

COLUMNS = ("frequency", "magnitude", "phase", "coherence", "skip")


@click.command(
    epilog="Example: xover trace sub.wav --attach evening.json --output Sub --listener “Row 8” "
    "--captured settings --session tonight",
)
@click.argument("files", metavar="FILE…", nargs=-1, required=True)
@click.option("--attach", metavar="PRESET", help="Attach the response to this preset.")
@click.option("--output", metavar="NAME", help="The output that was captured.")
@click.option("--listener", metavar="NAME", help="Where the microphone stood.")
@click.option(
    "--captured",
    type=click.Choice(["flat", "settings", "unknown"]),
    help="What was in force: nothing, the settings of the preset, or nobody knows.",
)
@click.option("--session", metavar="NAME", help="The capture chain and time it shares with others.")
@click.option("--settings-from", metavar="FILE", help="The preset that was in force then.")
@click.option(
    "--driven",
    multiple=True,
    metavar="INPUT[=DB]",
    help="Which inputs carried the signal (with --captured settings).",
)
@click.option(
    "--captured-input-dbu",
    type=click.FloatRange(-60.0, 60.0),
    metavar="X",
    help="The level at the driven inputs that gave this SPL.",
)
@click.option("--loudspeaker", metavar="NAME", help="Attach as this box's own response.")
@click.option(
    "--distance",
    "distance_m",
    type=click.FloatRange(0.0, 1000.0, min_open=True),
    metavar="M",
    help="Microphone to box (with --loudspeaker).",
)
@click.option(
    "--flight",
    type=click.Choice(["removed", "included"]),
    help="Whether the flight over --distance is out of the trace already (default: by its delay).",
)
@click.option("--remove-delay", is_flag=True, help="Take the bulk delay out of the response.")
@click.option(
    "--window",
    "window_ms",
    type=click.FloatRange(0.0, min_open=True),
    metavar="MS",
    help="Keep this much of an impulse response, from sample 0, with a fading end.",
)
@click.option("--smooth", metavar="1/N", help="Smooth over 1/N octave, N from 1 to 48.")
@click.option(
    "--smooth-of",
    type=click.Choice(["power", "complex"]),
    default="power",
    show_default=True,
    help="What is smoothed.",
)
@click.option("--mic-correction", metavar="FILE", help="The microphone's own response, taken out.")
@click.option(
    "--spl-calibration",
    metavar="DB|FILE",
    help="The SPL of 0 dB of the file, or a recording of a calibrator (94 dB, 1 kHz).",
)
@click.option("--channel", type=click.IntRange(1), metavar="N", help="Which channel of the audio.")
@click.option("--full", is_flag=True, help="Thin nothing.")
@click.option(
    "--decimal", type=click.Choice([",", "."]), help="Text: the decimal mark, where it is open."
)
@click.option(
    "--columns",
    metavar="KIND[,KIND…]",
    help="Text: what the columns are: " + ", ".join(COLUMNS) + ".",
)
@click.option("--frequency-unit", type=click.Choice(["hz", "khz"]), help="Text: unit of frequency.")
@click.option("--magnitude", type=click.Choice(["db", "linear"]), help="Text: unit of magnitude.")
@click.option("--phase-unit", type=click.Choice(["deg", "rad"]), help="Text: unit of phase.")
@click.option("-o", "output_file", metavar="FILE", help="Write the changed preset here instead.")
@click.option("--force", is_flag=True, help="Overwrite the file named by -o.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on stdout.")
def command(files: tuple[str, ...], as_json: bool, **options: Any) -> None:
    """Read a measured response and say what was understood of it.

    Text columns (frequency, dB, phase, coherence) or an impulse response as audio; sample 0 is
    time zero and is kept. Captures keep their absolute time, so that those of one --session can
    be aligned.

    Hearing and drivers: measure at a low level first; never connect a power output or a 70/100 V
    line to an audio interface.
    """
    from xover.files.captures import read_capture

    _check(files, options)
    captures = [
        read_capture(
            name,
            text=_text_answers(options),
            channel=options["channel"],
            window_ms=options["window_ms"],
            mic_correction=options["mic_correction"],
            spl_calibration=_calibration(options["spl_calibration"]),
            without_delay=options["remove_delay"],
            smooth_fraction=_fraction(options["smooth"]),
            smooth_of=options["smooth_of"],
        )
        for name in files
    ]
    if options["attach"] is not None:
        _attach(captures[0], options)
    documents = [_document(captured, provenance) for captured, provenance in captures]
    if as_json:
        print_json(documents[0] if len(documents) == 1 else documents)
    elif options["output_file"] != "-":
        click.echo("\n\n".join(_text(*capture) for capture in captures))


def _check(files: tuple[str, ...], options: dict[str, Any]) -> None:
    attach, loudspeaker = options["attach"], options["loudspeaker"]
    if attach is None:
        only_attached = {
            "output": "--output",
            "listener": "--listener",
            "captured": "--captured",
            "session": "--session",
            "settings_from": "--settings-from",
            "driven": "--driven",
            "captured_input_dbu": "--captured-input-dbu",
            "loudspeaker": "--loudspeaker",
            "distance_m": "--distance",
            "flight": "--flight",
            "output_file": "-o",
            "full": "--full",
        }
        for key, option in only_attached.items():
            if options[key]:
                raise Refused.at("", f"{option} belongs to --attach PRESET, which is not given")
        return
    if len(files) != 1:
        raise Refused.at("", "--attach takes one file at a time; name one capture")
    if options["session"] is not None and options["remove_delay"]:
        raise Refused.at(
            "",
            "--remove-delay takes out the time that a --session shares, so the two cannot go "
            "together",
        )
    if loudspeaker is not None:
        for key, option in (
            ("output", "--output"),
            ("listener", "--listener"),
            ("captured", "--captured"),
            ("settings_from", "--settings-from"),
            ("driven", "--driven"),
            ("captured_input_dbu", "--captured-input-dbu"),
        ):
            if options[key]:
                raise Refused.at("", f"{option} belongs to a measurement, not to --loudspeaker")
        if options["distance_m"] is None:
            raise Refused.at("", "--loudspeaker needs --distance M, microphone to box")
        return
    for key, option in (("distance_m", "--distance"), ("flight", "--flight")):
        if options[key] is not None:
            raise Refused.at("", f"{option} goes with --loudspeaker")
    for key, option in (("output", "--output"), ("listener", "--listener")):
        if options[key] is None:
            raise Refused.at("", f"--attach needs {option} NAME (or --loudspeaker NAME)")
    if options["captured"] is None:
        raise Refused.at(
            "",
            "--attach needs --captured flat, settings or unknown: what was in force during the "
            "capture is never assumed",
        )


def _attach(capture: tuple[CapturedResponse, Provenance], options: dict[str, Any]) -> None:
    from xover.design.captures import attach_loudspeaker, attach_measurement, to_trace

    captured, provenance = capture
    preset = open_preset(options["attach"])
    session = None if options["session"] is None else clean(options["session"])
    trace: Trace = to_trace(captured, session=session, provenance=provenance, full=options["full"])
    changed: Preset
    if options["loudspeaker"] is not None:
        boxes = [item.name for item in preset.loudspeakers]
        box = find(boxes, options["loudspeaker"], kind="loudspeaker")
        flight = options["flight"]
        changed = attach_loudspeaker(
            preset,
            loudspeaker=box,
            trace=trace,
            distance_m=options["distance_m"],
            flight_removed=None if flight is None else flight == "removed",
        )
        own = changed.loudspeaker(box).response
        assert own is not None
        state = "out of it already" if own.flight_removed else "in it, and taken out"
        what = f"the own response of {box}, the flight {state}"
    else:
        output = output_names(preset, [options["output"]])[0]
        listener = listener_names(preset, [options["listener"]])[0]
        source = options["settings_from"]
        changed = attach_measurement(
            preset,
            output=output,
            listener=listener,
            trace=trace,
            captured=cast("Captured", options["captured"]),
            settings_from=None if source is None else open_preset(source),
            driven=level_pairs(preset, options["driven"]) or None,
            captured_input_dbu=options["captured_input_dbu"],
        )
        what = f"{output} at {listener}"
    saved = save_changed(changed, options["attach"], options["output_file"], force=options["force"])
    say(f"attached as {what} ({len(trace.frequency_hz)} points), saved in {saved}")
    if session is None and trace.phase_deg is not None and options["loudspeaker"] is None:
        say("without --session this capture shares no time zero with others")


def _text_answers(options: dict[str, Any]) -> TextAnswers:
    from xover.files.captures import TextAnswers

    columns: tuple[Column, ...] | None = None
    if options["columns"] is not None:
        names = tuple(part.strip().casefold() for part in options["columns"].split(","))
        for name in names:
            if name not in COLUMNS:
                raise Refused.at("", f"--columns: “{name}” is none of {', '.join(COLUMNS)}")
        columns = cast("tuple[Column, ...]", names)
    return TextAnswers(
        decimal=options["decimal"],
        columns=columns,
        frequency_unit=options["frequency_unit"],
        magnitude=options["magnitude"],
        phase_unit=options["phase_unit"],
    )


def _calibration(text: str | None) -> float | str | None:
    if text is None:
        return None
    try:
        return float(text.replace("−", "-"))
    except ValueError:
        return text


def _fraction(text: str | None) -> int | None:
    if text is None:
        return None
    head, slash, number = text.strip().partition("/")
    if not slash:
        head, number = "1", text
    if head.strip() != "1" or not number.strip().isdecimal():
        raise Refused.at("", f"--smooth {text}: write 1/N with N from 1 to 48, such as 1/6")
    return int(number)


def _document(captured: CapturedResponse, provenance: Provenance) -> dict[str, Any]:
    return {
        "points": int(captured.frequency_hz.size),
        "range_hz": [float(captured.frequency_hz[0]), float(captured.frequency_hz[-1])],
        "has_phase": captured.phase_deg is not None,
        "has_coherence": captured.coherence is not None,
        "delay_ms": float(captured.delay_ms),
        "level": captured.level,
        "provenance": provenance,
        "understood": list(captured.understood),
    }


def _text(captured: CapturedResponse, provenance: Provenance) -> str:
    lines = [
        provenance.file,
        f"  {captured.frequency_hz.size} points, {show_hz(float(captured.frequency_hz[0]))} to "
        f"{show_hz(float(captured.frequency_hz[-1]))}, "
        + ("phase" if captured.phase_deg is not None else "no phase")
        + (", coherence" if captured.coherence is not None else "")
        + f", {'dB SPL' if captured.level == 'spl' else 'relative level'}",
        f"  bulk delay {show_ms(captured.delay_ms, 3)}",
    ]
    lines += [f"  {sentence}" for sentence in captured.understood]
    return "\n".join(inert(line) for line in lines)
