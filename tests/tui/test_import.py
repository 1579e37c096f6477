"""Importing a capture in the workbench: what is asked, what is shown, what goes into the preset.

What reading and attaching do is checked in tests/files and tests/design, against sources named
there; here, that the dialog reaches all of it and assumes nothing.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from msgspec.structs import replace
from textual.pilot import Pilot
from textual.widgets import Static

import xover
from tests.tui.hosting import UNANSWERED, Host, hall, listed, run, trace_file, type_in, until
from xover.cli.entry import run as cli
from xover.cli.trace import command
from xover.design.captures import attach_loudspeaker, attach_measurement
from xover.model.changes import with_output
from xover.model.problems import Refused
from xover.sheets.drawing import Curve, trusted
from xover.sheets.palette import UNSURE
from xover.tui.dialogs.import_questions import QUESTIONS, answers, asked_of, said_here
from xover.tui.dialogs.import_trace import ImportDialog, Reading
from xover.tui.dialogs.import_view import (
    ImportAnswers,
    OpenedSettings,
    OwnAnswers,
    ReadCapture,
    look_at,
    picture,
    put_in,
    put_in_box,
    routed_inputs,
)
from xover.tui.dialogs.levels import LevelRows
from xover.tui.dialogs.picking import NameList, Tick

NOT_ASKED = {"--attach", "-o", "--force", "--json", "--help", "-h", "--plot"}
"""Options of the command about where it writes, which a step in the session has no use for."""


def looked(folder: Path, **typed: str) -> ReadCapture:
    found = look_at(str(trace_file(folder)), typed, str(folder))
    assert found.capture is not None, found.problem
    return found.capture


def coherent_file(folder: Path) -> Path:
    """Flat, with a coherence of 0.2 below 100 Hz and of 0.95 above."""
    path = folder / "room.txt"
    rows = ["Hz\tdB\tdeg\tcoherence"]
    for index in range(120):
        frequency_hz = 20.0 * 1000.0 ** (index / 119)
        rows.append(f"{frequency_hz:.3f}\t-3.0\t0.0\t{0.2 if frequency_hz < 100.0 else 0.95}")
    path.write_text("\n".join(rows) + "\n")
    return path


class TestQuestions:
    def test_everything_the_command_takes_is_asked(self) -> None:
        """So that an option of `xover trace` that is new is missed here."""
        taken = {name for each in command.params for name in each.opts if name.startswith("-")}
        asked = {question.option for question in QUESTIONS if question.option}
        attaching = {name for name in taken if said_here(name) != name} - asked
        assert taken - NOT_ASKED == asked | attaching | ({"--listener", "--output"} & taken)
        assert len({question.key for question in QUESTIONS}) == len(QUESTIONS)
        assert len({question.label for question in QUESTIONS}) == len(QUESTIONS)

    def test_a_file_raises_the_questions_of_its_kind(self) -> None:
        text = {question.key for question in asked_of(False)}
        audio = {question.key for question in asked_of(True)}
        assert "decimal" in text - audio
        assert {"channel", "window_ms"} <= audio - text
        assert {"mic_correction", "spl_calibration", "smooth_fraction"} <= audio & text

    def test_answers_are_understood(self) -> None:
        typed = {
            "channel": "2", "decimal": ",", "columns": "frequency, magnitude skip",
            "window_ms": "12,5 ms", "phase_unit": "RAD", "spl_calibration": "118 dB SPL",
            "smooth_fraction": "1/6", "without_delay": "yes", "mic_correction": "mic.txt",
            "magnitude": " ",
        }  # fmt: skip
        assert answers(typed, "/rack") == {
            "channel": 2, "decimal": ",", "columns": ("frequency", "magnitude", "skip"),
            "window_ms": 12.5, "phase_unit": "rad", "spl_calibration": 118.0,
            "smooth_fraction": 6, "without_delay": True, "mic_correction": "/rack/mic.txt",
        }  # fmt: skip
        assert answers({"spl_calibration": "94.wav"}, "/rack") == {
            "spl_calibration": "/rack/94.wav"
        }

    @pytest.mark.parametrize(
        ("key", "typed", "sentence"),
        [
            ("channel", "0", "“channel”: a channel is a whole number from 1"),
            ("magnitude", "loud", "“magnitude in”: “loud” is none of db, linear"),
            ("columns", "frequency,level", "is none of"),
            ("window_ms", "long", "a window is a figure in ms"),
            ("cycles", "2", "between 3 and 50"),
            ("window_ms", "-3", "between"),
            ("smooth_fraction", "2/3", "1/N"),
            ("without_delay", "perhaps", "yes or no"),
        ],
    )
    def test_other_answers_are_refused(self, key: str, typed: str, sentence: str) -> None:
        with pytest.raises(Refused, match=sentence):
            answers({key: typed}, "/")


class TestReading:
    def test_what_belongs_together_is_answered_together(self, tmp_path: Path) -> None:
        cases = [
            ({"calibrator_db": "114"}, "recording of a calibrator, “SPL of 0 dB”"),
            ({"calibrator_channel": "2", "spl_calibration": "90"}, "recording of a calibrator"),
            ({"splice_at_hz": "300"}, "“splice at” goes with “splice with”"),
            ({"average": "power"}, "“average of” needs at least two files"),
            ({"smooth_of": "complex"}, "goes with “smooth over”"),
            ({"minimum_phase": "yes", "without_delay": "yes"}, "remove; leave out “delay out”"),
            ({"average": "power", "average_with": "b", "splice_far": "c", "splice_at_hz": "90"},
             "the other way round"),
            ({"channel": "2"}, "“channel” needs an impulse response"),
        ]  # fmt: skip
        for typed, sentence in cases:
            found = look_at(str(trace_file(tmp_path)), typed, str(tmp_path))
            assert found.capture is None
            assert sentence in said_here(found.problem)

    def test_captures_are_averaged_and_spliced(self, tmp_path: Path) -> None:
        near = trace_file(tmp_path)
        other = tmp_path / "louder.txt"
        other.write_text(near.read_text())
        averaged = looked(tmp_path, average="complex", average_with="louder.txt ; louder.txt")
        assert averaged.response.frequency_hz.size == 200
        assert averaged.provenance.file.count("louder.txt") == 2
        with pytest.raises(Refused, match="name the session they share"):
            put_in(hall(), averaged, ImportAnswers("Sub", "Row 24", "flat", "-"))
        spliced = looked(tmp_path, splice_far="louder.txt", splice_at_hz="300 Hz")
        assert "louder.txt" in spliced.provenance.file

    def test_two_channels_and_an_impulse_response(self, tmp_path: Path) -> None:
        """Noise and the same 48 samples later: flat, 1 ms of delay at 48 kHz."""
        noise = 0.1 * np.random.default_rng(5).standard_normal(4 * 48_000)
        samples = np.stack([noise, np.roll(noise, 48)], axis=1)
        soundfile.write(tmp_path / "both.wav", samples, 48_000, subtype="FLOAT")
        path = str(tmp_path / "both.wav")
        unsaid = look_at(path, {}, str(tmp_path))
        assert unsaid.is_audio
        assert unsaid.capture is None
        assert "“channel”" in said_here(unsaid.problem)
        answered = look_at(path, {"channel": "2", "reference": "1"}, str(tmp_path))
        assert answered.capture is not None, answered.problem
        assert answered.capture.response.delay_ms == pytest.approx(1.0, abs=0.02)

    def test_a_recording_of_a_sweep(self, tmp_path: Path) -> None:
        """The sweep recorded as it was played, 20 dB down: flat at −20 dB."""
        played = str(tmp_path / "sweep.wav")
        assert cli(["signal", "sweep", "-o", played, "--duration", "0.5"]) == 0
        samples, rate_hz = soundfile.read(played)
        silence = np.zeros(9_000)
        recorded = np.concatenate([silence, 0.1 * samples, silence])
        soundfile.write(tmp_path / "rec.wav", recorded, rate_hz, subtype="FLOAT")
        path = str(tmp_path / "rec.wav")
        found = look_at(path, {"sweep": "sweep.wav", "smooth_fraction": "1/3"}, str(tmp_path))
        assert found.capture is not None, found.problem
        response = found.capture.response
        middle = (response.frequency_hz > 200.0) & (response.frequency_hz < 5_000.0)
        assert response.magnitude_db[middle] == pytest.approx(-20.0, abs=0.3)
        loose = look_at(path, {"take": "1"}, str(tmp_path))
        assert "“take” belongs to “sweep played”, which" in said_here(loose.problem)

    def test_reading_tells_how_far_it_is_and_can_be_left(self, tmp_path: Path) -> None:
        reading = Reading()
        reading(0.25)
        assert reading.words() == ""  # only what takes long is said
        reading._began_s -= 2.0
        assert reading.words().startswith("reading, 25 %, 2.")
        reading.is_left = True
        with pytest.raises(Refused, match="stopped"):
            reading(0.5)


class TestPuttingIn:
    def test_everything_is_asked(self, tmp_path: Path) -> None:
        capture = looked(tmp_path)
        full = ImportAnswers("Sub", "Row 24", "settings", "tonight", {"Aux": 0.0})
        for missing, sentence in (
            ({"output": None}, "which output"),
            ({"listener": None}, "at which listener"),
            ({"captured": None}, "never assumed"),
            ({"session": " "}, "name the session"),
            ({"driven": {}}, "tick the inputs"),
            ({"captured": "file"}, "name the preset file"),
        ):
            with pytest.raises(Refused, match=sentence):
                put_in(hall(), capture, replace(full, **missing))
        choice = put_in(hall(), capture, full)
        held = choice.preset.measurement("Sub", "Row 24")
        assert held is not None
        assert held.trace.session == "tonight"
        assert held.driven_inputs == {"Aux": 0.0}
        assert held.captured_settings is not None
        assert held.captured_settings.output == hall().output("Sub")
        assert choice.name == "capture of Sub at Row 24"

    @pytest.mark.parametrize("typed", ["-", "–", "none"])
    def test_no_session_is_an_answer_too(self, tmp_path: Path, typed: str) -> None:
        choice = put_in(hall(), looked(tmp_path), ImportAnswers("Sub", "Row 24", "flat", typed))
        held = choice.preset.measurement("Sub", "Row 24")
        assert held is not None
        assert held.trace.session is None
        assert held.captured == "flat"

    def test_a_level_goes_with_spl(self, tmp_path: Path) -> None:
        answered = ImportAnswers("Sub", "Row 24", "flat", "tonight", level_dbu="−10 dBu")
        with pytest.raises(Refused, match="SPL") as refused:
            put_in(hall(), looked(tmp_path), answered)
        assert "--" not in said_here(str(refused.value))
        capture = looked(tmp_path, spl_calibration="110")
        held = put_in(hall(), capture, answered).preset.measurement("Sub", "Row 24")
        assert held is not None
        assert (held.trace.level, held.captured_input_dbu) == ("spl", -10.0)

    def test_time_that_was_taken_out_is_shared_with_none(self, tmp_path: Path) -> None:
        capture = looked(tmp_path, without_delay="yes")
        with pytest.raises(Refused, match="the time that a session shares"):
            put_in(hall(), capture, ImportAnswers("Sub", "Row 24", "flat", "tonight"))
        put_in(hall(), capture, ImportAnswers("Sub", "Row 24", "flat", "-"))

    def test_settings_of_a_file(self, tmp_path: Path) -> None:
        capture = looked(tmp_path)
        then = with_output(hall(), "Sub", gain_db=-9.0, inputs={"Left": 0.0})
        answered = ImportAnswers(
            "Sub", "Row 24", "file", "tonight", {"Left": 0.0},
            settings=OpenedSettings("then.json", then),
        )  # fmt: skip
        preset = put_in(hall(), capture, answered).preset
        expected = attach_measurement(
            hall(), output="Sub", listener="Row 24", trace=capture.trace("tonight"),
            captured="settings", settings_from=then, driven={"Left": 0.0},
        )  # fmt: skip
        assert preset == expected
        other = OpenedSettings("other.json", xover.load("presets/lantern-cafe.json"))
        with pytest.raises(Refused, match=r"“other\.json” has no output “Delay L”; it has"):
            put_in(hall(), capture, replace(answered, output="Delay L", settings=other))

    @pytest.mark.parametrize(
        ("flight", "removed"), [("included", False), ("removed", True), ("evidence", None)]
    )
    def test_a_boxs_own_response(self, tmp_path: Path, flight: str, removed: bool | None) -> None:
        capture, box = looked(tmp_path), hall().loudspeakers[0].name
        for missing, sentence in (
            (OwnAnswers(None, "1", flight), "which loudspeaker"),
            (OwnAnswers(box, "", flight), "how far"),
            (OwnAnswers(box, "0", flight), "between"),
            (OwnAnswers(box, "1", None), "not assumed"),
        ):
            with pytest.raises(Refused, match=sentence):
                put_in_box(hall(), capture, missing)
        choice = put_in_box(hall(), capture, OwnAnswers(box, "2,5 m", flight))
        assert choice.preset == attach_loudspeaker(
            hall(), loudspeaker=box, trace=capture.trace(None), distance_m=2.5,
            flight_removed=removed,
        )  # fmt: skip
        assert choice.name == f"own response of {box}"
        louder = put_in_box(hall(), capture, OwnAnswers(box, "1", flight, drive_v="4 V")).preset
        own = louder.loudspeaker(box).response
        assert own is not None
        assert own.drive_v == 4.0

    def test_routed_inputs(self) -> None:
        assert routed_inputs(hall(), "Sub") == tuple(
            item.name for item in hall().inputs if item.name in hall().output("Sub").inputs
        )
        assert routed_inputs(hall(), None) == routed_inputs(hall(), "gone") == ()


class TestCoherence:
    def test_a_curve_is_grey_where_its_coherence_is_low(self) -> None:
        frequency_hz = np.geomspace(20.0, 20_000.0, 5)
        curve = Curve("captured", frequency_hz, np.arange(5.0))
        assert trusted(curve, None) == (curve,)
        assert trusted(curve, np.full(5, 0.5)) == (curve,)
        sure, unsure = trusted(curve, np.array([0.1, 0.49, 0.5, 0.9, 0.9]))
        assert np.isnan(sure.values).tolist() == [True, True, False, False, False]
        assert np.isnan(unsure.values).tolist() == [False, False, False, True, True]
        assert (unsure.label, unsure.order) == ("γ² < ½, captured", UNSURE)

    def test_it_is_shown_before_the_capture_is_taken(self, tmp_path: Path) -> None:
        found = look_at(str(coherent_file(tmp_path)), {}, str(tmp_path))
        assert found.capture is not None
        for height, panels in ((8, 1), (14, 2)):
            lines = [line.plain for line in picture(found.capture, height, True, 70)]
            assert len(lines) == height
            assert max(map(len, lines)) <= 70
            text = "\n".join(lines)
            assert "γ² < ½" in text
            assert ("coherence" in text) == (panels == 2)


async def file_read(app: Host, pilot: Pilot[None], typed: str) -> ImportDialog:
    """The dialog, once it has read sub.txt, found by what is `typed`."""
    dialog: ImportDialog = app.held
    await listed(app, pilot, "sub.txt")
    await type_in(pilot, typed)
    await pilot.press("enter")
    await until(pilot, lambda: dialog.capture is not None)
    await pilot.pause()
    return dialog


class TestImport:
    def test_a_capture_goes_in_by_the_keyboard(self, tmp_path: Path) -> None:
        preset = with_output(hall(), "Sub", inputs={"Left": 0.0, "Right": 0.0})
        trace_file(tmp_path)

        async def steps(app: Host, pilot: Pilot[None]) -> None:
            await file_read(app, pilot, "su")
            text = app.text()
            assert "200 points" in text
            assert "as captured" in text
            await pilot.press("enter")  # go on
            await pilot.pause()
            for name in ("output", "listener", "captured"):
                assert app.screen.query_one(f"#{name}", NameList).chosen == ()
            assert app.screen.query_one("#session").value == ""
            assert not app.screen.query_one("#level-box").display
            await pilot.press("space")  # Sub
            await pilot.press("tab", "down", "down", "down", "space")  # Row 24
            await pilot.press("tab", "down", "space")  # settings
            await pilot.press("tab")
            await type_in(pilot, "tonight")
            await pilot.press("ctrl+g")
            await until(pilot, lambda: "tick the inputs" in app.text())
            await pilot.press("tab", "space", "tab")
            await pilot.press("end", "backspace", "backspace", "backspace")
            await type_in(pilot, "-6")
            await pilot.press("ctrl+g")
            await until(pilot, lambda: app.answer is not UNANSWERED)

        choice = run(lambda: ImportDialog(preset, str(tmp_path)), steps, size=(80, 30)).answer
        held = choice.preset.measurement("Sub", "Row 24")
        assert held.driven_inputs == {"Left": -6.0}
        assert held.trace.provenance.file == "sub.txt"
        assert held.captured_settings.output == preset.output("Sub")
        at_100_hz = min(
            zip(held.trace.frequency_hz, held.trace.magnitude_db, strict=True),
            key=lambda pair: abs(pair[0] - 100.0),
        )
        assert at_100_hz[1] == pytest.approx(-3.01, abs=0.2)  # first order at its corner

    def test_what_a_file_leaves_open_is_answered_where_it_is_said(self, tmp_path: Path) -> None:
        open_one = tmp_path / "open.txt"
        rows = [f"{f}\t{0.5 + f / 1e5}\t0.{i % 9}" for i, f in enumerate(range(20, 2000, 20))]
        open_one.write_text("\n".join(rows))

        async def steps(app: Host, pilot: Pilot[None]) -> None:
            dialog: ImportDialog = app.held
            await listed(app, pilot, "open.txt")
            await type_in(pilot, "open.txt")
            await pilot.press("enter")
            await until(pilot, lambda: dialog.page == "reading")
            said = str(dialog.query_one("#problem", Static).content)
            assert "could be phase or coherence; answer with “columns” frequency" in said
            assert dialog.capture is None
            assert "--" not in app.text()
            await pilot.press("tab")
            await type_in(pilot, "frequency magnitude coherence")
            await pilot.press("tab", "tab")
            await type_in(pilot, "db")
            await pilot.press("ctrl+g")
            await until(pilot, lambda: dialog.capture is not None)
            assert dialog.capture.response.coherence is not None
            app.screen.query_one("#channel").focus()
            assert not app.screen.query_one("#ask-channel").display
            await pilot.press("escape", "escape")
            await pilot.pause()

        assert run(lambda: ImportDialog(hall(), str(tmp_path)), steps).answer is None

    def test_settings_of_a_file_are_opened_and_their_inputs_asked(self, tmp_path: Path) -> None:
        trace_file(tmp_path)
        then = with_output(hall(), "Sub", gain_db=-9.0, inputs={"Left": 0.0, "Right": 0.0})
        xover.save(then, tmp_path / "then.json", overwrite=False)

        async def steps(app: Host, pilot: Pilot[None]) -> None:
            dialog = await file_read(app, pilot, "sub")
            app.screen.query_one("#spl_calibration").value = "112 dB"
            await pilot.press("ctrl+g")  # answers have changed: read anew
            await until(pilot, lambda: dialog.capture.response.level == "spl")
            await pilot.press("ctrl+g")
            await pilot.pause()
            assert dialog.page == "attach"
            screen = app.screen
            screen.query_one("#output", NameList).choose(["Sub"])
            screen.query_one("#listener", NameList).choose(["Row 24"])
            screen.query_one("#captured", NameList).choose(["file"])
            screen.query_one("#session").value = "Friday"
            screen.query_one("#level").value = "-20"
            await pilot.pause()
            screen.query_one("#settings-file").focus()
            await type_in(pilot, "the")
            await pilot.press("tab")
            await until(pilot, lambda: screen.query_one("#settings-file").value == "then.json")
            await pilot.press("enter")
            await until(pilot, lambda: len(screen.query(LevelRows).first().query(Tick)) == 2)
            screen.query_one("#drive-1", Tick).action_tick()
            await pilot.press("ctrl+g")
            await until(pilot, lambda: app.answer is not UNANSWERED)

        held = run(
            lambda: ImportDialog(hall(), str(tmp_path)), steps, size=(80, 30)
        ).answer.preset.measurement("Sub", "Row 24")
        assert held.captured_settings.output.gain_db == -9.0
        assert held.driven_inputs == {"Right": 0.0}
        assert held.captured_input_dbu == -20.0
        assert held.trace.session == "Friday"

    def test_a_boxs_own_response_goes_in(self, tmp_path: Path) -> None:
        trace_file(tmp_path)
        box = hall().loudspeakers[1].name

        async def steps(app: Host, pilot: Pilot[None]) -> None:
            dialog = await file_read(app, pilot, "sub")
            await pilot.press("shift+tab", "down", "space", "ctrl+g")
            await pilot.pause()
            assert dialog.page == "own"
            await pilot.press("ctrl+g")
            await until(pilot, lambda: "say which loudspeaker" in app.text())
            await pilot.press("down", "space", "tab", "space", "tab")
            await type_in(pilot, "2.5")
            await pilot.press("ctrl+g")
            await until(pilot, lambda: app.answer is not UNANSWERED)

        choice = run(lambda: ImportDialog(hall(), str(tmp_path)), steps).answer
        own = choice.preset.loudspeaker(box).response
        assert (own.distance_m, own.flight_removed) == (2.5, False)

    def test_what_cannot_be_read_is_said(self, tmp_path: Path) -> None:
        (tmp_path / "poem.txt").write_text("no figures here\n")

        async def steps(app: Host, pilot: Pilot[None]) -> None:
            await listed(app, pilot, "poem.txt")
            await type_in(pilot, "poem.txt")
            await pilot.press("enter")
            await until(pilot, lambda: "poem.txt:" in app.text())
            assert app.held.capture is None
            await pilot.press("escape", "escape")
            await pilot.pause()

        assert run(lambda: ImportDialog(hall(), str(tmp_path)), steps).answer is None

    def test_escape_goes_back_page_by_page(self, tmp_path: Path) -> None:
        trace_file(tmp_path)

        async def steps(app: Host, pilot: Pilot[None]) -> None:
            dialog: ImportDialog = app.held
            await listed(app, pilot, "sub.txt")
            await pilot.press("up", "enter")
            await until(pilot, lambda: dialog.capture is not None)
            await pilot.press("ctrl+g")
            await pilot.pause()
            assert dialog.page == "attach"
            for page in ("reading", "file"):
                await pilot.press("escape")
                await pilot.pause()
                assert dialog.page == page
                assert app.answer is UNANSWERED
            assert dialog.capture is None
            await pilot.press("escape")
            await pilot.pause()

        assert run(lambda: ImportDialog(hall(), str(tmp_path)), steps).answer is None
