"""Alignments of whatever preset is legal: an answer that can be entered, or a refusal."""

from __future__ import annotations

import contextlib
import math

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from tests import strategies
from tests.acoustics.rigs import rig
from xover.cli.align_json import document
from xover.design.alignment import align, apply_alignment
from xover.files.preset_json import dumps, loads
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import Crossover
from xover.model.rig import Listener
from xover.sheets.alignment_text import alignment_text
from xover.sheets.loss_plot import terminal_loss_plot


def _aligned(preset: Preset, **options: object) -> None:
    names = [item.name for item in preset.outputs]
    if len(names) < 2 or not preset.listeners:
        return
    answer = None
    with contextlib.suppress(Refused):
        answer = align(
            preset,
            move=names[1:4],
            to=names[0],
            listeners=[item.name for item in preset.listeners],
            mixed=True,
            assume_shared_zero=True,
            **options,  # type: ignore[arg-type]
        )
    if answer is None:
        return
    assert 0.0 <= answer.loss_db <= 40.0 + 1e-6
    for result in answer.results:
        assert abs(result.relative_delay_ms) <= 25.0
        assert result.delay_ms >= 0.0
        for losses in (result.loss_before_db, result.loss_after_db):
            assert all(value is None or -1e-9 <= value <= 40.0 + 1e-6 for value in losses.values())
    applied = apply_alignment(preset, answer)
    assert all(item.delay_ms >= 0.0 for item in applied.outputs)
    assert loads(dumps(applied)) == applied
    assert alignment_text(answer)
    assert terminal_loss_plot(answer, 80, 20)
    assert _finite(document(answer))


def _finite(value: object) -> bool:
    if isinstance(value, dict):
        return all(_finite(item) for item in value.values())
    if isinstance(value, list | tuple):
        return all(_finite(item) for item in value)
    return not isinstance(value, float) or math.isfinite(value)


@settings(max_examples=10, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    preset=strategies.presets(),
    band_hz=st.sampled_from([None, (20.0, 20_000.0), (100.0, 101.0), (900.0, 1100.0)]),
    criterion=st.sampled_from(["mean", "worst", "energy"]),
)
def test_any_preset(preset: Preset, band_hz: tuple[float, float] | None, criterion: str) -> None:
    _aligned(preset, band_hz=band_hz, criterion=criterion)


PLACE = st.tuples(*(st.sampled_from([-10_000.0, -1.0, 0.0, 0.05, 3.0, 30.0]) for _ in "xyz"))


@settings(max_examples=10, deadline=None)
@given(
    places=st.lists(PLACE, min_size=4, max_size=4),
    gain_db=st.sampled_from([-60.0, 0.0, 60.0]),
    criterion=st.sampled_from(["mean", "worst", "energy"]),
    all_pass=st.booleans(),
)
def test_odd_places_and_levels(
    places: list[tuple[float, float, float]], gain_db: float, criterion: str, all_pass: bool
) -> None:
    """Coincident and far places, levels that bury each other: no traceback, no odd figure."""
    preset = rig(
        {"A": places[0], "B": places[1], "C": places[2]},
        listener_m=places[3],
        outputs={"A": {"gain_db": gain_db}, "C": {"gain_db": -gain_db}},
    )
    split = Crossover(family="linkwitz-riley", slope_db_per_octave=24, frequency_hz=120.0)
    first, *others = preset.outputs
    x, y, z = places[2]
    preset = replace(
        preset,
        outputs=(
            replace(first, low_pass=split),
            *(replace(item, high_pass=split) for item in others),
        ),
        listeners=(*preset.listeners, Listener(name="Second", position_m=(x + 0.3, y, z))),
    )
    _aligned(preset, criterion=criterion, all_pass=all_pass)
    _aligned(preset, criterion=criterion, band_hz=(60.0, 240.0))
