"""What the workbench does: each action and each request of a widget, as steps of the session.

Kept apart from the app's layout, one module a subject. Dialogs answer with plain data.
"""

from __future__ import annotations

from xover.tui.doing.archive import Archive
from xover.tui.doing.curves import Curves
from xover.tui.doing.editing import Editing
from xover.tui.doing.processor import Processor
from xover.tui.doing.screen import ScreenActions


class Doing(Editing, Archive, Processor, Curves, ScreenActions):
    """The actions of the workbench."""
