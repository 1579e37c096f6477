"""The Align dialog without a screen: what it asks for, what is computed, how it is shown.

The search is `design.alignment`, its words are `sheets.alignment_text`; nothing here decides.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

from msgspec import Struct
from textual.content import Content

from xover.model.drive import Drive
from xover.model.names import inert, quoted
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.units import show_db
from xover.sheets.cells import wrapped

if TYPE_CHECKING:
    from xover.design.answer import Alternative, RunnerUp
    from xover.design.delay_search import Criterion
    from xover.session.proposals import Proposal
    from xover.sheets.drawing import Curve
    from xover.tui.dialogs.preview import Band

CRITERIA: dict[str, str] = {
    "mean": "least mean loss",
    "worst": "least worst loss",
    "energy": "most energy",
}

_SAID_HERE = {
    "--assume-shared-zero": "“shared time zero”",
    "--mixed": "“mixed”",
    "--band": "“band”",
    "--max-delay-ms": "“search”",
    "--uncorrelated": "independent signals",
    "--drive": "the choice of what is played (^L)",
    "--listener": "the listeners",
    "--all-pass": "“an all-pass section”",
}
"""What refusals call by their options on the command line, and what it is called here."""


class AlignRequest(Struct, frozen=True):
    """What to align: exact names, as `design.alignment.align` takes them."""

    move: tuple[str, ...]
    to: str
    listeners: tuple[str, ...]
    drive: Drive
    max_delay_ms: float = 25.0
    keep_polarity: bool = False
    band_hz: tuple[float, float] | None = None
    criterion: str = "mean"
    assume_shared_zero: bool = False
    mixed: bool = False
    weights: tuple[float, ...] = ()
    """One a listener; empty: all alike."""
    all_pass: bool = False


class Course:
    """How far a search is, told from its thread; `stop` ends it at its next word."""

    def __init__(self) -> None:
        self.done = 0.0
        self.stop = False

    def __call__(self, done: float) -> None:
        """Hear how much is done. Raises `Refused` once nobody waits any more."""
        self.done = done
        if self.stop:
            raise Refused.at("", "stopped; nothing has changed")


class Answer(Struct, frozen=True, eq=False):
    """A proposal with the sum before and after at the first listener, ready to be drawn."""

    request: AlignRequest
    proposal: Proposal
    """As the search chose it."""
    chosen: Proposal
    """With the setting picked by the user."""
    curves: tuple[Curve, ...]
    bands: tuple[Band, ...]
    note: str


def answered(preset: Preset, request: AlignRequest, course: Course | None = None) -> Answer:
    """Search, and draw before and after. Takes its time; raises `Refused` as `align` does."""
    from xover.session.proposals import propose

    proposal = propose(
        preset,
        move=request.move,
        to=request.to,
        listeners=request.listeners,
        drive=request.drive,
        max_delay_ms=request.max_delay_ms,
        keep_polarity=request.keep_polarity,
        band_hz=request.band_hz,
        criterion=cast("Criterion", request.criterion),
        assume_shared_zero=request.assume_shared_zero,
        mixed=request.mixed,
        weights=dict(zip(request.listeners, request.weights, strict=False)),
        all_pass=request.all_pass,
        progress=course,
    )
    return drawn(request, proposal, proposal)


def picked(answer: Answer, key: str | None) -> Proposal:
    """The proposal with the setting of this key. Raises `Refused` where it cannot be entered."""
    from xover.design.answer import Alternative, RunnerUp

    for name, _, entry in settings_of(answer):
        if name == key and isinstance(entry, Alternative):
            return answer.proposal.with_alternative(entry)
        if name == key and isinstance(entry, RunnerUp):
            return answer.proposal.with_runner_up(entry)
    return answer.proposal


def drawn(request: AlignRequest, proposal: Proposal, chosen: Proposal) -> Answer:
    """The answer with the curves of `chosen`."""
    import numpy as np

    from xover.acoustics.field import listener_response
    from xover.dsp.axis import Axis
    from xover.sheets.drawing import Curve as Drawn

    listener = request.listeners[0]
    only = (request.to, *request.move)
    axis = Axis.log(24, sample_rate_hz=chosen.before.sample_rate_hz)
    curves, note = [], ""
    for order, (words, preset, dash) in enumerate(
        (("before", chosen.before, "dotted"), ("after", chosen.after, "solid"))
    ):
        try:
            response = listener_response(preset, listener, axis, request.drive, only=only)
        except Refused as refused:
            note = str(refused)
            continue
        values = response.magnitude_db
        values = np.where(np.isfinite(values), values, np.nan)
        curves.append(Drawn(words, axis.frequency_hz, values, dash, order))
    result = proposal.result.results[0]
    bands = tuple((low, high, "") for low, high in result.bands_hz)
    return Answer(request, proposal, chosen, tuple(curves), bands, note)


def settings_of(answer: Answer) -> tuple[tuple[str, str, Alternative | RunnerUp | None], ...]:
    """The settings that can be chosen: (key, words, alternative), the search's own first.

    Of several moved outputs the alternatives are settings of all of them together.
    """
    found = answer.proposal.result
    if len(found.results) != 1:
        from xover.sheets.alignment_text import runner_up_words

        several: list[tuple[str, str, Alternative | RunnerUp | None]] = [
            ("own", f"as found, all together: loses {show_db(found.loss_db, 2).lstrip('+')}", None)
        ]
        for index, together in enumerate(found.runners_up):
            several.append((f"together {index}", runner_up_words(together), together))
        return tuple(several)
    (result,) = found.results
    own = (
        f"+{result.delay_ms:.3f} ms {result.delayed_output}, {result.polarity}: "
        f"{_mean(result.loss_after_db)}"
    )
    rows: list[tuple[str, str, Alternative | RunnerUp | None]] = [("own", own, None)]
    for index, entry in enumerate(result.alternatives):
        what = " (flat in quadrature)" if entry.kind == "quadrature" else ""
        words = (
            f"+{entry.delay_ms:.3f} ms {entry.delayed_output}, {entry.polarity}: "
            f"{_mean(entry.loss_after_db)}{what}"
        )
        rows.append((f"alternative {index}", words, entry))
    return tuple(rows)


def answer_lines(answer: Answer, width: int) -> list[Content]:
    """The answer in words: warnings first, then what the command line says, too."""
    from xover.sheets.alignment_text import alignment_text

    lines: list[Content] = []
    for result in answer.proposal.result.results:
        if result.ambiguous:
            text = (
                f"{result.move}: a rival is as good. Look at the settings below and listen to "
                "both before the show."
            )
            lines += _styled(text, width, "bold $text-warning")
        if result.at_limit:
            text = f"{result.move}: the best delay lies at the limit of the search."
            lines += _styled(text, width, "bold $text-warning")
    if answer.note:
        lines += _styled(f"No curves: {answer.note}", width, "")
    for text in alignment_text(answer.proposal.result).split("\n"):
        indent = " " * (len(text) - len(text.lstrip()))
        if len(text) <= width:
            lines.append(Content(inert(text)))
        else:
            lines += [
                Content(one)
                for one in wrapped(inert(text.strip()), width, indent=indent + "  ", first=indent)
            ]
    return lines


def said_here(text: str) -> str:
    """A refusal in the words of the dialog instead of the options of the command line."""
    for option, words in _SAID_HERE.items():
        text = text.replace(option, words)
    return text


def read_band(text: str) -> tuple[float, float] | None:
    """`72 138`, `72–138 Hz`, `1k 2k5`; None where empty. Raises `Refused`."""
    import re

    from xover.model.entry_text import tidy

    typed = tidy(text).replace("hz", "").strip()
    if not typed:
        return None
    found = re.fullmatch(r"([0-9.]+k?[0-9]*) ?(?:[ -]|to) ?([0-9.]+k?[0-9]*)", typed)
    if found is None:
        raise _no_band(text)
    edges = [_hertz(edge) for edge in found.groups()]
    if None in edges:
        raise _no_band(text)
    low, high = cast("list[float]", edges)
    if not 0.0 < low < high:
        raise Refused.at("", "the band needs a low edge above 0 Hz and a higher high edge")
    return low, high


def read_weights(text: str, listeners: tuple[str, ...]) -> tuple[float, ...]:
    """`2 1 0.5`, one a listener in the order of the list; () where empty. Raises `Refused`."""
    typed = text.replace(",", ".").replace(";", " ").split()
    if not typed:
        return ()
    try:
        weights = tuple(float(each) for each in typed)
    except ValueError:
        weights = ()
    if len(weights) != len(listeners) or not all(0.0 <= each <= 1000.0 for each in weights):
        example = " ".join(["2", *["1"] * (len(listeners) - 1)])
        raise Refused.at(
            "",
            f"{quoted(text)} are no weights; type one number for each listener, such as {example}",
        )
    return weights


def read_search_ms(text: str) -> float:
    """The largest delay that is tried, in ms. Raises `Refused`."""
    from xover.model.entry_text import tidy

    try:
        value = float(tidy(text).removesuffix("ms").strip().replace(",", "."))
    except ValueError:
        value = -1.0
    if not 0.0 <= value <= 10_000.0:
        raise Refused.at("", f"{quoted(text)} is no search range; type 0 to 10000 ms, such as 25")
    return value


def _hertz(text: str) -> float | None:
    head, kilo, rest = text.partition("k")
    try:
        return float(f"{head}.{rest}" if rest else head) * (1000.0 if kilo else 1.0)
    except ValueError:
        return None


def _no_band(text: str) -> Refused:
    return Refused.at("", f"{quoted(text)} is no band; type two frequencies, such as 72 138")


def _mean(losses_db: dict[str, float | None]) -> str:
    heard = [value for value in losses_db.values() if value is not None]
    mean = sum(heard) / len(heard)
    where = "at " + next(iter(losses_db)) if len(losses_db) == 1 else "on average"
    return f"loses {show_db(mean, 2).lstrip('+')} {where}"


def _styled(text: str, width: int, style: str) -> list[Content]:
    return [Content.styled(one, style) for one in wrapped(inert(text), width)]
