"""Opening a preset beside the screen: the session, or unsaved work to be offered first.

Everything heavy is imported here, after the shell has been painted.
"""

from __future__ import annotations

import os
from typing import Literal

from msgspec import Struct

from xover.files.paths import shown_path
from xover.model.problems import Refused
from xover.session.recovery import Recovery, find_recovery
from xover.session.session import Session
from xover.session.views import Viewer
from xover.tui import plot, plot_data, sheet  # noqa: F401 — loaded with the rest, beside the screen

Decision = Literal["ask", "recover", "leave", "discard"]


class Opening(Struct, frozen=True):
    """What came of opening: a session, an offer, or why there is neither."""

    path: str | None
    session: Session | None = None
    recovery: Recovery | None = None
    viewer: Viewer | None = None
    problem: str = ""


def open_or_offer(path: str | None, decision: Decision = "ask") -> Opening:
    """Open `path`; where unsaved work of a session that ended is found, offer it first."""
    try:
        recovery = find_recovery(path) if decision != "leave" else None
        if recovery is not None:
            if decision == "ask":
                return Opening(path, recovery=recovery)
            if decision == "recover":
                return Opening(path, session=Session.recovered(recovery), viewer=Viewer())
            recovery.discard()
        return Opening(path, session=Session.open(path), viewer=Viewer())
    except Refused as refused:
        fault = str(refused)
        name = "" if path is None else shown_path(path)
        said = not name or os.path.basename(name.strip("“”")) in fault
        return Opening(path, problem=fault if said else f"{name}, {fault}")
