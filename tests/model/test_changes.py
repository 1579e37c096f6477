"""Edits that honour groups, locks and references."""

from __future__ import annotations

import pytest

from tests.strategies import everything
from xover.model import rules
from xover.model.changes import (
    Setting,
    Shift,
    followers,
    is_locked,
    rename_input,
    rename_listed,
    rename_output,
    settings_after,
    with_output,
    with_settings,
)
from xover.model.differences import differences
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import Group, Input, Output, Stimulus
from xover.model.rig import AmplifierChannel, CapturedSettings, Measurement, Source, Trace


def rig(**fields: object) -> Preset:
    outputs = tuple(
        Output(name=name, inputs={"Main": 0.0}, delay_ms=delay)
        for name, delay in (("Sub", 1.0), ("Top L", 2.0), ("Top R", 2.0), ("Fill", 5.0))
    )
    base: dict[str, object] = {
        "title": "Test",
        "inputs": (Input(name="Main"),),
        "outputs": outputs,
        "groups": (Group(name="Tops", outputs=("Top L", "Top R"), follow=("delay", "polarity")),),
    }
    return Preset(**{**base, **fields})  # type: ignore[arg-type]


def test_a_group_moves_whole() -> None:
    settings = settings_after(rig(), {"Top L": Shift(3.5, invert=True)})
    assert settings["Top R"] == Setting(5.5, "inverted")
    assert settings["Sub"] == Setting(1.0, "normal")


def test_earlier_means_that_everything_else_is_delayed() -> None:
    preset = rig()
    settings = settings_after(preset, {"Top L": Shift(-3.0)})
    assert {name: entry.delay_ms for name, entry in settings.items()} == {
        "Sub": 4.0,
        "Top L": 2.0,
        "Top R": 2.0,
        "Fill": 8.0,
    }
    assert with_settings(preset, settings).output("Fill").delay_ms == 8.0


def test_groups_are_followed_through_shared_members() -> None:
    preset = rig(
        groups=(
            Group(name="A", outputs=("Sub", "Top L"), follow=("delay",)),
            Group(name="B", outputs=("Top L", "Top R"), follow=("delay",)),
            Group(name="C", outputs=("Top R", "Fill"), follow=("gain",)),
        )
    )
    assert followers(preset, "Sub", "delay") == {"Sub", "Top L", "Top R"}
    assert followers(preset, "Sub", "gain") == {"Sub"}


def test_contradicting_moves_inside_a_group_are_refused() -> None:
    with pytest.raises(Refused, match="tied by a group"):
        settings_after(rig(), {"Top L": Shift(1.0), "Top R": Shift(2.0)})


def test_a_locked_way_moves_only_with_its_group() -> None:
    preset = with_output(with_output(rig(), "Fill", locked=("delay",)), "Top R", locked=("delay",))
    assert is_locked(preset, "Fill", "delay")
    assert not is_locked(preset, "Top R", "delay")
    assert settings_after(preset, {"Top L": Shift(1.0)})["Top R"].delay_ms == 3.0
    with pytest.raises(Refused, match="the delay of “Fill” is locked") as caught:
        settings_after(preset, {"Top L": Shift(-1.0)})
    assert caught.value.faults[0].where == "outputs[3].locked"


def test_a_delay_beyond_the_format_is_refused() -> None:
    with pytest.raises(Refused, match=r"would need 10001\.000 ms.*10000 ms"):
        settings_after(rig(), {"Sub": Shift(10_000.0)})


def test_renaming_takes_every_reference_along() -> None:
    trace = Trace(frequency_hz=(100.0,), magnitude_db=(0.0,))
    preset = rig(
        amplifier_channels=(AmplifierChannel(name="A1", amplifier="Amp", output="Top L"),),
        sources=(Source(name="S", output="Top L", loudspeaker="Box", position_m=(0, 0, 0)),),
        stimulus=Stimulus(inputs={"Main": -3.0}),
        measurements=(
            Measurement(
                output="Top L",
                listener="Row",
                trace=trace,
                captured="settings",
                captured_settings=CapturedSettings(
                    output=Output(name="Top L", inputs={"Main": 0.0}), inputs=(Input(name="Main"),)
                ),
                driven_inputs={"Main": 0.0},
            ),
        ),
    )
    renamed = rename_input(rename_output(preset, "Top L", "Top left"), "Main", "Left")
    assert renamed.output("Top left").inputs == {"Left": 0.0}
    assert renamed.groups[0].outputs == ("Top left", "Top R")
    assert renamed.amplifier_channels[0].output == "Top left"
    assert renamed.sources[0].output == "Top left"
    assert renamed.stimulus == Stimulus(inputs={"Left": -3.0})
    measurement = renamed.measurements[0]
    assert measurement.output == "Top left"
    assert measurement.driven_inputs == {"Left": 0.0}
    assert measurement.captured_settings is not None
    assert measurement.captured_settings.output.name == "Top left"
    assert measurement.captured_settings.output.inputs == {"Left": 0.0}
    assert measurement.captured_settings.inputs[0].name == "Left"
    with pytest.raises(KeyError):
        rename_output(preset, "Nobody", "Else")


@pytest.mark.parametrize(
    "key",
    ["inputs", "outputs", "groups", "loudspeakers", "amplifiers", "amplifier_channels", "sources",
     "listeners"],
)  # fmt: skip
def test_every_reference_follows_a_new_name(key: str) -> None:
    """A preset that uses every field stays legal, and the old name stands nowhere in it."""
    before = everything()
    for at, item in enumerate(getattr(before, key)):
        after = rename_listed(before, key, item.name, "Quite another")
        assert rules.faults(after) == []
        assert getattr(after, key)[at].name == "Quite another"
        told = {change.old for change in differences(before, after) if isinstance(change.old, str)}
        assert told <= {item.name}
        assert rename_listed(after, key, "Quite another", item.name) == before
