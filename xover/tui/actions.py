"""Every action of the workbench, once: its keys, its words, and where it shows.

Bindings, footer, palette and help all derive from this table, so that none of them can drift.
"""

from __future__ import annotations

from typing import NamedTuple

from textual.binding import Binding


class Action(NamedTuple):
    """One thing the workbench can do."""

    id: str
    keys: str
    """Comma-separated textual key names; "" for the palette alone."""
    shown: str
    """The key as people read it; `/` and the label where there is none."""
    label: str
    help: str
    group: str
    footer: bool = False


ACTIONS: tuple[Action, ...] = (
    Action(
        "align",
        "ctrl+a",
        "^A",
        "align",
        "Align outputs by phase, see before and after",
        "Work",
        True,
    ),
    Action(
        "delay",
        "f12",
        "F12",
        "delay",
        "Delay outputs by distance; see who leads where",
        "Work",
    ),
    Action(
        "undo",
        "ctrl+z",
        "^Z",
        "undo",
        "Take the last step back; while typing, the typing",
        "Work",
        True,
    ),
    Action("redo", "ctrl+y", "^Y", "redo", "Do the step again that was taken back", "Work"),
    Action("save", "ctrl+s", "^S", "save", "Save the preset", "File", True),
    Action("save_as", "ctrl+w", "^W", "save as", "Save under another name", "File"),
    Action("open", "ctrl+o", "^O", "open", "Open another preset", "File"),
    Action("import_trace", "ctrl+t", "^T", "import", "Import a measured response", "File"),
    Action(
        "listen", "ctrl+l", "^L", "listen", "Choose where to listen and what is played", "Curves"
    ),
    Action("pane", "f2", "F2", "panes", "Show the next companion pane, or none", "Panes", True),
    Action("arrivals", "f3", "F3", "arrivals", "When and how loud each output arrives", "Panes"),
    Action("advice", "f4", "F4", "advice", "Findings about this preset, worst first", "Panes"),
    Action("power", "f10", "F10", "power", "Limiters against ratings, amplifier loads", "Panes"),
    Action("notes", "f5", "F5", "notes", "Notes kept with the preset", "Panes"),
    Action(
        "archive",
        "ctrl+d",
        "^D",
        "archive",
        "Every revision kept: search, compare, restore",
        "Panes",
    ),
    Action(
        "processor",
        "f11",
        "F11",
        "processor",
        "What a processor makes of the sheet, at what cost",
        "Panes",
    ),
    Action(
        "verify",
        "ctrl+u",
        "^U",
        "verify",
        "Verify a capture of the processor, with slips by name",
        "Work",
    ),
    Action(
        "keep",
        "ctrl+x",
        "^X",
        "keep",
        "Keep a further revision in the archive, with a note",
        "File",
    ),
    Action(
        "restore",
        "ctrl+g",
        "^G",
        "restore",
        "Put the revision compared on the sheet, as one step",
        "File",
    ),
    Action(
        "lower",
        "f6",
        "F6",
        "phase",
        "Phase, group delay or coherence under the curves",
        "Curves",
        True,
    ),
    Action(
        "what", "f7", "F7", "curves", "Sum at a listener, or the outputs' own responses", "Curves"
    ),
    Action(
        "flight",
        "ctrl+f",
        "^F",
        "flight",
        "Delay taken out of the phase: choose it, or fit",
        "Curves",
    ),
    Action("focus", "f8", "F8", "sheet/curves", "Move between sheet, curves and pane", "Curves"),
    Action("mute", "ctrl+k", "^K", "mute", "Mute or unmute the output under the cursor", "Sheet"),
    Action(
        "bypass",
        "ctrl+b",
        "^B",
        "bypass",
        "Bypass the EQ section under the cursor, or not",
        "Sheet",
    ),
    Action(
        "part",
        "ctrl+n",
        "^N",
        "part",
        "Next part of the cell for [ ]: gain, Q, slope, attack",
        "Sheet",
    ),
    Action(
        "rename", "ctrl+r", "^R", "rename", "Rename the input or output under the cursor", "Sheet"
    ),
    Action(
        "add", "", "/ add", "add", "Add an input or output beside the one under the cursor", "Sheet"
    ),
    Action(
        "add_with_boxes",
        "",
        "/ add with boxes",
        "add with boxes",
        "Add an output with boxes and amplifiers like this one's",
        "Sheet",
    ),
    Action(
        "take_out",
        "",
        "/ take out",
        "take out",
        "Take out the input or output under the cursor",
        "Sheet",
    ),
    Action(
        "add_listener",
        "",
        "/ add listener",
        "add listener",
        "Add a listener beside the one listened at",
        "Work",
    ),
    Action(
        "take_out_listener",
        "",
        "/ listener out",
        "listener out",
        "Take out the listener listened at",
        "Work",
    ),
    Action("air", "ctrl+e", "^E", "air", "Temperature, humidity and pressure", "Work"),
    Action("theme", "f9", "F9", "light/dark", "Change between a dark and a light screen", "Screen"),
    Action(
        "help",
        "question_mark,f1",
        "?",
        "help",
        "Keys, and what the cell under the cursor takes",
        "Screen",
        True,
    ),
    Action("palette", "slash,ctrl+p", "/", "find", "Find any action by its words", "Screen"),
    Action("quit", "ctrl+q", "^Q", "quit", "Leave; asks where work is unsaved", "File"),
)

CURVE_KEYS: tuple[tuple[str, str], ...] = (
    ("← →", "Move the cursor, with Shift by more; Esc puts it away, then leaves"),
    ("↑ ↓", "Closer and wider about the cursor; the wheel does, too"),
    ("[ ]", "Lower and higher frequencies; so does dragging"),
    ("Home", "Back to 20 Hz to 20 kHz"),
)
"""What the curves obey while the keys go to them."""

ARRIVALS_KEYS: tuple[tuple[str, str], ...] = (
    ("^G", "Times, plan, level map, places: the next of them; ← → on their names, too"),
    ("[ ]", "Temperature, band, or a place's coordinate: the next step"),
    ("← →", "On plan and map the cursor, ↑ ↓ as well, with Shift by more"),
    ("Space", "On plan and map to the next listener; Esc stops a map"),
)
"""What the pane of arrivals obeys while the keys go to it."""

ARCHIVE_KEYS: tuple[tuple[str, str], ...] = (
    ("letters", "Search: the beginnings of words; Backspace, Esc takes the search back"),
    ("↑ ↓", "Walk; → opens a venue or a preset, ← closes it"),
    ("Enter", "On a revision: compare it with the sheet; Esc goes back, and stops reading"),
    ("^G", "Restore the revision compared, as one step; Tab leads to opening a copy"),
)
"""What the pane of the archive obeys while the keys go to it."""

LEFT_TO_THE_SHEET = ("question_mark,f1", "slash,ctrl+p", "ctrl+n", "ctrl+x", "ctrl+g", "ctrl+u")
"""Keys that whoever has the focus may take for itself, in the order of the keys around them."""

BY_ID = {action.id: action for action in ACTIONS}


def bindings() -> list[Binding]:
    """The table as textual bindings for the app."""
    return [
        Binding(
            action.keys,
            f"do('{action.id}')",
            action.label,
            show=action.footer,
            key_display=action.shown,
            priority=action.keys not in LEFT_TO_THE_SHEET,
        )
        for action in ACTIONS
        if action.keys
    ]


def footer_text(width: int) -> str:
    """The footer line: as many of its actions as fit, `? help` always."""
    last = f"{BY_ID['help'].shown} {BY_ID['help'].label}"
    parts: list[str] = []
    for action in ACTIONS:
        if not action.footer or action.id == "help":
            continue
        text = f"{action.shown} {action.label}"
        if len("   ".join([*parts, text, last])) + 2 > width:
            break
        parts.append(text)
    return " " + "   ".join([*parts, last])


def help_lines() -> list[tuple[str, list[tuple[str, str]]]]:
    """Groups of (key, what it does), for the help dialog: sheet and curves, then the table."""
    from xover.tui.sheet import SHEET_KEYS

    groups: dict[str, list[tuple[str, str]]] = {
        "In the sheet": [(key.shown, key.help) for key in SHEET_KEYS]
    }
    groups["In the curves"] = [*CURVE_KEYS]
    groups["In arrivals"] = [*ARRIVALS_KEYS]
    groups["In the archive"] = [*ARCHIVE_KEYS]
    for action in ACTIONS:
        groups.setdefault(action.group, []).append((action.shown, action.help))
    return list(groups.items())
