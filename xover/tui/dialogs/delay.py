"""Delay by distance from inside: what is delayed, with what it shall arrive and where; one step.

Times, lifts and their words are those of `design.distance`; nothing is decided here.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import ClassVar, Literal

from msgspec import Struct
from textual.app import ComposeResult
from textual.containers import VerticalScroll
from textual.content import Content

from xover.design.distance import DistanceAnswer, apply_distance, delay_by_distance
from xover.design.ways import read_ways
from xover.model import entry
from xover.model.drive import Drive
from xover.model.names import inert, quoted
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.sheets.cells import wrapped
from xover.sheets.distance_text import distance_text
from xover.tui.dialogs.base import button, button_row, column, columns, labelled
from xover.tui.dialogs.levels import context
from xover.tui.dialogs.picking import NameList, Tick
from xover.tui.dialogs.proposing import ProposingDialog
from xover.tui.field import Field
from xover.tui.reflow import Reflowed


class DelayRequest(Struct, frozen=True):
    """What to delay: exact names, as `design.distance.delay_by_distance` takes them."""

    move: tuple[str, ...]
    to: str
    listener: str
    drive: Drive
    offset_ms: float = 0.0
    measured: tuple[tuple[str, str, float], ...] = ()
    show_temperature_c: float | None = None
    set_for: Literal["now", "show"] = "now"
    lift_db: float | None = None


class Delayed(Struct, frozen=True, eq=False):
    """The preset with its delays set, the answer behind it, and the step's name."""

    name: str
    before: Preset
    after: Preset
    answer: DistanceAnswer


def worked_out(preset: Preset, request: DelayRequest) -> Delayed:
    """Compute; raises `Refused` as `delay_by_distance` does."""
    answer = delay_by_distance(
        preset,
        move=request.move,
        to=request.to,
        listener=request.listener,
        offset_ms=request.offset_ms,
        drive=request.drive,
        measured={(output, place): metres for output, place, metres in request.measured},
        show_temperature_c=request.show_temperature_c,
        set_for=request.set_for,
        lift_db=request.lift_db,
    )
    name = f"delay {', '.join(inert(one) for one in request.move)} to {inert(request.to)}"
    return Delayed(name, preset, apply_distance(preset, answer), answer)


def answer_lines(found: Delayed, width: int) -> list[Content]:
    """The answer's words, laid out for a width."""
    lines: list[Content] = []
    for text in distance_text(found.before, found.answer).split("\n"):
        line = inert(text)
        indent = " " * min(len(line) - len(line.lstrip()) + 4, max(0, width - 12))
        first = line[: len(line) - len(line.lstrip())]
        lines += [
            Content(part) for part in wrapped(line.lstrip(), width, indent=indent, first=first)
        ]
    return lines


class DelayDialog(ProposingDialog[Delayed, Delayed]):
    """Answers delays to be taken as one step."""

    heading = "Delay by distance"
    keys: ClassVar[str] = "Tab moves on   Space chooses   Ctrl+G works out, applies   Esc leaves"

    DEFAULT_CSS = """
    DelayDialog #form NameList { max-height: 6; }
    DelayDialog #form .row > .label { width: 11; }
    DelayDialog #words { max-height: 30; }
    """

    def form(self) -> ComposeResult:
        """Outputs, the listener, how much later and when it counts."""
        yield from self.names("delay", "so that it comes with", one_place=True)
        with columns():
            with column("how much later, how loud"):
                with labelled("later by"):
                    yield Field("0 ms", id="offset", most=40)
                with labelled("lift seat by"):
                    yield Field(id="lift", placeholder="gain stays, or 3 dB", most=40)
            with column("when it counts"):
                with labelled("then °C"):
                    yield Field(id="then", placeholder="as now", most=20)
                yield Tick("set for then, not for now", id="for-then")
        with labelled("measured"):
            yield Field(
                id="measured", placeholder="by coordinates, or Output=Listener=11.9; …", most=400
            )
        with button_row():
            yield button("Work out", "go")

    def shown(self) -> ComposeResult:
        """The answer's words."""
        with VerticalScroll(id="words"):
            yield Reflowed(id="answer")

    def job(self) -> Callable[[], Delayed]:
        """What works out the delays."""
        return partial(worked_out, self._preset, self.request())

    def taken(self, found: Delayed) -> Delayed:
        """The delays as they were worked out."""
        return found

    def request(self) -> DelayRequest:
        """What the form asks for. Raises `Refused` for what is missing or no figure."""
        move = self.query_one("#move", NameList).chosen
        to = self.query_one("#to", NameList).one
        typed = self.query_one("#measured", Field).value
        ways = read_ways(self._preset, [one.strip() for one in typed.split(";") if one.strip()])
        listener = self.query_one("#at", NameList).one
        if listener is None and ways:
            listener = next(iter(ways))[1]
        if not move:
            raise Refused.at("", "tick at least one output to delay")
        if to is None:
            raise Refused.at("", "choose the output that it shall come with")
        if listener is None:
            raise Refused.at("", "choose the listener it is aimed at, or type measured ways")
        then_c = read_then(self.query_one("#then", Field).value)
        for_then = self.query_one("#for-then", Tick).value
        if for_then and then_c is None:
            raise Refused.at("", "type the temperature that delays shall be set for")
        return DelayRequest(
            move,
            to,
            listener,
            self._drive,
            read_offset_ms(self.query_one("#offset", Field).value),
            tuple((output, place, metres) for (output, place), metres in ways.items()),
            then_c,
            "show" if for_then else "now",
            read_lift_db(self.query_one("#lift", Field).value),
        )

    def result_ready(self, result: object) -> None:
        """Show the answer."""
        if isinstance(result, Delayed):
            self._found = result
            self.query_one("#answer", Reflowed).show(partial(answer_lines, result))
            self.turn_to("found")

    def turn_to(self, page: str) -> None:
        """The answer gets the room there is."""
        super().turn_to(page)
        self.query_one("#words").styles.max_height = max(4, self.app.size.height - 8)


def read_offset_ms(text: str) -> float:
    """Milliseconds, with a sign where it shall come earlier; nothing is 0. Raises `Refused`."""
    typed = text.strip().replace("−", "-").replace(",", ".").removesuffix("ms").strip()
    try:
        value = float(typed or "0")
    except ValueError:
        raise Refused.at("", f"{quoted(text)} is no time; type milliseconds, such as 10") from None
    if not -1000.0 <= value <= 1000.0:
        raise Refused.at("", "later by −1,000 to +1,000 ms")
    return value


def read_then(text: str) -> float | None:
    """Degrees Celsius; None where nothing was typed. Raises `Refused`."""
    from xover.tui.panes.arrivals import read_temperature

    return read_temperature(text) if text.strip() else None


def read_lift_db(text: str) -> float | None:
    """Decibels above 0; None where nothing was typed. Raises `Refused`."""
    if not text.strip():
        return None
    value = entry.parse("gain", text, context=context())
    assert isinstance(value, float)
    return value
