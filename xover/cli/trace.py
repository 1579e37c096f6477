"""`xover trace`: read a measured response, summarise it, attach it to a preset."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from xover.cli.capture_attach import attach, attach_options, check_attach
from xover.cli.capture_options import (
    audio_answers,
    audio_options,
    channels_options,
    impulse_options,
    text_answers,
    text_options,
    treatment,
    treatment_options,
)
from xover.cli.common import json_option
from xover.cli.outcome import print_json
from xover.cli.progress import progress
from xover.model.names import inert
from xover.model.units import show_hz, show_ms

if TYPE_CHECKING:
    from xover.dsp.captured import CapturedResponse
    from xover.model.rig import Provenance


@click.command(
    epilog="Example: xover trace sub.wav --attach evening.json --output Sub --listener “Row 8” "
    "--captured settings --session tonight",
)
@click.argument("files", metavar="FILE…", nargs=-1, required=True)
@attach_options
@audio_options
@channels_options
@impulse_options
@treatment_options
@text_options
@json_option
def command(files: tuple[str, ...], as_json: bool, **options: Any) -> None:
    """Read a measured response and say what was understood of it.

    Text columns (frequency, dB, phase, coherence), an impulse response as audio, whose sample 0 is
    time zero and is kept, or, with --reference, two channels of any programme. Captures keep their
    absolute time, so that those of one --session can be aligned.

    Hearing and drivers: measure at a low level first; never connect a power output or a 70/100 V
    line to an audio interface.
    """
    from xover.files.captures import read_capture

    check_attach(files, options)
    text, audio, done = text_answers(options), audio_answers(options), treatment(options)
    captures = []
    for name in files:
        with progress("reading") as told:
            captures.append(read_capture(name, text=text, audio=audio, progress=told, **done))
    if options["attach"] is not None:
        attach(captures[0], options)
    documents = [_document(captured, provenance) for captured, provenance in captures]
    if as_json:
        print_json(documents[0] if len(documents) == 1 else documents)
    elif options["output_file"] != "-":
        click.echo("\n\n".join(_text(*capture) for capture in captures))


def _document(captured: CapturedResponse, provenance: Provenance) -> dict[str, Any]:
    return {
        "points": int(captured.frequency_hz.size),
        "range_hz": [float(captured.frequency_hz[0]), float(captured.frequency_hz[-1])],
        "has_phase": captured.phase_deg is not None,
        "has_coherence": captured.coherence is not None,
        "delay_ms": float(captured.delay_ms),
        "level": captured.level,
        "impulse": _impulse(captured),
        "provenance": provenance,
        "understood": list(captured.understood),
    }


def _impulse(captured: CapturedResponse) -> dict[str, Any] | None:
    figures = captured.impulse
    if figures is None:
        return None
    return {
        "onset_ms": figures.onset_ms,
        "polarity": "positive" if figures.positive else "negative",
        "polarity_in_doubt": figures.polarity_in_doubt,
        "noise_floor_db": figures.noise_floor_db,
        "decay_end_ms": figures.decay_end_ms,
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
