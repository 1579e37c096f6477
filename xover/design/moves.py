"""What may move against what: asked by every tool that sets one output's delay to another's."""

from __future__ import annotations

from collections.abc import Sequence

from xover.model.changes import followers, is_locked
from xover.model.preset import Preset
from xover.model.problems import Refused


def check_moves(preset: Preset, move: Sequence[str], to: str) -> None:
    """Refuse outputs (exact names) whose delays cannot be set to suit that of `to`.

    Raises `Refused` where none is named or one twice, where `to` is among them or follows one, and
    where a delay is locked.
    """
    if not move:
        raise Refused.at("", "name at least one output to move")
    if len(set(move)) != len(move):
        raise Refused.at("", "the same output is given twice")
    if to in move:
        raise Refused.at("", f"“{to}” cannot be moved and be the reference at once")
    for name in move:
        if to in followers(preset, name, "delay"):
            raise Refused.at(
                "",
                f"“{name}” and “{to}” are in one group that follows delay, so nothing between "
                "them can change; take one of them out of the group",
            )
        if is_locked(preset, name, "delay"):
            raise Refused.at(
                f'outputs["{name}"].locked',
                f"the delay of “{name}” is locked; unlock it, or put it in a group that moves "
                "whole",
            )
