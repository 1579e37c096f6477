"""What may be said about a capture file before it is read: one table, without a screen.

A question belongs to a kind of file and to one argument of `files.captures.read_capture`; its
answer is typed, and nothing typed means that the file itself is to say. Whether answers go
together is judged by the reader, in whose sentences options become the questions' own labels.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from typing import Any, Literal, NamedTuple

from xover.design.capture_rules import smoothing_fraction
from xover.model.names import quoted
from xover.model.problems import Refused
from xover.model.words import COLUMNS

Of = Literal["text", "audio", "all"]
"""The files that raise a question: text, audio, or any."""
Read = Callable[[str, str], Any]
"""What an answer means: the text as typed and the folder that its paths are relative to."""


class Question(NamedTuple):
    """One question: the argument that its answer becomes, its option, its words, how it is read."""

    key: str
    option: str
    label: str
    hint: str
    of: Of
    read: Read
    is_path: bool = False


def _one_of(*words: str) -> Read:
    def read(typed: str, folder: str) -> str:
        word = typed.casefold()
        if word not in words:
            raise Refused.at("", f"{quoted(typed)} is none of {', '.join(words)}")
        return word

    return read


def _columns(typed: str, folder: str) -> tuple[str, ...]:
    kinds = tuple(part.strip().casefold() for part in typed.replace(" ", ",").split(",") if part)
    for kind in kinds:
        if kind not in COLUMNS:
            raise Refused.at("", f"{quoted(kind)} is none of {', '.join(COLUMNS)}")
    return kinds


def _channel(typed: str, folder: str) -> int:
    if not typed.isdecimal() or int(typed) < 1:
        raise Refused.at("", f"a channel is a whole number from 1, not {quoted(typed)}")
    return int(typed)


def read_number(typed: str, *, what: str, low: float, high: float, unit: str) -> float:
    """A figure, its unit behind it or not. Raises `Refused` for what is none or out of range."""
    text = typed.strip().replace("−", "-").replace(",", ".")
    if text.casefold().endswith(unit.casefold()):
        text = text[: len(text) - len(unit)].strip()
    try:
        value = float(text)
    except ValueError:
        raise Refused.at("", f"{what} is a figure in {unit}, not {quoted(typed)}") from None
    if not low <= value <= high:
        raise Refused.at("", f"{what} must lie between {low:g} and {high:g} {unit}")
    return value


def _figure(what: str, unit: str, low: float, high: float) -> Read:
    def read(typed: str, folder: str) -> float:
        return read_number(typed, what=what, low=low, high=high, unit=unit)

    return read


def _paths(typed: str, folder: str) -> tuple[str, ...]:
    return tuple(_path(part.strip(), folder) for part in typed.split(";") if part.strip())


def _path(typed: str, folder: str) -> str:
    return os.path.abspath(os.path.join(folder, os.path.expanduser(typed)))


def _calibration(typed: str, folder: str) -> float | str:
    text = typed.replace("−", "-").replace(",", ".").casefold().removesuffix("spl").strip()
    try:
        return float(text.removesuffix("db").strip())
    except ValueError:
        return _path(typed, folder)


def _as_typed(typed: str, folder: str) -> str:
    return typed


def _smoothing(typed: str, folder: str) -> int:
    fraction = smoothing_fraction(typed)
    if fraction is None:
        raise Refused.at("", "write 1/N octave with N from 1 to 48, such as 1/6")
    return fraction


def _yes(typed: str, folder: str) -> bool:
    word = typed.casefold()
    if word not in ("yes", "y", "no", "n"):
        raise Refused.at("", f"say yes or no, not {quoted(typed)}")
    return word.startswith("y")


_TIME = (0.0, 60_000.0)

QUESTIONS: tuple[Question, ...] = (
    Question("decimal", "--decimal", "decimal mark", ". or ,", "text", _one_of(".", ",")),
    Question("columns", "--columns", "columns", "frequency magnitude phase …", "text", _columns),
    Question(
        "frequency_unit", "--frequency-unit", "frequency in", "hz or khz", "text",
        _one_of("hz", "khz"),
    ),
    Question(
        "magnitude", "--magnitude", "magnitude in", "db or linear", "text", _one_of("db", "linear")
    ),
    Question("phase_unit", "--phase-unit", "phase in", "deg or rad", "text", _one_of("deg", "rad")),
    Question(
        "repeated", "--repeated", "rows said twice", "power, complex, first or last", "text",
        _one_of("power", "complex", "first", "last"),
    ),
    Question("channel", "--channel", "channel", "a number from 1", "audio", _channel),
    Question(
        "sweep", "--sweep", "sweep played", "the file, if this is a recording of it", "audio",
        _path, is_path=True,
    ),
    Question(
        "take", "--take", "take", "which sweep of the file: an output or number", "audio", _as_typed
    ),
    Question(
        "time_zero", "--time-zero", "time zero", "direct, or file: recorder started with it",
        "audio", _one_of("direct", "file"),
    ),
    Question(
        "reference", "--reference", "reference", "channel that was played, or the loop-back",
        "audio", _channel,
    ),
    Question(
        "window_ms", "--window", "window", "ms kept, from sample 0", "audio",
        _figure("a window", "ms", 0.001, 60_000.0),
    ),
    Question(
        "gate_ms", "--gate", "gate", "ms kept, from the onset", "audio",
        _figure("a gate", "ms", 0.001, 60_000.0),
    ),
    Question(
        "cycles", "--cycles", "cycles", "periods kept of each frequency, 3 to 50", "audio",
        _figure("a gate by cycles", "periods", 3.0, 50.0),
    ),
    Question(
        "onset_ms", "--onset", "onset", "ms from sample 0, if not by itself", "audio",
        _figure("the onset", "ms", *_TIME),
    ),
    Question(
        "lead_ms", "--lead", "before the onset", "ms kept before it", "audio",
        _figure("the time before the onset", "ms", *_TIME),
    ),
    Question(
        "mic_correction", "--mic-correction", "microphone", "a file with its own response", "all",
        _path, is_path=True,
    ),
    Question(
        "spl_calibration", "--spl-calibration", "SPL of 0 dB", "dB, or a calibrator's recording",
        "all", _calibration, is_path=True,
    ),
    Question(
        "calibrator_db", "--calibrator-db", "calibrator dB", "94", "all",
        _figure("a calibrator's level", "dB", 60.0, 140.0),
    ),
    Question(
        "calibrator_hz", "--calibrator-hz", "calibrator Hz", "1000", "all",
        _figure("a calibrator's tone", "Hz", 20.0, 20_000.0),
    ),
    Question(
        "calibrator_channel", "--calibrator-channel", "calibrator ch.", "as captured", "all",
        _channel,
    ),
    Question("smooth_fraction", "--smooth", "smooth over", "1/6 octave", "all", _smoothing),
    Question(
        "smooth_of", "--smooth-of", "smooth what", "power or complex", "all",
        _one_of("power", "complex"),
    ),
    Question("without_delay", "--remove-delay", "delay out", "yes: no time is kept", "all", _yes),
    Question(
        "minimum_phase", "--minimum-phase", "minimum phase", "yes: in place of phase, an estimate",
        "all", _yes,
    ),
    Question(
        "average_with", "", "average with", "more files, a ; between them", "all", _paths,
        is_path=True,
    ),
    Question(
        "average", "--average", "average of", "power, or complex: all share one time zero", "all",
        _one_of("power", "complex"),
    ),
    Question(
        "splice_far", "--splice", "splice with", "a far capture; this one is the near one", "all",
        _path, is_path=True,
    ),
    Question(
        "splice_at_hz", "--splice-at", "splice at", "Hz, where the far one takes over", "all",
        _figure("where a splice lies", "Hz", 1.0, 100_000.0),
    ),
    Question(
        "splice_octaves", "--splice-octaves", "splice over", "1 octave", "all",
        _figure("a splice", "octaves", 0.1, 4.0),
    ),
)  # fmt: skip
"""In the order asked. A kind of file that takes more answers gets more rows, nothing else."""

BY_KEY = {question.key: question for question in QUESTIONS}

_WITH_VALUE: Mapping[str, str] = {
    "--sweep SWEEP": "sweep",
    "--spl-calibration FILE": "spl_calibration",
    "--splice FAR": "splice_far",
    "--splice-at HZ": "splice_at_hz",
    "--smooth 1/N": "smooth_fraction",
}
"""Options that sentences name together with what follows them, and their questions."""
_ATTACHING: Mapping[str, str] = {
    "--captured settings": "“settings” in force",
    "--captured flat": "“flat” in force",
    "--captured-input-dbu": "“level in”",
    "--settings-from": "“settings of”",
    "--session": "“session”",
    "--driven INPUT": "“test signal in”",
    "--driven": "“test signal in”",
    "--loudspeaker": "a loudspeaker's own response",
    "--distance": "“distance”",
    "--flight removed": "“flight” removed",
    "--flight included": "included",
    "--flight": "“flight”",
    "--drive-v": "“drive”",
    "--full": "“keep every point”",
    "--captured": "“in force then”",
}


def asked_of(audio: bool) -> tuple[Question, ...]:
    """The questions that a file raises."""
    kinds = ("all", "audio" if audio else "text")
    return tuple(question for question in QUESTIONS if question.of in kinds)


def answers(typed: Mapping[str, str], folder: str) -> dict[str, Any]:
    """What the answers mean, those left empty left out. Raises `Refused`, naming the question."""
    found: dict[str, Any] = {}
    for key, text in typed.items():
        if not text.strip():
            continue
        question = BY_KEY[key]
        try:
            found[key] = question.read(text.strip(), folder)
        except Refused as refused:
            raise Refused.at("", f"“{question.label}”: {refused}") from None
    return found


def said_here(text: str) -> str:
    """A refusal in the words of this dialog in place of options."""
    words = {each.option: f"“{each.label}”" for each in QUESTIONS if each.option}
    words |= {option: f"“{BY_KEY[key].label}”" for option, key in _WITH_VALUE.items()}
    words |= _ATTACHING
    for option in sorted(words, key=len, reverse=True):
        text = text.replace(option, words[option])
    return text
