"""Putting a capture that was read into a preset: the options for it, and what they need.

What was in force during a capture, and which time zero it shares, is asked and never assumed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

import click

from xover.cli.common import (
    Figure,
    group,
    level_pairs,
    listener_names,
    open_preset,
    output_names,
    save_changed,
)
from xover.cli.outcome import say
from xover.model.names import clean, find
from xover.model.problems import Refused

if TYPE_CHECKING:
    from xover.dsp.captured import CapturedResponse
    from xover.model.preset import Preset
    from xover.model.rig import Provenance, Trace
    from xover.model.words import Captured

attach_options = group(
    click.option("--attach", metavar="PRESET", help="Attach the response to this preset."),
    click.option("--output", metavar="NAME", help="The output that was captured."),
    click.option("--listener", metavar="NAME", help="Where the microphone stood."),
    click.option(
        "--captured",
        type=click.Choice(["flat", "settings", "unknown"]),
        help="What was in force: nothing, the settings of the preset, or nobody knows.",
    ),
    click.option(
        "--session", metavar="NAME", help="The capture chain and time it shares with others."
    ),
    click.option("--settings-from", metavar="FILE", help="The preset that was in force then."),
    click.option(
        "--driven",
        multiple=True,
        metavar="INPUT[=DB]",
        help="Which inputs carried the signal (with --captured settings).",
    ),
    click.option(
        "--captured-input-dbu",
        type=Figure(-60.0, 60.0),
        metavar="X",
        help="The level at the driven inputs that gave this SPL.",
    ),
    click.option("--loudspeaker", metavar="NAME", help="Attach as this box's own response."),
    click.option(
        "--distance",
        "distance_m",
        type=Figure(0.0, 1000.0, min_open=True),
        metavar="M",
        help="Microphone to box (with --loudspeaker).",
    ),
    click.option(
        "--flight",
        type=click.Choice(["removed", "included"]),
        help="Whether the flight over --distance is out of the trace already "
        "(default: by its delay).",
    ),
    click.option(
        "--drive-v",
        type=Figure(0.0, 1000.0, min_open=True),
        metavar="V",
        help="The voltage at the box that gave this SPL (with --loudspeaker; default 2.83).",
    ),
    click.option("--full", is_flag=True, help="Thin nothing."),
    click.option(
        "-o",
        "output_file",
        metavar="FILE",
        help="Write the changed preset here instead; without --attach, the response as CSV.",
    ),
    click.option("--force", is_flag=True, help="Overwrite the file named by -o."),
)
"""`--attach PRESET` and all that goes with it."""


def check_attach(files: tuple[str, ...], options: dict[str, Any]) -> None:
    """Refuse, before anything is read, what does not go together or is left open."""
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
            "drive_v": "--drive-v",
            "full": "--full",
        }
        for key, option in only_attached.items():
            if _given(options[key]) and not (key == "session" and options["average"] == "complex"):
                raise Refused.at("", f"{option} belongs to --attach PRESET, which is not given")
        return
    if len(files) != 1 and options["average"] is None:
        raise Refused.at(
            "", "--attach takes one capture at a time; name one file, or --average them"
        )
    if options["session"] is not None and options["without_delay"]:
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
            if _given(options[key]):
                raise Refused.at("", f"{option} belongs to a measurement, not to --loudspeaker")
        if options["distance_m"] is None:
            raise Refused.at("", "--loudspeaker needs --distance M, microphone to box")
        return
    for key, option in (
        ("distance_m", "--distance"),
        ("flight", "--flight"),
        ("drive_v", "--drive-v"),
    ):
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


def _given(value: object) -> bool:
    """Whether an option was used; a figure of 0 was."""
    return value is not None and value is not False and value != ()


def attach(capture: tuple[CapturedResponse, Provenance], options: dict[str, Any]) -> None:
    """Put the capture into the preset, save it and say so. Raises `Refused`."""
    from xover.design.captures import attach_loudspeaker, attach_measurement, to_trace

    captured, provenance = capture
    preset = open_preset(options["attach"])
    session = None if options["session"] is None else clean(options["session"])
    if session is not None and not captured.shares_time:
        raise Refused.at(
            "",
            "this recording has no time zero to share in a --session: sweep all outputs in one "
            "file (`xover signal sweep` with several --output), record a loop-back (--reference "
            "CH), or say --time-zero file where player and recorder started together",
        )
    trace: Trace = to_trace(captured, session=session, provenance=provenance, full=options["full"])
    changed: Preset
    replaced = ""
    if options["loudspeaker"] is not None:
        boxes = [item.name for item in preset.loudspeakers]
        box = find(boxes, options["loudspeaker"], kind="loudspeaker")
        flight = options["flight"]
        changed = attach_loudspeaker(
            preset,
            loudspeaker=box,
            trace=trace,
            distance_m=options["distance_m"],
            drive_v=options["drive_v"] or 2.83,
            flight_removed=None if flight is None else flight == "removed",
        )
        own = changed.loudspeaker(box).response
        assert own is not None
        if options["drive_v"] is not None and trace.level != "spl":
            say("the level is relative, so --drive-v changes no figure")
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
        for old in preset.measurements:
            if (old.output, old.listener) == (output, listener):
                was = old.trace.provenance.file
                replaced = f"in place of {was}" if was else "in place of an earlier capture"
    saved = save_changed(changed, options["attach"], options["output_file"], force=options["force"])
    points = f"{len(trace.frequency_hz)} points"
    held = ", ".join(part for part in (points, replaced) if part)
    say(f"attached as {what} ({held}), saved in {saved}", whole=[saved])
    say(*trace.provenance.note.splitlines()[len(provenance.note.splitlines()) :])
    if session is None and trace.phase_deg is not None and options["loudspeaker"] is None:
        say("without --session this capture shares no time zero with others")
