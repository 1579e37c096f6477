"""The Import dialog without a screen: reading a capture, and what has to be asked about it.

What was in force during a capture is never assumed, and neither is whom it shares a time zero
with; both are asked and refused where they are left open.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, TypeVar, cast

from msgspec import Struct
from textual.content import Content

from xover.design.capture_rules import check_together
from xover.files.paths import shown_path
from xover.model.names import clean, inert, listed, quoted
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.units import show_hz, show_ms
from xover.model.words import Captured
from xover.sheets.cells import wrapped
from xover.tui.dialogs.import_questions import BY_KEY, answers, read_number

if TYPE_CHECKING:
    from pathlib import Path

    from xover.dsp.captured import CapturedResponse
    from xover.files.audio import Progress
    from xover.files.captures import Read
    from xover.model.rig import Provenance, Trace
    from xover.sheets.drawing import Curve

T = TypeVar("T", bound=Struct)

CAPTURED: dict[str, str] = {
    "flat": "flat: nothing set",
    "settings": "settings: as now",
    "file": "settings of a file",
    "unknown": "unknown: only shown",
}
"""What may have been in force during a capture, in words."""

FLIGHTS: dict[str, str] = {
    "included": "still in it",
    "removed": "taken out already",
    "evidence": "as its delay shows",
}
"""Where the time of flight to the microphone may be, in words."""

DRIVE_V = 2.83
"""The voltage that a box's response is usually taken at."""

NO_SESSION = ("-", "–", "—", "none")
"""What is typed for a capture that shares a time zero with no other."""


class ReadCapture(Struct, frozen=True, eq=False):
    """A capture as it was read, and the trace that the preset would keep of it."""

    path: str
    response: CapturedResponse
    provenance: Provenance
    without_delay: bool = False
    """Whether its bulk delay was taken out, and with it the time it shares with others."""
    of_one_zero: bool = False
    """Whether it is a mean of captures that were said to share one time zero."""

    def trace(self, session: str | None, *, full: bool = False) -> Trace:
        """The trace to keep, thinned unless `full`, of the capture chain `session`.

        Raises `Refused`.
        """
        from xover.design.captures import to_trace

        return to_trace(self.response, session=session, provenance=self.provenance, full=full)


class Looked(Struct, frozen=True, eq=False):
    """A file that was looked at: what it is, and what it holds or why that cannot be told yet."""

    path: str
    is_audio: bool
    capture: ReadCapture | None = None
    problem: str = ""


class OpenedSettings(Struct, frozen=True):
    """A preset whose settings were in force, from a file."""

    path: str
    preset: Preset


class ImportAnswers(Struct, frozen=True):
    """What was answered about a capture of an output; None or "" where it was not."""

    output: str | None
    listener: str | None
    captured: str | None
    session: str
    driven: dict[str, float] = {}
    level_dbu: str = ""
    """The level at the driven inputs that gave this SPL."""
    settings: OpenedSettings | None = None
    """Of a file, where those were in force."""
    full: bool = False


class OwnAnswers(Struct, frozen=True):
    """What was answered about a loudspeaker's own response; None or "" where it was not."""

    loudspeaker: str | None
    distance: str
    flight: str | None
    full: bool = False
    drive_v: str = ""
    """The voltage at the box that gave the SPL; "" for 2.83 V."""


class ImportChoice(Struct, frozen=True, eq=False):
    """A capture put into the preset: the step's name, and the preset with the capture in it."""

    name: str
    preset: Preset


def look_at(
    path: str, typed: Mapping[str, str], folder: str, told: Progress | None = None
) -> Looked:
    """Read a file with the answers as typed; `told` hears how far it is.

    Takes its time; raises `Refused` for no file, and whatever `told` raises.
    """
    from xover.files.captures import holds_audio

    is_audio = holds_audio(path)
    try:
        return Looked(path, is_audio, read(path, answers(typed, folder), told))
    except Refused as refused:
        return Looked(path, is_audio, problem="\n".join(str(fault) for fault in refused.faults[:3]))


def read(path: str, found: Mapping[str, Any], told: Progress | None = None) -> ReadCapture:
    """Read a capture from a file with what was answered; `told` hears how far it is.

    Takes its time; raises `Refused`, and whatever `told` raises.
    """
    from xover.files.capture_sets import Splice, read_average, read_splice
    from xover.files.captures import (
        AudioAnswers,
        Calibration,
        Finish,
        TextAnswers,
        finished,
        read_capture,
    )

    check_together(found)
    if "average_with" in found and "average" not in found:
        raise Refused.at("", f"“{BY_KEY['average_with'].label}” needs --average")
    left = dict(found)
    if "spl_calibration" in left:
        left["spl"] = left["spl_calibration"]
    if "sweep" in left:
        from xover.files.sweep_recordings import SweepAnswers

        zero = left.get("time_zero", "direct")
        left["sweep"] = SweepAnswers(left["sweep"], left.get("take"), zero)
    text, audio = _filled(TextAnswers, left), _filled(AudioAnswers, left)
    calibration, finish = _filled(Calibration, left), _filled(Finish, left)

    def one(name: str | Path) -> Read:
        return read_capture(name, text=text, audio=audio, calibration=calibration, progress=told)

    of = left.get("average")
    if of is not None:
        paths = (path, *left.get("average_with", ()))
        session = "as was said" if of == "complex" else None
        done = read_average(paths, of, one, session=session, finish=finish)
    elif "splice_far" in left:
        splice = Splice(left["splice_far"], left["splice_at_hz"], left.get("splice_octaves", 1.0))
        done = read_splice(path, splice, one, finish=finish)
    else:
        done = finished(one(path), finish)
    without = bool(left.get("without_delay"))
    return ReadCapture(path, *done, without_delay=without, of_one_zero=of == "complex")


def _filled(kind: type[T], found: Mapping[str, Any]) -> T:
    """One of the reader's groups of answers, with those that were given."""
    return kind(**{name: found[name] for name in kind.__struct_fields__ if name in found})


def open_settings(path: str) -> OpenedSettings:
    """The preset in a file. Takes its time; raises `Refused`."""
    from xover.files.preset_json import load

    return OpenedSettings(path, load(path))


def routed_inputs(preset: Preset, output: str | None) -> tuple[str, ...]:
    """The inputs routed to an output, in file order: those that could carry the test signal."""
    if output is None or output not in {item.name for item in preset.outputs}:
        return ()
    held = preset.output(output).inputs
    return tuple(item.name for item in preset.inputs if item.name in held)


def settings_problem(settings: OpenedSettings, output: str | None) -> str:
    """Why these settings cannot have been those of an output, as a sentence; "" where they can."""
    names = [item.name for item in settings.preset.outputs]
    if output is None or output in names:
        return ""
    return (
        f"the preset {shown_path(settings.path)} has no output {quoted(output)}; it has "
        f"{listed(names)}"
    )


def put_in(preset: Preset, capture: ReadCapture, given: ImportAnswers) -> ImportChoice:
    """The preset with the capture in it. Raises `Refused` for whatever was left open."""
    from xover.design.captures import attach_measurement

    output, listener = given.output, given.listener
    if output is None:
        raise Refused.at("", "say which output was captured")
    if listener is None:
        raise Refused.at("", "say at which listener the microphone stood")
    if given.captured is None:
        raise Refused.at("", "say what was in force during the capture; it is never assumed")
    session = _session(capture, given.session)
    driven = settings_from = None
    if given.captured == "file":
        if given.settings is None:
            raise Refused.at("", "name the preset file whose settings were in force then")
        settings_from = given.settings.preset
        problem = settings_problem(given.settings, output)
        if problem:
            raise Refused.at("", problem)
    if given.captured in ("settings", "file"):
        driven = given.driven or None
        if driven is None:
            raise Refused.at("", "tick the inputs that carried the test signal")
    level_dbu = None
    if given.level_dbu.strip():
        level_dbu = read_number(
            given.level_dbu, what="the level in", low=-60.0, high=60.0, unit="dBu"
        )
    edited = attach_measurement(
        preset,
        output=output,
        listener=listener,
        trace=capture.trace(session, full=given.full),
        captured=cast("Captured", "settings" if given.captured == "file" else given.captured),
        settings_from=settings_from,
        driven=driven,
        captured_input_dbu=level_dbu,
    )
    return ImportChoice(f"capture of {inert(output)} at {inert(listener)}", edited)


def _session(capture: ReadCapture, typed: str) -> str | None:
    typed = typed.strip()
    if not typed:
        raise Refused.at(
            "",
            "name the session: captures of one session share time zero and level; type - where "
            "this one shares them with none",
        )
    if typed.lower() in NO_SESSION:
        if capture.of_one_zero:
            raise Refused.at(
                "",
                "a complex average was asked for, which means that the captures share one time "
                "zero; name the session they share",
            )
        return None
    if capture.without_delay:
        raise Refused.at(
            "",
            "the delay was taken out of this capture, and with it the time that a session shares; "
            "type - for no session, or go back and leave the delay in",
        )
    return clean(typed)


def put_in_box(preset: Preset, capture: ReadCapture, given: OwnAnswers) -> ImportChoice:
    """The preset with the capture as a box's own response. Raises `Refused` for what is open."""
    from xover.design.captures import attach_loudspeaker

    if given.loudspeaker is None:
        raise Refused.at("", "say which loudspeaker this is the response of")
    if not given.distance.strip():
        raise Refused.at("", "say how far from the box the microphone stood, in m")
    distance_m = read_number(given.distance, what="the distance", low=0.01, high=1000.0, unit="m")
    if given.flight is None:
        raise Refused.at(
            "", "say whether the flight to the microphone is still in the trace; it is not assumed"
        )
    drive_v = DRIVE_V
    if given.drive_v.strip():
        drive_v = read_number(given.drive_v, what="the drive", low=0.001, high=1000.0, unit="V")
    edited = attach_loudspeaker(
        preset,
        loudspeaker=given.loudspeaker,
        trace=capture.trace(None, full=given.full),
        distance_m=distance_m,
        drive_v=drive_v,
        flight_removed={"removed": True, "included": False}.get(given.flight),
    )
    return ImportChoice(f"own response of {inert(given.loudspeaker)}", edited)


def curves_of(capture: ReadCapture) -> tuple[Curve, ...]:
    """The magnitude as captured; where the coherence is low, grey and under a name of its own."""
    from xover.sheets.drawing import Curve, trusted

    response = capture.response
    curve = Curve("as captured", response.frequency_hz, response.magnitude_db)
    return trusted(curve, response.coherence)


def picture(capture: ReadCapture, height: int, dark: bool, width: int) -> list[Content]:
    """The magnitude, and under it the coherence where there is one and room for both."""
    from xover.sheets.drawing import Curve
    from xover.tui.dialogs.preview import plot_lines

    coherence = capture.response.coherence
    under = 5 if coherence is not None and height >= 11 else 0
    title = inert(capture.provenance.file)
    lines = plot_lines(curves_of(capture), height - under, width, title=title, dark=dark)
    if under and coherence is not None:
        curve = Curve("coherence", capture.response.frequency_hz, coherence, order=2)
        lines += plot_lines((curve,), under, width, dark=dark, unit="γ²", value_range=(0.0, 1.0))
    return lines


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
