"""Cable loss against handbook figures, and a ladder solved as a whole by linear algebra."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from xover.acoustics.cable import (
    CLASS_5_OHM_PER_KM,
    conductor_ohm_per_km,
    end_of_line_loss_db,
    loop_ohm,
    loss_db,
)
from xover.model.cable_size import area_of_gauge_mm2, nearest_gauge, read_area_mm2
from xover.model.problems import Refused


@pytest.mark.parametrize(
    ("length_m", "area_mm2", "load_ohm", "expected_db"),
    [
        (50.0, 2.5, 8.0, 0.8259),
        (50.0, 2.5, 4.0, 1.5800),
        (50.0, 4.0, 4.0, 1.0134),
        (100.0, 1.5, 8.0, 2.4933),
        (200.0, 1.5, 50.0, 0.8782),
        (200.0, 1.5, 25.0, 1.6762),
    ],
)
def test_loss_of_a_run(
    length_m: float, area_mm2: float, load_ohm: float, expected_db: float
) -> None:
    """IEC 60228 class 5 resistances (three copies that agree), loss by pocket calculator.

    The last two are 200 W on 100 V and on 70.7 V (49.98 and 24.99 ohm, here 50 and 25).
    """
    run_ohm = loop_ohm(length_m, area_mm2)
    assert loss_db(load_ohm, run_ohm) == pytest.approx(expected_db, abs=5e-4)


def test_a_tenth_of_the_load() -> None:
    """R = 10 % of Z costs 0.8279 dB, 5 % 0.4238 dB; 0.5 dB is R/Z = 0.059254."""
    assert loss_db(8.0, 0.8) == pytest.approx(0.8279, abs=5e-5)
    assert loss_db(8.0, 0.4) == pytest.approx(0.4238, abs=5e-5)
    assert loss_db(1.0, 0.059254) == pytest.approx(0.5, abs=5e-6)


def test_sizes_between_the_table() -> None:
    """Never less than pure copper (IACS, ρ = 1/58 ohm·mm²/m), and falling with the area."""
    areas = np.geomspace(0.2, 60.0, 200)
    ohms = [conductor_ohm_per_km(float(area)) for area in areas]
    assert np.all(np.diff(ohms) < 0.0)
    assert all(ohm * area > 1000.0 / 58.0 for ohm, area in zip(ohms, areas, strict=True))
    for area, ohm in CLASS_5_OHM_PER_KM.items():
        assert conductor_ohm_per_km(area * 1.0000001) == pytest.approx(ohm, rel=1e-5)


@pytest.mark.parametrize(
    ("boxes", "expected_db"), [(1, 1.6758), (2, 1.3073), (5, 1.0634), (10, 0.9789), (20, 0.9362)]
)
def test_boxes_spread_along_a_run(boxes: int, expected_db: float) -> None:
    """50 ohm in all over 10.64 ohm of loop: the last box, ladder solution of a circuit program."""
    assert end_of_line_loss_db([50.0 * boxes] * boxes, 10.64) == pytest.approx(
        expected_db, abs=5e-5
    )


@settings(max_examples=25, deadline=None)
@given(
    loads=st.lists(st.floats(50.0, 20_000.0), min_size=1, max_size=12), run_ohm=st.floats(0.1, 20.0)
)
def test_the_ladder_is_the_node_voltages(loads: list[float], run_ohm: float) -> None:
    """Kirchhoff's current law at every node, solved at once by numpy."""
    count = len(loads)
    step = count / run_ohm
    matrix = np.zeros((count, count))
    source = np.zeros(count)
    for at, load in enumerate(loads):
        matrix[at, at] += step + 1.0 / load
        if at + 1 < count:
            matrix[at, at] += step
            matrix[at, at + 1] -= step
        if at:
            matrix[at, at - 1] -= step
        else:
            source[at] = step
    last = np.linalg.solve(matrix, source)[-1]
    assert end_of_line_loss_db(loads, run_ohm) == pytest.approx(-20.0 * np.log10(last), abs=1e-9)


@pytest.mark.parametrize(
    ("gauge", "area_mm2"), [(10, 5.2612), (12, 3.3088), (14, 2.0809), (16, 1.3087), (18, 0.8230)]
)
def test_gauges(gauge: int, area_mm2: float) -> None:
    """ASTM B258; a published wire table prints the same areas."""
    assert area_of_gauge_mm2(gauge) == pytest.approx(area_mm2, abs=5e-5)
    assert nearest_gauge(area_mm2) == gauge
    for text in (f"AWG {gauge}", f"awg{gauge}", f"{gauge} AWG", f"AWG #{gauge}"):
        assert read_area_mm2(text) == pytest.approx(area_mm2, abs=5e-5)


def test_areas_as_typed() -> None:
    assert read_area_mm2(" 2,5 mm² ") == 2.5
    assert read_area_mm2("4") == 4.0
    for text in ("", "0", "AWG", "AWG 99", "-2", "thick", "1e9", "nan"):
        with pytest.raises(Refused, match=r"write 2\.5 for mm², or AWG 12"):
            read_area_mm2(text)
