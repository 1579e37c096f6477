"""Aligning from inside the workbench: forms, answers, refusals in its own words.

Figures of an alignment are held against `design.alignment`, whose own tests have sources; what
the dialogs do is what the workbench promises its users.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from textual.pilot import Pilot

import xover
from tests.tui.hosting import (
    UNANSWERED,
    Host,
    hall,
    run,
    until,
)
from xover.design.alignment import align, apply_alignment
from xover.model.changes import rename_output
from xover.model.drive import Drive, drive_of
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.session.session import Session
from xover.tui.dialogs.align import AlignDialog
from xover.tui.dialogs.align_view import (
    AlignRequest,
    Course,
    answer_lines,
    answered,
    drawn,
    picked,
    read_band,
    read_search_ms,
    read_weights,
    said_here,
    settings_of,
)
from xover.tui.dialogs.picking import NameList

HOSTILE = "[b]evil[/b] \u202egnp"


def hostile_hall() -> Preset:
    return rename_output(hall(), "Sub", HOSTILE)


class TestAlignView:
    request = AlignRequest(("Sub",), "Top L", ("Row 8",), Drive({"Left": 0.0, "Aux": 0.0}))

    def test_the_proposal_is_the_engines(self) -> None:
        preset = hall()
        answer = answered(preset, self.request)
        expected = align(
            preset, move=("Sub",), to="Top L", listeners=("Row 8",), drive=self.request.drive
        )
        assert answer.proposal.after == apply_alignment(preset, expected)
        assert answer.chosen is answer.proposal
        assert [curve.label for curve in answer.curves] == ["before", "after"]

    def test_the_curves_are_the_sum_before_and_after(self) -> None:
        import numpy as np

        from xover.acoustics.field import listener_response
        from xover.dsp.axis import Axis

        preset = hall()
        answer = answered(preset, self.request)
        axis = Axis.log(24, sample_rate_hz=48_000.0)
        for curve, held in zip(answer.curves, (preset, answer.proposal.after), strict=True):
            expected = listener_response(
                held, "Row 8", axis, self.request.drive, only=("Sub", "Top L")
            ).magnitude_db
            assert np.allclose(curve.values, expected, equal_nan=True)

    def test_a_rival_can_be_chosen(self) -> None:
        preset = hall()
        answer = answered(preset, self.request)
        rows = settings_of(answer)
        assert rows[0][2] is None
        rival = rows[1][2]
        assert rival is not None
        other = drawn(self.request, answer.proposal, answer.proposal.with_alternative(rival))
        assert other.chosen.after.output("Sub").polarity == rival.polarity
        assert other.chosen.after != answer.proposal.after

    def test_words_name_what_is_asked_here(self) -> None:
        assert "--" not in said_here("leave out --uncorrelated, or use --mixed or --band LO HI")

    def test_every_line_fits(self) -> None:
        answer = answered(hall(), self.request)
        for width in (30, 46, 74):
            assert max(len(line.plain) for line in answer_lines(answer, width)) <= width

    @pytest.mark.parametrize(
        ("typed", "band"),
        [
            ("", None),
            ("72 138", (72.0, 138.0)),
            ("72–138 Hz", (72.0, 138.0)),
            ("1k 2k5", (1000.0, 2500.0)),
            ("72 to 138", (72.0, 138.0)),
            ("72 Hz 1.2 kHz".replace(" kHz", "k"), (72.0, 1200.0)),
        ],
    )
    def test_bands(self, typed: str, band: tuple[float, float] | None) -> None:
        assert read_band(typed) == band

    @pytest.mark.parametrize("typed", ["72", "138 72", "a b", "1..2 3", "0 100", "1 2 3"])
    def test_no_bands(self, typed: str) -> None:
        with pytest.raises(Refused, match="band"):
            read_band(typed)

    def test_weights(self) -> None:
        rows = ("Row 8", "Row 16")
        assert read_weights("", rows) == ()
        assert read_weights("2 0,5", rows) == (2.0, 0.5)
        for typed in ("2", "1 2 3", "a b", "-1 1", "nan 1", "1e9 1"):
            with pytest.raises(Refused, match="type one number for each listener, such as 2 1"):
                read_weights(typed, rows)

    def test_several_movers_with_weights_and_an_all_pass(self) -> None:
        """All that is asked reaches the engine, and its other settings can be taken whole."""
        rows = ("Row 8", "Row 16")
        request = AlignRequest(
            ("Top L", "Delay L"), "Sub", rows, self.request.drive, weights=(1.0, 2.0), all_pass=True
        )
        told = Course()
        answer = answered(hall(), request, told)
        expected = align(
            hall(), move=request.move, to="Sub", listeners=rows, drive=request.drive,
            weights={"Row 16": 2.0}, all_pass=True,
        )  # fmt: skip
        assert answer.proposal.result == expected
        assert told.done == 1.0
        keys = [key for key, _, _ in settings_of(answer)]
        assert keys == ["own", *(f"together {k}" for k in range(len(expected.runners_up)))]
        first = expected.runners_up[0]
        other = picked(answer, "together 0").after
        for part in first.parts:
            assert other.output(part.move).polarity == part.polarity
        assert picked(answer, "own") is answer.proposal
        for name, section in expected.sections.items():
            assert other.output(name).eq[-1] == section

    def test_a_search_that_nobody_waits_for_ends(self) -> None:
        course = Course()
        course.stop = True
        request = AlignRequest(("Top L", "Delay L"), "Sub", ("Row 8",), self.request.drive)
        with pytest.raises(Refused, match="stopped"):
            answered(hall(), request, course)

    def test_search_ranges(self) -> None:
        assert read_search_ms("25 ms") == 25.0
        assert read_search_ms("2,5") == 2.5
        for typed in ("", "x", "-1", "1e9", "nan"):
            with pytest.raises(Refused, match="is no search range"):
                read_search_ms(typed)


class TestAlign:
    def make(self, preset: Preset | None = None, **options: object) -> AlignDialog:
        held = preset or hall()
        return AlignDialog(held, drive_of(held), listener="Row 8", **options)  # type: ignore[arg-type]

    def test_choose_search_compare_apply(self) -> None:
        preset = hall()

        async def steps(app: Host, pilot: Pilot[None]) -> None:
            dialog: AlignDialog = app.held
            await pilot.press("space", "tab", "down", "space", "ctrl+g")
            await until(pilot, lambda: dialog.found is not None and not dialog.newest.is_busy)
            await pilot.pause()
            text = app.text()
            assert "before" in text
            assert "after" in text
            assert "Sub to Top L" in text
            assert len(app.of(AlignDialog.Compared)) == 1
            await pilot.press("enter")  # on Apply
            await pilot.pause()

        proposal = run(lambda: self.make(preset), steps).answer
        expected = align(preset, move=("Sub",), to="Top L", listeners=("Row 8",))
        assert proposal.after == apply_alignment(preset, expected)
        assert proposal.before is preset

    def test_another_setting_is_taken(self) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            dialog: AlignDialog = app.held
            await pilot.press("ctrl+g")
            await until(pilot, lambda: dialog.found is not None and not dialog.newest.is_busy)
            first = dialog.found
            assert first is not None
            app.screen.query_one("#settings", NameList).focus()
            await pilot.press("down", "space")
            await until(pilot, lambda: dialog.found is not first and not dialog.newest.is_busy)
            assert len(app.of(AlignDialog.Compared)) == 2
            await pilot.press("ctrl+g")
            await pilot.pause()

        answer = run(lambda: self.make(move=("Sub",), to="Top L"), steps).answer
        best = align(hall(), move=("Sub",), to="Top L", listeners=("Row 8",))
        rival = best.results[0].alternatives[0]
        moved = answer.after.output(rival.delayed_output).delay_ms
        before = answer.before.output(rival.delayed_output).delay_ms
        assert moved - before == pytest.approx(rival.delay_ms, abs=6e-5)  # to 0.1 µs
        assert answer.after.output("Sub").polarity == rival.polarity

    @pytest.mark.parametrize(
        ("options", "sentence"),
        [
            ({}, "tick at least one output to move"),
            ({"move": ("Sub",)}, "choose the output it is aligned to"),
            ({"move": ("Sub",), "to": "Sub"}, "cannot be moved and be the reference"),
            ({"move": ("Top L",), "to": "Top R"}, "group"),
        ],
    )
    def test_what_is_missing_or_impossible_is_said(
        self, options: dict[str, object], sentence: str
    ) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            await pilot.press("ctrl+g")
            await until(pilot, lambda: sentence in " ".join(app.text().split()))

        assert run(lambda: self.make(**options), steps).answer is UNANSWERED

    def test_a_long_search_shows_its_time_and_can_be_left(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        import threading

        let_go = threading.Event()

        def slow(preset: Preset, request: AlignRequest, course: Course) -> object:
            let_go.wait(20.0)
            return answered(preset, request, course)

        monkeypatch.setattr("xover.tui.dialogs.align.answered", slow)

        async def steps(app: Host, pilot: Pilot[None]) -> None:
            dialog: AlignDialog = app.held
            await pilot.press("ctrl+g")
            await until(pilot, lambda: "searching," in app.text())
            await pilot.press("escape")
            await pilot.pause()
            assert "stopped; nothing has changed" in app.text()
            assert dialog.found is None
            let_go.set()
            await pilot.pause(0.2)
            assert dialog.found is None  # what was stopped never comes back
            await pilot.press("ctrl+g")
            await until(pilot, lambda: dialog.found is not None)
            await pilot.press("escape", "escape")
            await pilot.pause()

        assert run(lambda: self.make(move=("Sub",), to="Top L"), steps).answer is None

    def test_hostile_names_show_literally(self) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            assert "[b]evil[/b]" in app.text()
            await pilot.press("ctrl+g")
            await until(pilot, lambda: app.held.found is not None)
            await pilot.pause()
            assert "[b]evil[/b] \\u202e" in app.text()
            assert "\u202e" not in app.text()

        run(lambda: self.make(hostile_hall(), move=(HOSTILE,), to="Top L"), steps, size=(120, 40))

    def test_the_session_takes_it_as_one_step(self, tmp_path: Path) -> None:
        path = tmp_path / "hall.json"
        xover.save(hall(), path, overwrite=False)
        with Session.open(str(path)) as session:

            async def steps(app: Host, pilot: Pilot[None]) -> None:
                await pilot.press("ctrl+g")
                await until(pilot, lambda: app.held.found is not None)
                await pilot.press("ctrl+g")
                await pilot.pause()

            answer = run(lambda: self.make(session.preset, move=("Sub",), to="Top L"), steps).answer
            session.accept(answer)
            assert session.steps_unsaved == 1
            session.undo()
            assert session.preset == answer.before
            session.close(keep_unsaved=False)
