"""What was captured from the processor: at which output, driven by which input, in which file.

Answers plain data; reading and judging is done beside the screen by whoever asked.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.widgets import Input, Static

from xover.files.listing import kind_of, resolve
from xover.files.paths import shown_path
from xover.model.preset import Preset
from xover.session.processors import Capture, inputs_of
from xover.tui.dialogs.base import Dialog, button, button_row, labelled, line
from xover.tui.dialogs.open_file import OpenDialog
from xover.tui.dialogs.path_field import PathField
from xover.tui.dialogs.picking import NameList
from xover.tui.field import Field

CAUTION = (
    "Amplifiers disconnected: only line-level signals go to an interface, never a power output or "
    "a 70/100 V line."
)


class ProfileDialog(OpenDialog):
    """Answers the whole path of a processor's profile."""

    heading = "Choose a processor's profile"

    def __init__(self, folder: str, *, examples: Sequence[str] = ()) -> None:
        super().__init__(folder, examples=examples)


class VerifyDialog(Dialog[Capture]):
    """Answers a capture of one output."""

    heading = "Verify what was entered"
    keys: ClassVar[str] = "Tab moves on   Space chooses   Ctrl+G verifies   Esc leaves"

    def __init__(self, preset: Preset, folder: str, *, output: str | None = None) -> None:
        """`output` is chosen at first."""
        super().__init__()
        self._preset = preset
        self._folder = folder
        fed = [item.name for item in preset.outputs if item.inputs and not item.muted]
        self._outputs = fed
        self._first = output if output in fed else fed[0] if fed else None

    def body(self) -> ComposeResult:
        """Files, output, input."""
        yield line(CAUTION, muted=True)
        with labelled("captured"):
            yield PathField(self._folder, placeholder="text with phase, or audio", id="capture")
        with labelled("loop alone"):
            yield PathField(
                self._folder, placeholder="the interface by itself, or empty", id="loop"
            )
        with labelled("channel"):
            yield Field(placeholder="of audio files, 1 …; empty: the only one", id="channel")
        with Horizontal(classes="columns"):
            with Vertical():
                yield Static("captured at", classes="title", markup=False)
                chosen = [self._first] if self._first is not None else []
                yield NameList(self._outputs, chosen=chosen, single=True, id="output")
            with Vertical():
                yield Static("driven by", classes="title", markup=False)
                inputs = inputs_of(self._preset, self._first) if self._first is not None else ()
                yield NameList(inputs, chosen=inputs[:1] * (len(inputs) == 1), single=True,
                               id="driven")  # fmt: skip
        with button_row():
            yield button("Verify", "go")
            yield button("Leave", "leave")

    def on_mount(self) -> None:
        """The file first."""
        super().on_mount()
        self.query_one("#capture").focus()

    def on_name_list_changed(self, message: NameList.Changed) -> None:
        """Another output is fed by other inputs."""
        if message.names.id == "output" and message.names.one is not None:
            inputs = inputs_of(self._preset, message.names.one)
            chosen = inputs if len(inputs) == 1 else ()
            self.query_one("#driven", NameList).offer(inputs, chosen=chosen)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Enter answers."""
        self.action_go()

    def action_go(self) -> None:
        """Answer, or say what is missing."""
        output = self.query_one("#output", NameList).one
        driven = self.query_one("#driven", NameList).one
        channel = self.query_one("#channel", Field).value.strip()
        paths = []
        for name in ("capture", "loop"):
            typed = self.query_one(f"#{name}", Field).value.strip()
            path = resolve(self._folder, typed) if typed else None
            if path is not None and kind_of(path) != "file":
                self.say(f"there is no file {shown_path(path)}; Tab completes a path")
                return
            paths.append(path)
        capture, loop = paths
        if capture is None:
            self.say("name the file that was captured")
        elif output is None:
            self.say("choose the output it was captured at")
        elif driven is None:
            self.say("choose the input that carried the signal")
        elif channel and not (channel.isascii() and channel.isdigit() and int(channel) > 0):
            self.say("a channel is a number from 1 on; leave it empty where there is one only")
        else:
            number = int(channel) if channel else None
            self.dismiss(Capture(capture, output, driven, loop, number))
