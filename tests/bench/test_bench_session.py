"""What a key costs behind the screen: one edit as a step, and the curves that it touches.

Absolute figures, for a small and a large preset; the terminal's own share is measured elsewhere.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from msgspec.structs import replace

from xover.files.preset_json import dumps
from xover.files.shipped import default_example
from xover.model.preset import Preset
from xover.model.processing import Crossover, EqSection, Input, Output
from xover.model.rig import (
    Amplifier,
    AmplifierChannel,
    Listener,
    Loudspeaker,
    Power,
    Source,
)
from xover.session.cells import Cell
from xover.session.session import Session
from xover.session.views import Request


def large() -> Preset:
    """16 inputs, 32 outputs of 20 sections and two crossovers, 24 sources, 12 listeners."""
    slope = Crossover(family="linkwitz-riley", slope_db_per_octave=24, frequency_hz=80.0)
    eq = tuple(
        EqSection(kind="peak", frequency_hz=50.0 * 1.3**at, gain_db=2.0 - at / 5.0, q=2.0)
        for at in range(20)
    )
    return Preset(
        title="Large",
        inputs=tuple(Input(name=f"In {at}", eq=eq[: at % 3]) for at in range(16)),
        outputs=tuple(
            Output(
                name=f"Out {at}",
                inputs={f"In {k}": 0.0 for k in range(at % 4, 16, 4)},
                high_pass=slope,
                low_pass=replace(slope, frequency_hz=9000.0),
                eq=eq,
                delay_ms=float(at),
            )
            for at in range(32)
        ),
        loudspeakers=(
            Loudspeaker(
                name="Box",
                passband_hz=(60.0, 18_000.0),
                sensitivity_db=96.0,
                impedance_ohm=8.0,
                power_w=Power(continuous=500.0),
            ),
        ),
        amplifiers=(Amplifier(name="Amp", gain_db=32.0, power_w={"8": 800.0}, minimum_load_ohm=4),),
        amplifier_channels=tuple(
            AmplifierChannel(name=f"Ch {at}", amplifier="Amp", output=f"Out {at}")
            for at in range(24)
        ),
        sources=tuple(
            Source(
                name=f"Box {at}",
                output=f"Out {at}",
                loudspeaker="Box",
                amplifier_channel=f"Ch {at}",
                position_m=(float(at), 0.0, 3.0),
            )
            for at in range(24)
        ),
        listeners=tuple(
            Listener(name=f"Row {at}", position_m=(6.0, 5.0 + at, 1.2)) for at in range(12)
        ),
    )


@pytest.mark.parametrize(
    ("name", "data", "outputs"),
    [
        ("hall", default_example().read_bytes(), ("Sub", "Top L", "Delay L")),
        ("large", dumps(large()), ("Out 5", "Out 7", "Out 9")),
    ],
    ids=["hall", "large"],
)
def test_an_edit_and_its_curves(
    name: str,
    data: bytes,
    outputs: tuple[str, ...],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    path = tmp_path / "preset.json"
    path.write_bytes(data)
    session = Session.open(str(path))
    request = Request(outputs=outputs, listener=session.preset.listeners[1].name, sum=True)
    first, second = Cell(outputs[0], "delay"), Cell(outputs[1], "delay")

    def times(edit: Callable[[int], object], asked: Request) -> str:
        spent: tuple[list[float], list[float]] = ([], [])
        session.view(asked)
        for turn in range(200):
            begin = time.perf_counter()
            edit(turn)
            middle = time.perf_counter()
            for curve in session.view(asked).curves:
                assert curve.magnitude_db.size == curve.phase_deg.size
            spent[0].append(1e3 * (middle - begin))
            spent[1].append(1e3 * (time.perf_counter() - middle))
        return ", ".join(
            f"{word} {statistics.median(each):.2f} (p90 {statistics.quantiles(each, n=10)[-1]:.2f})"
            for word, each in zip(("edit", "curves"), spent, strict=True)
        )

    print(f"\n{name}, ms: 3 outputs and a sum, 480 points")
    print("  one output again:", times(lambda n: session.set_value(first, n / 7.0), request))
    print(
        "  two in turn:     ",
        times(lambda n: session.set_value((first, second)[n % 2], n / 9.0), request),
    )
    print(
        "  with group delay:",
        times(lambda n: session.set_value(first, n / 7.0), replace_request(request)),
    )
    print(
        "  air:             ",
        times(lambda n: session.set_value("air.temperature_c", n / 10.0), request),
    )
    session.close(keep_unsaved=False)


def replace_request(request: Request) -> Request:
    """The same question with group delay."""
    return Request(
        outputs=request.outputs, listener=request.listener, sum=request.sum, group_delay=True
    )
