"""Ending a session as a pulled plug does: nothing said, nothing removed, the lock let go."""

from __future__ import annotations

import os

from xover.session.session import Session


def pull(session: Session) -> None:
    """Leave a session's journal as it is on the disk."""
    journal = session._journal
    assert journal is not None
    journal._ask(None)
    journal._thread.join()
    os.close(journal._descriptor)
    session._journal = None


def journal_bytes(session: Session) -> bytes:
    """What the journal says once everything asked for is on the disk."""
    journal = session._journal
    assert journal is not None
    assert journal.flush()
    with open(journal.path, "rb") as file:
        return file.read()
