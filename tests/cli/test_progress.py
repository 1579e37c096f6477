"""The bar of long work: on a terminal, after half a second, and gone afterwards."""

from __future__ import annotations

import io

import pytest

from xover.cli import progress as module
from xover.cli.progress import progress


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.fixture
def clock(monkeypatch):
    """A clock that moves by a fifth of a second whenever it is read."""
    now = [100.0]

    def monotonic() -> float:
        now[0] += 0.2
        return now[0]

    monkeypatch.setattr(module.time, "monotonic", monotonic)


def test_a_terminal_sees_a_bar_that_goes_away(clock, monkeypatch):
    terminal = Terminal()
    monkeypatch.setattr("sys.stderr", terminal)
    with progress("reading") as told:
        for part in (0.1, 0.2, 0.25, 0.5):
            told(part)
        assert "reading [============            ]  50 %" in terminal.getvalue()
        assert " 10 %" not in terminal.getvalue()
    assert terminal.getvalue().endswith("\r" + " " * 40 + "\r")


def test_the_bar_goes_away_when_the_work_is_stopped(clock, monkeypatch):
    terminal = Terminal()
    monkeypatch.setattr("sys.stderr", terminal)

    def stopped() -> None:
        with progress("reading") as told:
            for part in (0.1, 0.2, 0.3, 0.4):
                told(part)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        stopped()
    assert terminal.getvalue().endswith(" \r")


def test_a_pipe_sees_nothing(clock, monkeypatch):
    pipe = io.StringIO()
    monkeypatch.setattr("sys.stderr", pipe)
    with progress("reading") as told:
        for part in (0.1, 0.5, 0.9):
            told(part)
    assert pipe.getvalue() == ""
