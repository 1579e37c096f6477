"""What people read fits 80 columns where it is no terminal's, and the terminal's width there."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.cli.conftest import Ran
from xover.cli import outcome

Run = Callable[..., Ran]
HALL, CHAPEL = "presets/harbour-hall.json", "presets/hillside-chapel.json"


@pytest.mark.parametrize(
    "arguments",
    [
        ("check", CHAPEL),
        ("limits", CHAPEL),
        ("limits", CHAPEL, "--processor", "presets/processors/jetty-4x8.json"),
        ("level", CHAPEL, "--listener", "Under the gallery", "--input-level-dbu", "10"),
        ("align", HALL, "--move", "Sub", "--to", "Top L", "--listener", "Row 16"),
        ("distance", HALL, "--move", "Delay L", "--to", "Top L", "--listener", "Row 24",
         "--line", "Row 3", "Row 24", "--lift-db", "3", "--show-temperature", "12"),
        ("array", "endfire", HALL, "--output", "Sub"),
        ("array", "arc", HALL, "--output", "Sub", "--angle", "60"),
    ],
)  # fmt: skip
def test_lines_fit_80_columns(xover: Run, arguments: tuple[str, ...]) -> None:
    ran = xover(*arguments)
    assert ran.code in (0, 1), ran.err
    assert max(len(line) for line in ran.out.splitlines()) <= 80


def test_talk_is_folded_on_a_terminal_alone(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Elsewhere a sentence is a line; a path is never broken."""
    path = "a folder of the crew/with many shows/evening.json"
    outcome.say(f"applied, and saved for the next night in {path}", whole=[path])
    assert capsys.readouterr().err.count("\n") == 1
    monkeypatch.setenv("COLUMNS", "60")
    monkeypatch.setattr("sys.stderr.isatty", lambda: True)
    outcome.say(f"applied, and saved for the next night in {path}", whole=[path])
    lines = capsys.readouterr().err.splitlines()
    assert lines == ["xover: applied, and saved for the next night in", f"  {path}"]


@pytest.mark.parametrize("command", [(), ("archive",), ("signal",), ("schema",)])
def test_lists_of_commands_are_whole(xover: Run, command: tuple[str, ...]) -> None:
    shown = xover(*command, "--help").out
    assert "..." not in shown.replace("[ARGS]...", "")
    assert max(len(line) for line in shown.splitlines()) <= 80
