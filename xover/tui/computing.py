"""Work beside the screen: one calculation at a time, and the newest wish is always the last.

A thread cannot be stopped, so wishes never queue up: while one is computed only the newest
waits. What cannot be answered comes back as `Refused`; anything else is a bug and ends the app.
"""

from __future__ import annotations

from collections.abc import Callable

from textual.message import Message
from textual.widget import Widget

from xover.model.problems import Refused

Job = Callable[[], object]


class Computed(Message, bubble=False):
    """A calculation has ended: its `result`, or why there is none; `last` if no newer waits."""

    def __init__(self, token: object, result: object, problem: Refused | None) -> None:
        super().__init__()
        self.token = token
        self.result = result
        self.problem = problem


class Newest:
    """Runs jobs for one widget in a thread; the widget hears `Computed` and calls `ended`."""

    def __init__(self, widget: Widget) -> None:
        self._widget = widget
        self._waiting: tuple[object, Job] | None = None
        self._running: object | None = None

    @property
    def is_busy(self) -> bool:
        """Whether something is being computed or waits for it."""
        return self._running is not None

    def ask(self, job: Job, *, token: object | None = None) -> object:
        """Have `job` computed as soon as the one before it has ended; gives its token."""
        token = object() if token is None else token
        if self._running is not None:
            self._waiting = (token, job)
        else:
            self._start(token, job)
        return token

    def ended(self, message: Computed) -> bool:
        """Note an end and start what waits; whether the result is still the newest wish."""
        if message.token is not self._running:
            return False
        self._running = None
        if self._waiting is None:
            return True
        token, job = self._waiting
        self._waiting = None
        self._start(token, job)
        return False

    def forget(self) -> None:
        """Give up: nothing more is started, and what still runs counts for nothing."""
        self._running = self._waiting = None

    def _start(self, token: object, job: Job) -> None:
        self._running = token

        def work() -> None:
            result: object = None
            problem: Refused | None = None
            try:
                result = job()
            except Refused as refused:
                problem = refused
            self._widget.post_message(Computed(token, result, problem))

        self._widget.run_worker(work, thread=True, group="computing", description="computing")
