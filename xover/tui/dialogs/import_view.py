"""The Import dialog without a screen: reading a capture, and what has to be asked about it.

What was in force during a capture is never assumed, and neither is whom it shares a time zero
with; both are asked and refused where they are left open.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

from msgspec import Struct
from textual.content import Content

from xover.model.names import clean, inert, quoted
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.units import show_hz, show_ms
from xover.model.words import Captured
from xover.sheets.cells import wrapped

if TYPE_CHECKING:
    from xover.dsp.captured import CapturedResponse
    from xover.model.rig import Provenance, Trace

CAPTURED: dict[str, str] = {
    "flat": "flat: nothing set",
    "settings": "settings: as now",
    "unknown": "unknown: only shown",
}
"""What may have been in force during a capture, in words."""

NO_SESSION = ("-", "–", "—", "none")
"""What is typed for a capture that shares a time zero with no other."""

_COLUMNS = ("frequency", "magnitude", "phase", "real", "imag", "coherence", "skip")
_WORDS: dict[str, tuple[str, ...]] = {
    "decimal": (".", ","),
    "frequency-unit": ("hz", "khz"),
    "magnitude": ("db", "linear"),
    "phase-unit": ("deg", "rad"),
    "repeated": ("power", "complex", "first", "last"),
}


@dataclass(frozen=True, eq=False)
class ReadCapture:
    """A capture as it was read, and the trace that the preset would keep of it."""

    path: str
    response: CapturedResponse
    provenance: Provenance

    def trace(self, session: str | None) -> Trace:
        """The trace to keep, thinned, of the capture chain `session`. Raises `Refused`."""
        from xover.design.captures import to_trace

        return to_trace(self.response, session=session, provenance=self.provenance)


class ImportAnswers(Struct, frozen=True):
    """What was answered about a capture; None or "" where it was not."""

    output: str | None
    listener: str | None
    captured: str | None
    session: str
    driven: dict[str, float] = {}


@dataclass(frozen=True, eq=False)
class ImportChoice:
    """A capture put into the preset: the step's name, and the preset with the capture in it."""

    name: str
    preset: Preset
    output: str
    listener: str
    session: str | None


def read(path: str, options: str) -> ReadCapture:
    """Read a capture from a file; `options` as typed. Takes its time; raises `Refused`."""
    from xover.files.captures import AudioAnswers, TextAnswers, read_capture

    found = reading_options(options)
    audio = {key: found.pop(key) for key in ("channel", "window_ms") if key in found}
    response, provenance = read_capture(
        path, text=TextAnswers(**found), audio=AudioAnswers(**audio)
    )
    return ReadCapture(path, response, provenance)


def reading_options(typed: str) -> dict[str, Any]:
    """Answers to what a file leaves open, by the names that refusals give them.

    `channel 1`, `--columns frequency,magnitude,skip decimal ,`. Raises `Refused`.
    """
    found: dict[str, Any] = {}
    words = typed.split()
    if len(words) % 2:
        raise Refused.at("", "answers come in pairs, such as channel 1 or decimal ,")
    for name, value in zip(words[::2], words[1::2], strict=True):
        key = name.lower().lstrip("-")
        if key in _WORDS:
            if value.lower() not in _WORDS[key]:
                raise Refused.at(
                    "", f"{key} can be {' or '.join(_WORDS[key])}, not {quoted(value)}"
                )
            found[key.replace("-", "_")] = value.lower()
        elif key == "columns":
            kinds = tuple(value.lower().split(","))
            for kind in kinds:
                if kind not in _COLUMNS:
                    raise Refused.at("", f"{quoted(kind)} is none of {', '.join(_COLUMNS)}")
            found["columns"] = kinds
        elif key == "channel":
            if not value.isdecimal() or int(value) < 1:
                raise Refused.at("", f"a channel is a whole number from 1, not {quoted(value)}")
            found["channel"] = int(value)
        elif key == "window":
            try:
                found["window_ms"] = float(value.replace(",", "."))
            except ValueError:
                raise Refused.at("", f"a window is a time in ms, not {quoted(value)}") from None
        else:
            known = ", ".join([*_WORDS, "columns", "channel", "window"])
            raise Refused.at("", f"there is no {quoted(name)} to answer; there is {known}")
    return found


def routed_inputs(preset: Preset, output: str | None) -> tuple[str, ...]:
    """The inputs routed to an output, in file order: those that could carry the test signal."""
    if output is None:
        return ()
    held = preset.output(output).inputs
    return tuple(item.name for item in preset.inputs if item.name in held)


def put_in(preset: Preset, capture: ReadCapture, answers: ImportAnswers) -> ImportChoice:
    """The preset with the capture in it. Raises `Refused` for whatever was left open."""
    from xover.design.captures import attach_measurement

    output, listener = answers.output, answers.listener
    if output is None:
        raise Refused.at("", "say which output was captured")
    if listener is None:
        raise Refused.at("", "say at which listener the microphone stood")
    if answers.captured is None:
        raise Refused.at("", "say what was in force during the capture; it is never assumed")
    typed = answers.session.strip()
    if not typed:
        raise Refused.at(
            "",
            "name the session: captures of one session share time zero and level; type - where "
            "this one shares them with none",
        )
    session = None if typed.lower() in NO_SESSION else clean(typed)
    driven = None
    if answers.captured == "settings":
        driven = answers.driven or None
        if driven is None:
            raise Refused.at("", "tick the inputs that carried the test signal")
    edited = attach_measurement(
        preset,
        output=output,
        listener=listener,
        trace=capture.trace(session),
        captured=cast("Captured", answers.captured),
        driven=driven,
    )
    name = f"capture of {inert(output)} at {inert(listener)}"
    return ImportChoice(name, edited, output, listener, session)


def understood_lines(capture: ReadCapture, width: int) -> list[Content]:
    """What the file holds and what was understood of it, as lines."""
    response = capture.response
    held = "phase" if response.phase_deg is not None else "no phase"
    if response.coherence is not None:
        held += ", coherence"
    first = (
        f"{response.frequency_hz.size} points, {show_hz(float(response.frequency_hz[0]))} to "
        f"{show_hz(float(response.frequency_hz[-1]))}, {held}, bulk delay "
        f"{show_ms(float(response.delay_ms), 3)}"
    )
    texts = [inert(capture.provenance.file), first, *response.understood]
    return [Content(one) for text in texts for one in wrapped(inert(text), width)]


def known_sessions(preset: Preset) -> tuple[str, ...]:
    """The sessions that the preset's captures name already, each once."""
    found = [item.trace.session for item in preset.measurements if item.trace.session]
    return tuple(dict.fromkeys(found))
