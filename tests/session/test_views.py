"""Curves under edit: the same figures as computed from scratch, after any edits.

The reference is `field.listener_response` and `response.output_response`, each held to outside
sources by the tests of its own room.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from msgspec.structs import replace

from tests.session.conftest import rig
from xover.acoustics import field
from xover.design.crossings import crossings
from xover.dsp import response as electrical
from xover.dsp.axis import Axis
from xover.files.preset_json import load
from xover.files.shipped import default_example, presets_folder
from xover.model.changes import rename_output, with_output
from xover.model.drive import Drive, drive_of
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import Air
from xover.session.views import Curve, Request, View, Viewer

HALL = load(default_example())


def from_scratch(preset: Preset, request: Request, view: View) -> None:
    """Every curve of the view against the engine's own answer on the same frequencies."""
    axis = Axis(view.frequency_hz, preset.sample_rate_hz)
    drive = drive_of(preset) if request.drive is None else request.drive
    for curve in view.curves:
        if curve.kind == "output":
            rows = electrical.output_responses(preset, curve.name, axis, drive)
            delay_ms = None
            if drive.correlated:
                delay_ms = electrical.output_group_delay_ms(preset, curve.name, axis, drive)
        elif curve.kind == "path":
            assert request.listener is not None
            names = [
                item.name for item in preset.outputs if field.is_audible(preset, item.name, drive)
            ]
            paths = field.paths_at(
                preset,
                [*names, *([] if curve.name in names else [curve.name])],
                request.listener,
                axis,
                drive,
                input_level_dbu=request.input_level_dbu,
            )
            path = next(item for item in paths if item.output == curve.name)
            rows, delay_ms = path.responses, None
            assert (curve.level, curve.basis or "model") == (path.level, path.basis)
        elif curve.kind == "sum":
            assert request.listener is not None
            answer = field.listener_response(
                preset,
                request.listener,
                axis,
                drive,
                only=request.only,
                input_level_dbu=request.input_level_dbu,
            )
            rows = answer.total[np.newaxis]
            delay_ms = field.group_delay_ms(
                preset, request.listener, axis, drive, only=request.only
            )
            assert curve.level == answer.level
            assert set(curve.notes) == set(answer.notes)
        else:
            continue
        expected = rows.sum(axis=0)
        if not drive.correlated:
            expected = np.sqrt(np.sum(np.abs(rows) ** 2, axis=0))
        scale = np.nanmax(np.abs(expected), initial=1e-9)
        np.testing.assert_allclose(curve.response, expected, rtol=0, atol=1e-11 * scale)
        assert curve.has_phase == drive.correlated
        if request.group_delay and drive.correlated and delay_ms is not None:
            assert curve.group_delay_ms is not None
            strong = np.abs(expected) > 1e-4 * scale
            # A symmetric difference over a millionth: 1e-5 ms where the response is not a null.
            np.testing.assert_allclose(
                curve.group_delay_ms[strong], delay_ms[strong], rtol=1e-6, atol=1e-4
            )


ALL = tuple(item.name for item in HALL.outputs)
FULL = Request(
    outputs=ALL,
    listener="Row 8",
    paths=ALL,
    sum=True,
    group_delay=True,
    points=97,
    captures=("Sub",),
)

EDITS: tuple[Callable[[Preset], Preset], ...] = (
    lambda p: with_output(p, "Top L", delay_ms=4.5),
    lambda p: with_output(p, "Top L", gain_db=-2.0),
    lambda p: with_output(p, "Sub", polarity="inverted"),
    lambda p: with_output(p, "Top R", muted=True),
    lambda p: with_output(p, "Top R", muted=False),
    lambda p: with_output(p, "Delay L", eq=p.output("Delay L").eq[1:]),
    lambda p: with_output(p, "Sub", low_pass=None),
    lambda p: with_output(p, "Sub", inputs={}),
    lambda p: with_output(p, "Sub", inputs={"Aux": -3.0}),
    lambda p: with_output(p, "Top L", latency_ms=1.5),
    lambda p: replace(p, air=Air(temperature_c=31.0)),
    lambda p: replace(p, measurements=p.measurements[3:]),
    lambda p: replace(p, measurements=()),
    lambda p: replace(p, sources=p.sources[:-1]),
    lambda p: replace(
        p, listeners=tuple(replace(item, position_m=(1.0, 9.0, 1.2)) for item in p.listeners)
    ),
    lambda p: replace(p, sample_rate_hz=96_000.0),
    lambda p: replace(p, inputs=(replace(p.inputs[0], gain_db=3.0, delay_ms=2.0), *p.inputs[1:])),
    lambda p: replace(p, amplifiers=tuple(replace(item, latency_ms=0.5) for item in p.amplifiers)),
)


def test_every_edit_gives_what_a_fresh_start_gives() -> None:
    viewer, preset = Viewer(), HALL
    for edit in (lambda p: p, *EDITS):
        preset = edit(preset)
        from_scratch(preset, FULL, viewer.view(preset, FULL))
    assert viewer.view(HALL, FULL).curve("sum", "Row 8").problem == ""


@pytest.mark.parametrize(
    "request_",
    [
        Request(outputs=("Sub",), points=50),
        Request(listener="Row 24", sum=True, only=("Sub", "Top L"), input_level_dbu=4.0, points=50),
        Request(
            outputs=("Top L",),
            listener="Row 3",
            paths=("Sub",),
            sum=True,
            drive=Drive({"Left": 0.0, "Right": -3.0, "Aux": 0.0}, correlated=False),
            group_delay=True,
            points=50,
        ),
        Request(outputs=("Sub",), drive=Drive({"Left": -6.0}), low_hz=60.0, high_hz=400.0),
    ],
)
def test_other_questions(request_: Request) -> None:
    viewer = Viewer()
    preset = HALL
    for edit in EDITS[:6]:
        preset = edit(preset)
        from_scratch(preset, request_, viewer.view(preset, request_))


@pytest.mark.parametrize(
    "path", sorted(presets_folder().glob("*.json")), ids=lambda path: path.stem
)
def test_every_listener_of_every_example(path: object) -> None:
    preset, viewer = load(str(path)), Viewer()
    for listener in preset.listeners:
        request = Request(listener=listener.name, sum=True, points=40)
        view = viewer.view(preset, request)
        if view.curve("sum", listener.name).problem:
            with pytest.raises(Refused):
                from_scratch(preset, request, view)
        else:
            from_scratch(preset, request, view)


def test_an_edit_computes_nothing_again_that_it_left_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    viewer = Viewer()
    asked: list[str] = []
    real = field.transfers_at

    def counted(
        preset: Preset, outputs: object, listener: str, axis: Axis, **more: object
    ) -> object:
        asked.extend([listener] if outputs else [])
        return real(preset, outputs, listener, axis, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(field, "transfers_at", counted)
    request = Request(listener="Row 8", sum=True, paths=("Sub",))
    viewer.view(HALL, request)
    assert asked == ["Row 8"]
    for gain in range(5):
        viewer.view(with_output(HALL, "Sub", gain_db=float(gain)), request)
    assert asked == ["Row 8"]
    viewer.view(replace(HALL, air=Air(temperature_c=5.0)), request)
    assert asked == ["Row 8", "Row 8"]


def test_what_cannot_be_summed_is_a_sentence_in_the_curve() -> None:
    unknown = replace(HALL, measurements=(), amplifiers=HALL.amplifiers)
    spl = replace(unknown, measurements=HALL.measurements[:1])
    relative = replace(
        spl,
        measurements=(
            replace(spl.measurements[0], trace=replace(spl.measurements[0].trace, level="relative"),
                    captured_input_dbu=None),
        ),
    )  # fmt: skip
    where = relative.measurements[0].listener
    view = Viewer().view(relative, Request(listener=where, sum=True, points=20))
    curve = view.curve("sum", where)
    assert "would mix absolute levels" in curve.problem
    assert np.isnan(curve.magnitude_db).all()


def test_unknown_names_are_refused() -> None:
    for request in (
        Request(outputs=("Nobody",)),
        Request(listener="Row 8", paths=("Nobody",)),
        Request(listener="Nowhere", sum=True),
    ):
        with pytest.raises(Refused, match="there is no"):
            Viewer().view(HALL, request)
    renamed = rename_output(HALL, "Sub", "Subs")
    assert Viewer().view(renamed, Request(outputs=("Subs",))).curve("output", "Subs")


def test_silence_and_nothing_known_in_decibels() -> None:
    curve = Curve("sum", "x", np.array([0.0, 1.0 + 0j, np.nan]))
    assert curve.magnitude_db[0] == -np.inf
    assert curve.magnitude_db[1] == 0.0
    assert np.isnan(curve.magnitude_db[2])
    assert np.isnan(curve.phase_deg[[0, 2]]).all()
    with pytest.raises(KeyError):
        Viewer().view(rig(), Request(outputs=("Sub",))).curve("output", "Top L")


def test_a_capture_never_made_is_said() -> None:
    view = Viewer().view(
        replace(HALL, measurements=()), Request(listener="Row 8", captures=("Sub",), points=10)
    )
    assert view.curve("capture", "Sub").problem == "nothing was captured of “Sub” at “Row 8”"


def test_crossings_come_from_the_design_room() -> None:
    found = crossings(HALL, "Row 8", drive_of(HALL))
    assert found[0].lower == "Sub"


def test_a_window_has_points_of_its_own() -> None:
    ask = Request(listener="Row 8", sum=True, window=(90.0, 110.0, 41))
    view = Viewer().view(HALL, ask)
    inside = (view.frequency_hz >= 90.0 * (1 - 1e-9)) & (view.frequency_hz <= 110.0 * (1 + 1e-9))
    close = Request(listener="Row 8", sum=True, points=41, low_hz=90.0, high_hz=110.0)
    expected = Viewer().view(HALL, close).curve("sum", "Row 8").response
    assert np.allclose(view.curve("sum", "Row 8").response[inside], expected, rtol=1e-9)
    assert view.frequency_hz[0] == 20.0
    assert view.frequency_hz[-1] == pytest.approx(20_000.0)
    beyond = replace(HALL, sample_rate_hz=44_100.0)
    above = Viewer().view(beyond, Request(outputs=("Sub",), window=(22_000.0, 23_000.0, 40)))
    assert above.frequency_hz[-1] < 22_050.0


def test_the_whole_axis_is_kept_while_windows_pass() -> None:
    viewer = Viewer()
    viewer.view(HALL, Request(outputs=("Sub",)))
    for low_hz in range(30, 60):
        viewer.view(HALL, Request(outputs=("Sub",), window=(float(low_hz), 200.0, 40)))
    assert any(key[-1] is None for key in viewer._engines)
    assert len(viewer._engines) <= 4
