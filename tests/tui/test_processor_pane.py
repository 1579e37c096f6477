"""The processor's pane on the whole workbench: ghosts in the sheet, jumps, entering, verifying.

The figures are those of `xover adapt` and `xover verify`, which have their own tests against
outside references; here they have to arrive.
"""

from __future__ import annotations

from pathlib import Path
from threading import Event
from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace
from textual.widgets import Button, OptionList

import xover
from tests.tui.desk import Desk, at_desk
from xover.design.adapting.adaptation import adapt
from xover.dsp.axis import Axis
from xover.dsp.response import output_stage
from xover.files import preset_json
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import Output
from xover.model.profile import Profile
from xover.session import processors, verifying
from xover.session.verifying import Asked, Capture
from xover.tui.dialogs.verify import ProfileDialog, VerifyDialog
from xover.tui.panes.processor import ProcessorPane
from xover.tui.panes.processor_view import entries_of

FERRY = "Old Ferry 2×6 (invented)"


def hall() -> Preset:
    return xover.load(xover.default_example())


def ferry() -> Profile:
    profile = processors.profile_named(FERRY)
    assert profile is not None
    return profile


@pytest.fixture
def named(tmp_path: Path) -> str:
    """The hall, adapted to the Old Ferry once: its name stands in the file."""
    preset_json.save(replace(hall(), processor=FERRY), tmp_path / "hall.json", overwrite=False)
    return str(tmp_path / "hall.json")


def captured(path: Path, output: Output, rate_hz: float) -> None:
    """A text capture of an output's filters with a latency of 0.2 ms."""
    f = np.arange(1, 4096) * rate_hz / 8192
    response = output_stage(output, Axis(f, rate_hz)) * np.exp(-2j * np.pi * f * 0.0002)
    rows = zip(f, 20.0 * np.log10(np.abs(response)), np.rad2deg(np.angle(response)), strict=True)
    lines = ["Frequency (Hz)\tMagnitude (dB)\tPhase (deg)"]
    lines += [f"{one:.4f}\t{level:.5f}\t{phase:.4f}" for one, level, phase in rows]
    path.write_text("\n".join(lines) + "\n")


@pytest.fixture
def unknown(tmp_path: Path) -> str:
    """The hall, adapted once to a processor that is not among those shipped."""
    preset_json.save(
        replace(hall(), processor="Somebody's own"), tmp_path / "own.json", overwrite=False
    )
    return str(tmp_path / "own.json")


async def shown(desk: Desk) -> ProcessorPane:
    await desk.keys("f11")
    await desk.until(lambda: desk.app.query(ProcessorPane))
    pane = desk.app.query_one(ProcessorPane)
    await desk.until(lambda: not pane.is_pending)
    return pane


def ghost(desk: Desk, column: str, row: object) -> str:
    assert desk.grid._view is not None
    found = desk.grid._view.at(desk.cell(column, row))
    assert found is not None
    return found.ghost


def test_cells_show_what_they_become_and_go_with_the_pane(named: str) -> None:
    held = adapt(hall(), ferry()).preset.output("Sub")

    async def steps(desk: Desk) -> None:
        pane = await shown(desk)
        await desk.until(lambda: pane.fitted is not None and not pane.is_pending)
        assert held.high_pass is not None
        assert ghost(desk, "Sub", "high_pass") == f"BW24 {held.high_pass.frequency_hz:.4g}"
        assert ghost(desk, "Sub", "gain") == ""
        await desk.go("Sub", "high_pass")
        assert "becomes BW24 31.75" in desk.readout
        assert pane.fitted is not None
        assert [one.content.plain for one in pane.entries] == [
            one.content.plain for one in entries_of(pane.fitted)
        ]
        # An edit: its column waits, then shows what it becomes now.
        await desk.keys("escape")  # the keys go to the sheet again
        await desk.type("bw24 42.5", "enter")
        await desk.until(lambda: ghost(desk, "Sub", "high_pass") not in ("", "BW24 31.75"))
        assert ghost(desk, "Sub", "high_pass").startswith("BW24 4")
        await desk.keys("f11")
        await desk.until(lambda: not desk.app.query(ProcessorPane))
        assert ghost(desk, "Sub", "high_pass") == ""
        await desk.keys("ctrl+z")
        assert desk.preset.processor == FERRY  # looking at it changes nothing

    at_desk(steps, named)


def test_the_shipped_hall_names_a_processor_that_is_shipped(hall_path: str) -> None:
    async def steps(desk: Desk) -> None:
        pane = await shown(desk)
        await desk.until(lambda: pane.fitted is not None and not pane.is_pending)
        await desk.until(lambda: "Jetty 4×8 (invented): all can be held" in desk.text())

    at_desk(steps, hall_path, size=(120, 40))


def test_enter_goes_to_what_cannot_be_held(named: str) -> None:
    async def steps(desk: Desk) -> None:
        pane = await shown(desk)
        await desk.until(lambda: pane.fitted is not None and not pane.is_pending)
        at = next(k for k, one in enumerate(pane.entries) if "no rms limiter" in one.content.plain)
        assert "Sub" in pane.entries[at].content.plain
        pane.query_one("#entries", OptionList).highlighted = at
        await desk.keys("enter")
        assert desk.grid.cursor == desk.cell("Sub", "rms")
        assert desk.grid.has_focus

    at_desk(steps, named)


def test_choosing_and_entering_what_it_holds_is_one_step(unknown: str) -> None:
    async def steps(desk: Desk) -> None:
        pane = await shown(desk)
        await desk.until(lambda: "none of those shipped" in desk.text())
        await desk.keys("enter")
        dialog = await desk.dialog(ProfileDialog)
        await desk.type("x")
        dialog.query_one("#path").value = processors.shipped_profiles()[-1]
        await desk.keys("enter")
        await desk.until(lambda: pane.fitted is not None and not pane.is_pending)
        before, fitted = desk.preset, pane.fitted
        assert fitted is not None
        pane.query_one("#apply", Button).press()
        await desk.until(lambda: desk.preset is not before)
        assert desk.preset == fitted.answer.preset
        assert desk.preset.processor == FERRY
        await desk.keys("ctrl+z")
        assert desk.preset == before
        # It is the one shown when the pane comes again.
        await desk.keys("f11")
        await desk.until(lambda: not desk.app.query(ProcessorPane))
        again = await shown(desk)
        await desk.until(lambda: again.fitted is not None)
        assert again.profile == ferry()

    at_desk(steps, unknown)


def test_what_is_no_profile_is_said(unknown: str, tmp_path: Path) -> None:
    (tmp_path / "bad.json").write_text("{}")

    async def steps(desk: Desk) -> None:
        pane = await shown(desk)
        await desk.keys("enter")
        dialog = await desk.dialog(ProfileDialog)
        dialog.query_one("#path").value = str(tmp_path / "bad.json")
        await desk.keys("enter")
        await desk.until(lambda: "bad.json" in desk.readout)
        assert pane.profile is None

    at_desk(steps, unknown)


def test_a_slip_is_named_and_enter_goes_there(
    named: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    held = adapt(hall(), ferry()).preset
    top = held.output("Top L")
    captured(tmp_path / "good.txt", top, held.sample_rate_hz)
    wrong = replace(top, eq=(top.eq[0], replace(top.eq[1], bypassed=True)))
    captured(tmp_path / "slip.txt", wrong, held.sample_rate_hz)

    async def verify(desk: Desk, name: str) -> ProcessorPane:
        await desk.go("Top L", "delay")
        await desk.keys("ctrl+u")
        await desk.dialog(VerifyDialog)
        await desk.type(name, "enter")
        await desk.until(lambda: len(desk.app.screen_stack) == 1)
        pane = desk.app.query_one(ProcessorPane)
        await desk.until(lambda: pane.judgement is not None and not pane.is_pending)
        return pane

    async def steps(desk: Desk) -> None:
        await shown(desk)
        pane = await verify(desk, "good.txt")
        assert pane.judgement is not None
        assert pane.judgement.matches
        await desk.keys("escape")
        await desk.until(lambda: pane.judgement is None)
        pane = await verify(desk, "slip.txt")
        assert pane.judgement is not None
        assert not pane.judgement.matches
        assert pane.entries[0].content.plain.startswith("Top L: does not match")
        first = pane.entries[1]
        assert first.content.plain.startswith("1. Top L, EQ 2")
        pane.query_one("#entries", OptionList).highlighted = 1
        await desk.keys("enter")
        assert desk.grid.cursor == desk.cell("Top L", ("eq", 1))

    at_desk(steps, named)


def test_the_dialog_says_what_is_missing(hall_path: str) -> None:
    async def steps(desk: Desk) -> None:
        await desk.keys("ctrl+u")
        dialog = await desk.dialog(VerifyDialog)
        await desk.until(lambda: "Amplifiers disconnected" in desk.text())
        await desk.keys("ctrl+g")
        await desk.until(lambda: "name the file that was captured" in desk.text())
        await desk.type("nowhere.txt", "ctrl+g")
        await desk.until(lambda: "there is no file" in desk.text())
        assert dialog.focused.id == "capture-0"
        dialog.query_one("#capture-0").value = hall_path
        await desk.type("x")  # the cursor stands at the end of what was typed
        dialog.query_one("#capture-0").value = hall_path
        await desk.keys("down", "tab")
        assert dialog.focused.id == "channel-1"
        await desk.keys("up")
        await desk.type("one", "ctrl+g")
        await desk.until(lambda: "a channel is a number from 1 on" in desk.text())
        dialog.query_one("#channel-0").value = ""
        dialog.query_one("#started")._value = True
        await desk.keys("ctrl+g")
        await desk.until(lambda: "name the sweep file" in desk.text())
        await desk.keys("escape")

    at_desk(steps, hall_path)


def test_an_output_of_several_inputs_asks_which_one_drove_it(tmp_path: Path) -> None:
    base = hall()
    mono = replace(base.output("Sub"), inputs={"Left": 0.0, "Right": 0.0})
    outputs = tuple(mono if item.name == "Sub" else item for item in base.outputs)
    path = tmp_path / "hall.json"
    preset_json.save(replace(base, outputs=outputs), path, overwrite=False)

    async def steps(desk: Desk) -> None:
        await desk.keys("ctrl+u")
        dialog = await desk.dialog(VerifyDialog)
        dialog.query_one("#capture-0").value = str(path)
        await desk.keys("ctrl+g")
        await desk.until(lambda: "“Left”, “Right”; name the one that carried" in desk.text())
        dialog.query_one("#driven").choose(["Right"])
        dialog.query_one("#capture-1").value = str(path)
        captures = dialog._asked().captures
        assert [(one.output, one.driven) for one in captures] == [
            ("Sub", "Right"),
            ("Top L", "Left"),
        ]
        await desk.keys("escape")

    at_desk(steps, str(path), size=(80, 24))


def test_several_captures_show_each_verdict_and_are_kept_for_the_next_time(
    named: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    held = adapt(hall(), ferry()).preset
    top = held.output("Top L")
    captured(tmp_path / "sub.txt", held.output("Sub"), held.sample_rate_hz)
    turned = replace(top, eq=(replace(top.eq[0], gain_db=-top.eq[0].gain_or_zero_db), top.eq[1]))
    captured(tmp_path / "top.txt", turned, held.sample_rate_hz)

    async def steps(desk: Desk) -> None:
        pane = await shown(desk)
        await desk.keys("ctrl+u")
        await desk.dialog(VerifyDialog)
        await desk.type("sub.txt", "down")
        await desk.type("top.txt", "enter")
        await desk.until(lambda: len(desk.app.screen_stack) == 1)
        await desk.until(lambda: pane.judgement is not None and not pane.is_pending)
        await desk.until(lambda: "1 of 2 outputs match" in desk.text())
        words = [one.content.plain for one in pane.entries]
        assert words[0].startswith("Sub: matches  ")
        assert words[1].startswith("Top L: does not match  ")
        assert words[2].startswith("1. Top L, EQ 1 gain: meant −")
        await desk.keys("ctrl+u")
        dialog = await desk.dialog(VerifyDialog)
        values = [dialog.query_one(f"#capture-{at}").value for at in range(3)]
        assert values == [str(tmp_path / "sub.txt"), str(tmp_path / "top.txt"), ""]
        await desk.keys("escape")

    at_desk(steps, named, size=(80, 24))


def test_tab_says_which_names_begin_so_and_tells_capitals_apart(
    hall_path: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "rec").mkdir()
    for name in ("Sub.wav", "slip.wav", "sweep.wav"):
        (tmp_path / "rec" / name).write_text("")
    monkeypatch.chdir(tmp_path / "rec")

    async def steps(desk: Desk) -> None:
        await desk.keys("ctrl+u")
        dialog = await desk.dialog(VerifyDialog)
        field = dialog.query_one("#capture-0")
        await desk.type("s", "tab")
        await desk.until(lambda: "“slip.wav”, “sweep.wav” begin so; type on" in desk.text())
        assert dialog.focused is field
        await desk.keys("tab")  # asked again, it moves on
        await desk.until(lambda: dialog.focused.id == "channel-0")
        dialog.query_one("#capture-1").focus()
        await desk.until(lambda: dialog.focused.id == "capture-1")
        await desk.type("S", "tab")
        await desk.until(lambda: dialog.query_one("#capture-1").value == "Sub.wav")
        await desk.keys("escape")

    at_desk(steps, hall_path, size=(80, 24))


def test_what_it_is_at_is_said_and_escape_ends_it(
    named: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    go, ended = Event(), []

    def slow(preset: object, profile: object, captures: object, **how: Any) -> None:
        try:
            with how["told"]("reading sub.wav"):
                go.wait(60.0)
            how["begun"]("Sub")
        except Refused as refused:
            ended.append(str(refused))
            raise

    monkeypatch.setattr(verifying, "verify", slow)

    async def steps(desk: Desk) -> None:
        pane = await shown(desk)
        await desk.until(lambda: pane.fitted is not None and not pane.is_pending)
        pane.verify(Asked((Capture("Sub", "sub.wav", "Aux"),)))
        await desk.until(lambda: "reading sub.wav … (Esc ends it)" in desk.text())
        pane.action_back()
        go.set()
        await desk.until(lambda: ended)
        assert "given up" in ended[0]
        await desk.until(lambda: "things cannot" in desk.text() and not pane.is_pending)
        assert pane.judgement is None

    at_desk(steps, named, size=(120, 40))


def test_the_difference_is_drawn_where_there_is_room(named: str) -> None:
    async def steps(desk: Desk) -> None:
        pane = await shown(desk)
        await desk.until(lambda: "Sub, processor less sheet" in desk.text())
        plain = [one.content.plain for one in pane.entries]
        at = next(k for k, one in enumerate(plain) if one.startswith("Delay R"))
        pane.query_one("#entries", OptionList).highlighted = at
        await desk.until(lambda: "Delay R, processor less sheet" in desk.text())
        assert max(len(line) for line in desk.text().splitlines()) <= 130
        assert pane.fitted is not None

    at_desk(steps, named, size=(130, 50))
