"""Proof in a real terminal: hostile names, pasted megabytes, any key in any place.

No crash and no traceback, and whatever the keys led to can be left again.
"""

from __future__ import annotations

import json
import random
from pathlib import Path
from typing import Any

import pytest

from tests.tui.tmux import (
    SHIPPED,
    Terminal,
    Terminals,
    delay_of,
    eventually,
    left_with,
    opened,
    tree,
)

SIZES = [(80, 24), (120, 40), (160, 48)]


HOSTILE = {
    "title": "[red]Stage[/red] $title %s",
    "venue": "\u202eeman\u202c",
    "outputs[0].name": "[@click=app.quit]Sub[/]",
    "outputs[1].name": "\u821e\u53f0 \U0001f50a",
    "outputs[2].name": "\u00e1\u0302\u0303\u200b",
}
"""Markup, a direction override, wide characters, a pile of combining marks with a hidden one."""


def test_hostile_names_are_shown_literally(server: Terminals, folder: Path) -> None:
    text = (SHIPPED).read_text()
    names = ["Sub", "Top L", "Top R"]
    held = json.loads(text)
    held["title"], held["venue"] = HOSTILE["title"], HOSTILE["venue"]
    renaming = {old: HOSTILE[f"outputs[{at}].name"] for at, old in enumerate(names)}
    name = "[bold]\x1b]0;owned\x07\x1b[2J.json"
    (folder / name).write_text(json.dumps(renamed(held, renaming)))
    terminal = server.open(folder, name)
    screen = terminal.shows("[red]Stage[/red] $title %s", "\\u202eeman\\u202c", "[@click=app")
    screen = terminal.shows("\u821e\u53f0")
    assert "\u202e" not in screen
    assert all(len(line) <= 80 for line in screen.split("\n"))
    terminal.type("3.5", "Enter")
    terminal.shows("1 step unsaved")
    terminal.keys("C-s")
    terminal.shows("saved in", "[bold]\\u001b]0;owned\\u0007\\u001b[2J.json")
    assert "owned" not in terminal.ask("pane_title")
    for key in ("F3", "F4", "F5", "Escape", "?"):
        terminal.keys(key)
        assert "Traceback" not in terminal.settled()
        assert terminal.is_running, key
    terminal.keys("Escape")
    assert left_with(terminal) == 0
    assert delay_of(folder / name) == 3.5


def renamed(held: Any, names: dict[str, str]) -> Any:
    """Plain data with names exchanged wherever they stand as a whole text."""
    if isinstance(held, dict):
        return {names.get(key, key): renamed(value, names) for key, value in held.items()}
    if isinstance(held, list):
        return [renamed(value, names) for value in held]
    return names.get(held, held) if isinstance(held, str) else held


def test_escape_codes_in_a_file_are_refused_and_shown_inert(
    server: Terminals, folder: Path
) -> None:
    held = tree(SHIPPED)
    held["title"] = "\x1b]0;owned\x07\x1b[31mred"
    (folder / "rig.json").write_text(json.dumps(held))
    terminal = server.open(folder, "rig.json")
    terminal.shows("title", "Open a preset")
    assert "owned" not in terminal.ask("pane_title")
    terminal.keys("Escape")
    assert left_with(terminal) == 0


def test_copying_where_there_is_nothing_is_said(server: Terminals, folder: Path) -> None:
    terminal = opened(server, folder)
    terminal.keys("Left", "Up", "Up", "Up", "C-c")
    terminal.shows("an input has no route")
    assert left_with(terminal) == 0


def test_a_key_pressed_twice_answers_once(server: Terminals, folder: Path) -> None:
    terminal = opened(server, folder)
    for _ in range(3):
        terminal.keys("/")
        terminal.shows("What would you like", "^A   align")
        terminal.type("humidity")
        terminal.shows("^E   air")
        terminal.keys("Enter", "Enter", "Enter", "Enter", "Escape", "Escape", "Escape")
        terminal.settled()
        assert terminal.is_running
        terminal.keys("Escape")
        terminal.until(lambda screen: "Delay   ms" in screen and "pressure" not in screen)
    assert left_with(terminal) == 0


def test_a_pasted_megabyte(server: Terminals, folder: Path) -> None:
    terminal = opened(server, folder)
    for text, cut in (("9" * 1_000_000, "996,000"), ("lr24 100\n" * 110_000, "986,000")):
        terminal.paste(text)
        terminal.shows(f"{cut} characters were left")
        terminal.keys("Escape")
        terminal.shows("║ 1.55")
    terminal.paste("\x1b[200~" * 1000)
    terminal.settled()
    terminal.keys("Escape")
    terminal.settled()
    terminal.type("3.5", "Enter")
    terminal.shows("1 step unsaved", "3.50")
    terminal.keys("C-z")
    terminal.until(lambda screen: "unsaved" not in screen)
    assert left_with(terminal) == 0
    assert (folder / "rig.json").read_bytes() == SHIPPED.read_bytes()


NAMED = [
    "Enter", "Enter", "Enter", "Escape", "Tab", "Up", "Down", "Left", "Right", "Home", "End",
    "PPage", "NPage",
    "BTab", "BSpace", "DC", "IC", "Space", "S-Up", "S-Down", "S-Left", "S-Right", "C-Left",
    "C-Right", "M-x", *(f"F{number}" for number in range(1, 13)),
    *(f"C-{letter}" for letter in "abcdefghijklnoprstuvwxyz"), "C-Space", "C-]",
]  # fmt: skip
"""Every key but Ctrl+Q, which ends it as it should, and Ctrl+M, which is Enter."""
TYPED = [*"0123456789.-+/?[]{}lrbpqsiokKm'\"#,=*~", "lr24 100", "inv", "é", "\u821e", "\U0001f50a"]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_random_keys_end_nothing(server: Terminals, folder: Path, seed: int) -> None:
    """All that a keyboard has, in any place; what it leads to is left again at the end."""
    dice = random.Random(seed)
    terminal = opened(server, folder, size=dice.choice(SIZES))
    pressed: list[str] = []
    for _ in range(30):
        for _ in range(4):
            if dice.random() < 0.6:
                keys = dice.choices(NAMED, k=dice.choice([1, 2, 4]))
                terminal.keys(*keys)
            else:
                keys = [dice.choice(TYPED)]
                terminal.type(*keys)
            pressed += keys
        if not terminal.is_running:
            break
    leave_whatever_is_open(terminal, pressed)
    assert terminal.is_given_back


def leave_whatever_is_open(terminal: Terminal, pressed: list[str]) -> None:
    """Escape from dialogs, then leave; unsaved work is thrown away.

    The keys may have left already, through the palette: that is no fault, nor is a Ctrl+C that
    comes while the process is ending.
    """
    for _ in range(20):
        if not terminal.is_running:
            break
        terminal.keys("Escape")
        terminal.settled()
        terminal.keys("C-q")
        eventually(lambda: not terminal.is_running, within_s=0.5)
        if "Leave without saving" in terminal.screen():
            terminal.keys("Down", "Down", "Enter")
            eventually(lambda: not terminal.is_running, within_s=5.0)
    screen = terminal.screen()
    assert terminal.ended() == (2 if "xover: stopped." in screen else 0), (pressed, screen)
    assert "Traceback" not in screen, (pressed, screen)
