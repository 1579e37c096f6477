"""Alignments as proposals and captures put in: each one step, or nothing."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from xover.design.alignment import align
from xover.files.captures import read_capture
from xover.files.preset_json import load
from xover.model.problems import Refused
from xover.session.cells import Cell
from xover.session.proposals import propose
from xover.session.session import Session

WHO = {"move": ["Sub"], "to": "Top L", "listeners": ["Row 8"]}


def test_an_alignment_is_proposed_then_taken_as_one_step(hall_path: str) -> None:
    with Session.open(hall_path) as session:
        before = session.preset
        proposal = propose(session.preset, **WHO)  # type: ignore[arg-type]
        assert session.preset is before
        assert session.history == ()
        assert proposal.before is before
        step = session.accept(proposal)
        assert step is not None
        assert step.name.startswith("align to Top L: Sub ")
        for name, setting in proposal.result.settings.items():
            output = session.preset.output(name)
            assert (output.delay_ms, output.polarity) == (setting.delay_ms, setting.polarity)
        assert len(session.history) == 1
        session.undo()
        assert session.preset is before
        session.close(keep_unsaved=False)


def test_another_of_the_settings_found(hall_path: str) -> None:
    preset = load(hall_path)
    proposal = propose(preset, **WHO)  # type: ignore[arg-type]
    (pair,) = proposal.result.results
    assert pair.alternatives
    for alternative in pair.alternatives:
        after = proposal.with_alternative(alternative).after
        assert after.output("Sub").polarity == alternative.polarity
        name = alternative.delayed_output
        others = {"Sub", "Top L"} - {name}
        moved_ms = after.output(name).delay_ms - preset.output(name).delay_ms
        rest_ms = [after.output(one).delay_ms - preset.output(one).delay_ms for one in others]
        assert moved_ms - rest_ms[0] == pytest.approx(alternative.delay_ms, abs=1.01e-4)
        # What the search says is lost with it is what is lost today once it is entered.
        now = align(after, max_delay_ms=0.0, keep_polarity=True, **WHO)  # type: ignore[arg-type]
        assert now.results[0].loss_before_db == pytest.approx(alternative.loss_after_db, abs=1e-4)


def test_a_proposal_for_another_state_is_refused(hall_path: str) -> None:
    with Session.open(hall_path) as session:
        proposal = propose(session.preset, **WHO)  # type: ignore[arg-type]
        session.set_value(Cell("Sub", "gain"), 3.0)
        with pytest.raises(Refused, match="has changed since this was worked out"):
            session.accept(proposal)
        assert len(session.history) == 1
        session.close(keep_unsaved=False)


def test_a_capture_goes_in_as_one_step(hall_path: str, tmp_path: Path) -> None:
    file = tmp_path / "sub.txt"
    file.write_text("".join(f"{20 * 2 ** (k / 6):.3f} {80 - k / 3:.2f} {-k}\n" for k in range(40)))
    with Session.open(hall_path) as session:
        had = session.preset.measurement("Sub", "Row 8")
        step = session.attach(
            read_capture(file), output="Sub", listener="Row 8", captured="flat", session=" tonight "
        )
        assert step is not None
        assert step.name == "capture of Sub at Row 8"
        taken = session.preset.measurement("Sub", "Row 8")
        assert taken is not None
        assert taken.trace.session == "tonight"
        assert taken.trace.provenance.file == "sub.txt"
        session.undo()
        assert session.preset.measurement("Sub", "Row 8") is had
        with pytest.raises(Refused, match="there is no listener"):
            session.attach(read_capture(file), output="Sub", listener="Nowhere", captured="flat")
        session.close(keep_unsaved=False)


def test_of_many_that_open_at_once_one_may_edit(preset_path: str) -> None:
    with ThreadPoolExecutor(8) as pool:
        sessions = list(pool.map(lambda _: Session.open(preset_path), range(8)))
    assert sorted(bool(session.read_only) for session in sessions) == [False] + 7 * [True]
    for session in sessions:
        session.close()
