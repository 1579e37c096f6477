"""The advice: every rule fires on its fault with the right figure, and keeps quiet without it.

Figures of sums are taken from scipy's own filters; thresholds of the rules are common practice
and have no source.
"""

from __future__ import annotations

import math
import re
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from msgspec.structs import replace
from scipy import signal

from tests.strategies import everything, presets
from xover.design import advice
from xover.design.advice import RULES, SEVERITIES, advise
from xover.design.splits import chains, split_all_pass, splits
from xover.dsp.axis import Axis
from xover.dsp.biquad import active_sections, cascade_response
from xover.dsp.response import electrical_responses
from xover.model.drive import drive_of
from xover.model.places import label
from xover.model.preset import Preset
from xover.model.problems import Finding
from xover.model.processing import (
    Air,
    Crossover,
    EqSection,
    Group,
    Input,
    Limit,
    Limiter,
    Output,
)
from xover.model.rig import (
    Aim,
    CapturedPositions,
    CapturedSettings,
    Listener,
    Loudspeaker,
    Measurement,
    OwnResponse,
    Power,
    Source,
    Trace,
)
from xover.model.units import plain, show_db

RATE_HZ = 48_000.0
GUARD = Limiter(
    rms=Limit(threshold_dbu=4.0, attack_ms=100.0, release_ms=1000.0),
    peak=Limit(threshold_dbu=10.0, attack_ms=0.5, release_ms=200.0),
)


def lr(slope: int, frequency_hz: float) -> Crossover:
    return Crossover(family="linkwitz-riley", slope_db_per_octave=slope, frequency_hz=frequency_hz)


def out(name: str, **fields: Any) -> Output:
    return Output(**{"name": name, "inputs": {"Main": 0.0}, "limiter": GUARD, **fields})


def box(name: str, low_hz: float, high_hz: float, **fields: Any) -> Loudspeaker:
    return Loudspeaker(
        **{
            "name": name,
            "passband_hz": (low_hz, high_hz),
            "impedance_ohm": 8.0,
            "power_w": Power(continuous=400.0),
            **fields,
        }
    )


def at(
    name: str, output: str, loudspeaker: str, x: float, y: float, z: float, **fields: Any
) -> Source:
    return Source(
        **{
            "name": name,
            "output": output,
            "loudspeaker": loudspeaker,
            "position_m": (x, y, z),
            **fields,
        }
    )


def rig(*outputs: Output, **fields: Any) -> Preset:
    return Preset(
        **{
            "title": "Test",
            "sample_rate_hz": RATE_HZ,
            "inputs": (Input(name="Main"),),
            "outputs": outputs,
            **fields,
        }
    )


def of(preset: Preset, code: str) -> list[Finding]:
    return [one for one in advise(preset) if one.code == code]


def the(preset: Preset, code: str) -> Finding:
    found = of(preset, code)
    assert len(found) == 1, [one.code for one in advise(preset)]
    return found[0]


def trace(low_hz: float = 15.0, high_hz: float = 22_000.0, **fields: Any) -> Trace:
    frequency_hz = tuple(np.geomspace(low_hz, high_hz, 60).tolist())
    return Trace(
        **{
            "frequency_hz": frequency_hz,
            "magnitude_db": (0.0,) * 60,
            "phase_deg": (0.0,) * 60,
            "session": "evening",
            **fields,
        }
    )


def capture(output: str, listener: str, **fields: Any) -> Measurement:
    return Measurement(
        **{
            "output": output,
            "listener": listener,
            "trace": trace(),
            "captured": "flat",
            **fields,
        }
    )


SUB = box("Deep", 35.0, 200.0, enclosure="vented")
TOP = box("Wide", 70.0, 18_000.0)
SEAT = Listener(name="Desk", position_m=(0.0, 20.0, 1.2))


def sound_rig() -> Preset:
    """Sub, left and right: nothing to say about it."""
    return rig(
        out("Sub", high_pass=lr(24, 35.0), low_pass=lr(24, 90.0)),
        out("Top left", high_pass=lr(24, 90.0)),
        out("Top right", high_pass=lr(24, 90.0)),
        loudspeakers=(SUB, replace(TOP, coverage_deg=(90.0, 50.0))),
        sources=(
            at("S", "Sub", "Deep", 0.0, 0.0, 0.3, boundary="floor"),
            at("L", "Top left", "Wide", -4.0, 0.0, 3.0),
            at("R", "Top right", "Wide", 4.0, 0.0, 3.0),
        ),
        listeners=(SEAT,),
        measurements=(capture("Sub", "Desk"), capture("Top left", "Desk")),
        groups=(Group(name="Mains", outputs=("Top left", "Top right"), follow=("gain", "eq")),),
    )


def scipy_sum_db(
    low: Sequence[tuple[str, int, float]], high: Sequence[tuple[str, int, float]], turn: float
) -> tuple[np.ndarray, np.ndarray]:
    """Frequencies and the sum in dB of two ways, each squared Butterworths from scipy."""
    frequency_hz = np.geomspace(20.0, 20_000.0, 20_000)

    def way(filters: Sequence[tuple[str, int, float]]) -> np.ndarray:
        response = np.ones(frequency_hz.size, dtype=complex)
        for kind, order, corner_hz in filters:
            sos = signal.butter(order // 2, corner_hz, kind, fs=RATE_HZ, output="sos")
            response *= signal.freqz_sos(sos, frequency_hz, fs=RATE_HZ)[1] ** 2
        return response

    total = np.abs(way(low) + turn * way(high))
    return frequency_hz, 20.0 * np.log10(np.maximum(total, 1e-12))


def test_a_sound_rig_has_nothing_to_report() -> None:
    assert advise(sound_rig()) == ()


# Filters and boxes


def test_no_high_pass() -> None:
    vented = rig(
        out("Sub"),
        loudspeakers=(box("Deep", 40.0, 200.0, enclosure="vented"),),
        sources=(at("S", "Sub", "Deep", 0.0, 0.0, 0.3),),
    )
    found = the(vented, "no-high-pass")
    assert (found.severity, found.where) == ("warning", "outputs[0].high_pass")
    # log2(40/5) octaves, counted to the lowest frequency that is looked at.
    assert "down to 5 Hz and below, 3.0 octaves under the 40 Hz" in found.message
    assert "vented" in found.caution
    sealed = replace(vented, loudspeakers=(box("Deep", 40.0, 200.0, enclosure="sealed"),))
    assert "excursion" in the(sealed, "no-high-pass").caution
    assert "vented" not in the(sealed, "no-high-pass").caution
    active = replace(
        vented,
        loudspeakers=(box("Deep", 40.0, 200.0, active=True, impedance_ohm=None, power_w=None),),
    )
    found = the(active, "no-high-pass")
    assert (found.severity, found.caution) == ("note", "")


def test_no_high_pass_measures_down_to_minus_ten_decibels() -> None:
    """A high-pass in the EQ counts: the figure is where scipy's filter is 10 dB down."""
    section = EqSection(kind="high_pass", frequency_hz=40.0, q=math.sqrt(0.5))
    preset = rig(
        out("Top", eq=(section,)),
        loudspeakers=(box("Wide", 70.0, 18_000.0),),
        sources=(at("T", "Top", "Wide", 0.0, 0.0, 3.0),),
    )
    sos = signal.butter(2, 40.0, "high", fs=RATE_HZ, output="sos")
    frequency_hz = np.geomspace(10.0, 70.0, 20_000)
    level_db = 20.0 * np.log10(np.abs(signal.freqz_sos(sos, frequency_hz, fs=RATE_HZ)[1]))
    down_hz = frequency_hz[np.argmax(level_db >= -10.0)]
    octaves = math.log2(70.0 / down_hz)  # 1.6; the rule's grid has 48 points an octave
    assert f"{plain(octaves, 1)} octaves under the 70 Hz" in the(preset, "no-high-pass").message


def test_a_high_pass_or_a_steep_eq_is_enough() -> None:
    section = EqSection(kind="high_pass", frequency_hz=70.0, q=0.7)
    steep = rig(
        out("Top", eq=(section, section)),
        loudspeakers=(box("Wide", 70.0, 18_000.0),),
        sources=(at("T", "Top", "Wide", 0.0, 0.0, 3.0),),
    )
    assert of(steep, "no-high-pass") == []
    assert of(sound_rig(), "no-high-pass") == []


def test_crossover_outside_the_range_of_the_box() -> None:
    preset = rig(
        out("Sub", high_pass=lr(24, 20.0), low_pass=lr(24, 400.0)),
        loudspeakers=(box("Deep", 40.0, 200.0, enclosure="vented"),),
        sources=(at("S", "Sub", "Deep", 0.0, 0.0, 0.3),),
    )
    low = the(preset, "high-pass-below-box")
    assert (low.severity, low.where) == ("warning", "outputs[0].high_pass.frequency_hz")
    assert "at 20 Hz lies 1.0 octaves below the 40 Hz" in low.message
    assert "−10 dB" in low.message
    assert "vented" in low.caution
    high = the(preset, "low-pass-above-box")
    assert (high.severity, high.where) == ("warning", "outputs[0].low_pass.frequency_hz")
    assert "at 400 Hz lies 1.0 octaves above the 200 Hz" in high.message
    near = replace(preset, outputs=(out("Sub", high_pass=lr(24, 36.0), low_pass=lr(24, 220.0)),))
    assert the(near, "high-pass-below-box").severity == "note"
    assert the(near, "low-pass-above-box").severity == "note"
    inside = replace(preset, outputs=(out("Sub", high_pass=lr(24, 40.0), low_pass=lr(24, 200.0)),))
    assert of(inside, "high-pass-below-box") == of(inside, "low-pass-above-box") == []


def test_empty_band() -> None:
    found = the(rig(out("Mid", high_pass=lr(24, 2000.0), low_pass=lr(24, 200.0))), "empty-band")
    assert (found.severity, found.where) == ("error", "outputs[0].high_pass.frequency_hz")
    assert "at 2 kHz is not below its low-pass at 200 Hz" in found.message
    assert of(sound_rig(), "empty-band") == []


def test_low_boost() -> None:
    """A shelf's plateau is its gain; 9 dB is 10^0.9 = 7.9 times the power."""
    shelf = EqSection(kind="low_shelf", frequency_hz=80.0, gain_db=9.0, q=math.sqrt(0.5))
    found = the(rig(out("Sub", eq=(shelf,))), "low-boost")
    assert (found.severity, found.where) == ("warning", "outputs[0].eq")
    assert "+9.0 dB" in found.message
    assert "7.9 times the power" in found.message
    assert "excursion" in found.caution
    peaks = tuple(EqSection(kind="peak", frequency_hz=50.0, gain_db=4.0, q=2.0) for _ in range(2))
    assert "+8.0 dB at 50 Hz" in the(rig(out("Sub", eq=peaks)), "low-boost").message


@pytest.mark.parametrize(
    "section",
    [
        EqSection(kind="low_shelf", frequency_hz=80.0, gain_db=6.0, q=0.7),
        EqSection(kind="low_shelf", frequency_hz=80.0, gain_db=-12.0, q=0.7),
        EqSection(kind="peak", frequency_hz=400.0, gain_db=12.0, q=4.0),
        EqSection(kind="low_shelf", frequency_hz=80.0, gain_db=12.0, q=0.7, bypassed=True),
    ],
)
def test_no_low_boost(section: EqSection) -> None:
    assert of(rig(out("Sub", eq=(section,))), "low-boost") == []


# Crossings


def two_way(low: Crossover, high: Crossover, turned: bool = False, **fields: Any) -> Preset:
    return rig(
        out("Sub", low_pass=low),
        out("Top", high_pass=high, polarity="inverted" if turned else "normal"),
        **fields,
    )


@pytest.mark.parametrize(
    ("low_hz", "high_hz", "code", "octaves"),
    [(80.0, 160.0, "crossover-gap", "1.0"), (160.0, 80.0, "crossover-overlap", "1.0")],
)
def test_corners_apart(low_hz: float, high_hz: float, code: str, octaves: str) -> None:
    found = the(two_way(lr(24, low_hz), lr(24, high_hz)), code)
    # The worst of the sum in the better of both polarities, from scipy's filters.
    sums = [scipy_sum_db([("low", 4, low_hz)], [("high", 4, high_hz)], turn) for turn in (1, -1)]
    frequency_hz, total_db = min(sums, key=lambda one: np.max(np.abs(one[1])))
    error_db = float(total_db[np.argmax(np.abs(total_db))])
    assert found.severity == ("warning" if abs(error_db) >= 3.0 else "note")
    assert found.where == "outputs[0].low_pass.frequency_hz"
    assert f"of {octaves} octaves" in found.message
    assert f"to {show_db(error_db)}, at" in found.message
    # The overlap errs alike at two frequencies; the one told must be one of them.
    told_hz = float(found.message.split(" dB, at ")[1].split(" Hz")[0])
    assert np.interp(told_hz, frequency_hz, total_db) == pytest.approx(error_db, abs=0.05)
    assert "“Sub” at" in found.message
    assert "“Top” at" in found.message


def test_corners_that_meet_or_belong_to_nobody() -> None:
    for low_hz, high_hz in ((100.0, 100.0), (90.0, 100.0), (100.0, 90.0)):
        preset = two_way(lr(24, low_hz), lr(24, high_hz))
        assert advise(preset) == ()
    # Delay speakers and fills play the same band as the tops and are no neighbours of theirs.
    same = rig(
        out("Top", high_pass=lr(24, 90.0)),
        out("Delay", high_pass=lr(24, 120.0), low_pass=lr(24, 16_000.0)),
        out("Fill", high_pass=lr(24, 200.0), low_pass=lr(24, 16_000.0)),
    )
    assert splits(same) == ()
    # Without a common input there is nothing to hand over.
    apart = replace(
        two_way(lr(24, 80.0), lr(24, 160.0)), inputs=(Input(name="Main"), Input(name="Aux"))
    )
    apart = replace(
        apart, outputs=(replace(apart.outputs[0], inputs={"Aux": 0.0}), apart.outputs[1])
    )
    assert splits(apart) == ()
    # A way that finds its neighbour is not blamed for one further off.
    met = rig(*two_way(lr(24, 80.0), lr(24, 80.0)).outputs, out("Fill", high_pass=lr(24, 160.0)))
    assert of(met, "crossover-gap") == []


@pytest.mark.parametrize("slope", [12, 36])
def test_order_4k_plus_2_needs_one_side_inverted(slope: int) -> None:
    """LP + HP of orders 2 and 6 has a null at the corner.

    Source: S. P. Lipshitz and J. Vanderkooy, JAES 34(11), 1986; scipy's filters sum so below.
    """
    _, total_db = scipy_sum_db([("low", slope // 6, 100.0)], [("high", slope // 6, 100.0)], 1.0)
    assert np.min(total_db) < -40.0
    found = the(two_way(lr(slope, 100.0), lr(slope, 100.0)), "linkwitz-riley-null")
    assert (found.severity, found.where) == ("error", "outputs[0].polarity")
    assert f"{slope} dB per octave, which need exactly one side inverted" in found.message
    assert "more than 40 dB deep at 100 Hz" in found.message
    turned = two_way(lr(slope, 100.0), lr(slope, 100.0), turned=True)
    assert of(turned, "linkwitz-riley-null") == []


@pytest.mark.parametrize("slope", [24, 48])
def test_order_4k_needs_both_sides_alike(slope: int) -> None:
    found = the(two_way(lr(slope, 100.0), lr(slope, 90.0), turned=True), "linkwitz-riley-null")
    assert (found.severity, found.where) == ("warning", "outputs[1].polarity")
    assert "sum with neither side inverted" in found.message
    assert of(two_way(lr(slope, 100.0), lr(slope, 90.0)), "linkwitz-riley-null") == []


def test_polarity_set_on_measurements_is_a_note() -> None:
    preset = two_way(
        lr(24, 100.0),
        lr(24, 100.0),
        turned=True,
        listeners=(SEAT,),
        measurements=(capture("Sub", "Desk"), capture("Top", "Desk")),
    )
    found = the(preset, "linkwitz-riley-null")
    assert found.severity == "note"
    assert "captures at “Desk”" in found.message
    unknown = tuple(replace(one, captured="unknown") for one in preset.measurements)
    assert the(replace(preset, measurements=unknown), "linkwitz-riley-null").severity == "warning"


def test_polarity_counts_the_wiring() -> None:
    wired = rig(
        out("Sub", high_pass=lr(24, 35.0), low_pass=lr(12, 90.0)),
        out("Top", high_pass=lr(12, 90.0)),
        loudspeakers=(SUB, TOP),
        sources=(
            at("S", "Sub", "Deep", 0.0, 0.0, 0.3, polarity="inverted"),
            at("T", "Top", "Wide", 0.0, 0.0, 3.0),
        ),
    )
    assert of(wired, "linkwitz-riley-null") == []
    twice = replace(wired, loudspeakers=(replace(SUB, polarity="inverted"), TOP))
    assert the(twice, "linkwitz-riley-null").severity == "error"


def three_way(slope: int, low_hz: float, high_hz: float, **eq: tuple[EqSection, ...]) -> Preset:
    mid = "inverted" if slope % 24 == 12 else "normal"
    return rig(
        out("Low", low_pass=lr(slope, low_hz), eq=eq.get("low", ())),
        out("Mid", high_pass=lr(slope, low_hz), low_pass=lr(slope, high_hz), polarity=mid),
        out("High", high_pass=lr(slope, high_hz), eq=eq.get("high", ())),
    )


def test_missing_all_pass() -> None:
    """Branches LP1, HP1·LP2, HP2 of order 4 at 500 and 1000 Hz sum to −7.959 dB at 707 Hz.

    Source: the analogue transfer functions, evaluated by scipy below; pyfar's crossover sums to
    the same. The bilinear filters come to −7.957 dB at 192 kHz and −7.93 dB at 48 kHz (scipy).
    """
    s = 1j * math.sqrt(500.0 * 1000.0) * 2.0 * math.pi

    def way(corner_hz: float, kind: str) -> complex:
        b, a = signal.butter(2, 2.0 * math.pi * corner_hz, kind, analog=True)
        return complex((np.polyval(b, s) / np.polyval(a, s)) ** 2)

    total = way(500.0, "low") + way(500.0, "high") * way(1000.0, "low") + way(1000.0, "high")
    analogue_db = 20.0 * math.log10(abs(total))
    assert analogue_db == pytest.approx(-7.959, abs=1e-3)
    preset = replace(three_way(24, 500.0, 1000.0), sample_rate_hz=192_000.0)
    found = the(preset, "missing-all-pass")
    assert (found.severity, found.where) == ("warning", "outputs[0].eq")
    assert "“Low” lacks the all-pass 1 kHz order 2 Q 0.7071" in found.message
    assert "“High” lacks the all-pass 500 Hz order 2 Q 0.7071" in found.message
    told_db, rest = found.message.split("falls to ")[1].split(" dB at ", 1)
    assert float(told_db.replace("−", "-")) == pytest.approx(analogue_db, abs=0.006)
    assert float(rest.split(" Hz")[0]) == pytest.approx(707.1, rel=0.01)
    assert "falls to −7.93 dB" in the(three_way(24, 500.0, 1000.0), "missing-all-pass").message
    wide = the(three_way(24, 200.0, 2000.0), "missing-all-pass")
    assert wide.severity == "note"
    assert "falls to −0.12 dB" in wide.message  # analogue: −0.1185 dB, by the same sum


def test_all_pass_in_place() -> None:
    preset = three_way(
        24,
        500.0,
        1000.0,
        low=split_all_pass(lr(24, 1000.0)),
        high=split_all_pass(lr(24, 500.0)),
    )
    assert of(preset, "missing-all-pass") == []
    half = replace(preset, outputs=(*preset.outputs[:2], replace(preset.outputs[2], eq=())))
    found = the(half, "missing-all-pass")
    assert found.where == "outputs[2].eq"
    assert "“Low” lacks" not in found.message
    # Two ways need none, and splits far apart cost too little to speak of.
    assert of(two_way(lr(24, 100.0), lr(24, 100.0)), "missing-all-pass") == []
    assert of(three_way(24, 90.0, 2500.0), "missing-all-pass") == []


@pytest.mark.parametrize("slope", [12, 24, 36, 48])
def test_split_all_pass_is_what_the_split_sums_to(slope: int) -> None:
    """Against LP ± HP of scipy's squared Butterworths at 1 kHz, complex."""
    order = slope // 6
    frequency_hz = np.geomspace(20.0, 20_000.0, 400)
    low, high = (
        signal.freqz_sos(
            signal.butter(order // 2, 1000.0, kind, fs=RATE_HZ, output="sos"),
            frequency_hz,
            fs=RATE_HZ,
        )[1]
        ** 2
        for kind in ("low", "high")
    )
    total = low - high if slope % 24 == 12 else low + high
    sections = active_sections(split_all_pass(lr(slope, 1000.0)))
    ours = cascade_response(sections, Axis(frequency_hz, RATE_HZ))
    np.testing.assert_allclose(ours, total, atol=1e-9)


@pytest.mark.parametrize("slope", [12, 24, 36, 48])
def test_the_all_passes_asked_for_make_the_sum_flat(slope: int) -> None:
    """The rule's own remedy ends the finding for every slope, and its first figure is a loss."""
    found = the(three_way(slope, 300.0, 1000.0), "missing-all-pass")
    now_db, left_db = (
        float(found.message.split(start)[1].split(" dB")[0].replace("−", "-"))
        for start in ("falls to ", "them to ")
    )
    assert now_db < left_db - 0.1
    assert left_db > -0.6  # what remains is LP1·HP2, −42 dB re 1 for order 4 at this spacing
    assert found.message.endswith("polarity of “High” is turned as well") == (slope % 24 == 12)
    cured = three_way(
        slope,
        300.0,
        1000.0,
        low=split_all_pass(lr(slope, 1000.0)),
        high=split_all_pass(lr(slope, 300.0)),
    )
    assert of(cured, "missing-all-pass") == []
    # The remedy is flat in full, polarities included: summed here from the outputs as they are.
    if slope % 24 == 12:
        assert the(cured, "linkwitz-riley-null").severity == "error"
        high = replace(cured.outputs[2], polarity="inverted")
        cured = replace(cured, outputs=(*cured.outputs[:2], high))
    assert advise(cured) == ()
    axis = Axis.log(sample_rate_hz=RATE_HZ)
    total = electrical_responses(cured, axis, drive_of(cured)).sum(axis=0)
    assert np.max(np.abs(20.0 * np.log10(np.abs(total)))) < 0.6


def test_chains_keep_left_with_left() -> None:
    preset = rig(
        *(
            replace(one, name=f"{one.name} {side}", inputs={side: 0.0})
            for side in ("L", "R")
            for one in three_way(24, 300.0, 1000.0).outputs
        ),
        inputs=(Input(name="L"), Input(name="R")),
    )
    names = [[split.upper.name for split in chain] for chain in chains(preset)]
    assert names == [["Mid L", "High L"], ["Mid R", "High R"]]


# Outputs


def test_unrouted_and_muted() -> None:
    preset = rig(out("Sub", inputs={}), out("Top", muted=True))
    found = the(preset, "unrouted-output")
    assert (found.severity, found.where) == ("warning", "outputs[0].inputs")
    assert "“Sub”" in found.message
    found = the(preset, "muted-output")
    assert (found.severity, found.where) == ("note", "outputs[1].muted")
    assert "“Top”" in found.message
    quiet = rig(out("Sub"), out("Top"))
    assert of(quiet, "unrouted-output") == of(quiet, "muted-output") == []


@pytest.mark.parametrize(
    ("limiter", "code", "where"),
    [
        (None, "no-limiter", "outputs[0].limiter"),
        (Limiter(), "no-limiter", "outputs[0].limiter"),
        (Limiter(peak=GUARD.peak), "no-rms-limiter", "outputs[0].limiter.rms"),
        (Limiter(rms=GUARD.rms), "no-peak-limiter", "outputs[0].limiter.peak"),
    ],
)
def test_limiters(limiter: Limiter | None, code: str, where: str) -> None:
    preset = rig(
        out("Top", limiter=limiter, high_pass=lr(24, 70.0)),
        loudspeakers=(TOP,),
        sources=(at("T", "Top", "Wide", 0.0, 0.0, 3.0),),
    )
    found = the(preset, code)
    assert (found.severity, found.where) == ("warning", where)
    assert "400 W continuous" in found.message
    assert "“Wide”" in found.message
    assert found.caution
    guarded = replace(preset, outputs=(replace(preset.outputs[0], limiter=GUARD),))
    assert [one for one in advise(guarded) if "limiter" in one.code] == []
    active = replace(TOP, active=True, impedance_ohm=None, power_w=None)
    inside = replace(preset, loudspeakers=(active,))
    assert [one for one in advise(inside) if "limiter" in one.code] == []


def test_no_limiter_before_something_unknown_is_a_note() -> None:
    assert the(rig(out("Top", limiter=None)), "no-limiter").severity == "note"


def test_long_delay() -> None:
    """Sound at 343.2 m/s (ISO 9613-1, 20 °C); a foot is 0.3048 m; 48 samples a millisecond."""
    preset = rig(
        out("Delay", high_pass=lr(24, 90.0), delay_ms=340.0),
        loudspeakers=(TOP,),
        sources=(at("D", "Delay", "Wide", 0.0, 0.0, 1.2),),
        listeners=(SEAT,),
    )
    found = the(preset, "long-delay")
    assert (found.severity, found.where) == ("warning", "outputs[0].delay_ms")
    for figure in (
        f"340.00 ms, the time of {0.340 * 343.2:.2f} m",
        f"sound takes {20.0 / 0.3432:.2f} ms",
        f"340 samples are {340 / 48:.2f} ms",
        f"340 ft {340 * 0.3048 / 0.3432:.2f} ms",
        f"340 m {340 / 0.3432:.2f} ms",
    ):
        assert figure in found.message
    limit_ms = 1.5 * 20.0 / 0.3432 + 50.0
    for delay_ms, expected in ((limit_ms - 0.1, 0), (limit_ms + 0.1, 1)):
        changed = replace(preset, outputs=(replace(preset.outputs[0], delay_ms=delay_ms),))
        assert len(of(changed, "long-delay")) == expected
    empty = rig(out("Delay", delay_ms=499.0))
    assert of(empty, "long-delay") == []
    late = replace(empty, inputs=(Input(name="Main", delay_ms=501.0),))
    found = the(late, "long-delay")
    assert found.where == "inputs[0].delay_ms"
    assert "more than 500 ms" in found.message


# Pairs and groups


@pytest.mark.parametrize(
    ("one", "two"),
    [("Top left", "Top right"), ("Top L", "Top R"), ("L main", "R main"), ("TopL", "TopR")],
)
def test_pairs_by_name(one: str, two: str) -> None:
    found = the(rig(out(one), out(two, gain_db=-3.0)), "pair-gain-differs")
    assert (found.severity, found.where) == ("warning", "outputs[1].gain_db")
    assert "differ by 3.0 dB: 0.0 dB and −3.0 dB" in found.message
    assert of(rig(out(one), out(two)), "pair-gain-differs") == []
    assert of(rig(out("Sub"), out("Top", gain_db=-3.0)), "pair-gain-differs") == []
    assert the(rig(out(one), out(two, gain_db=-0.5)), "pair-gain-differs").severity == "note"


def test_pairs_by_place() -> None:
    preset = rig(
        out("House", high_pass=lr(24, 90.0)),
        out("Far", high_pass=lr(24, 100.0), gain_db=-2.0),
        loudspeakers=(TOP,),
        sources=(
            at("A", "House", "Wide", -4.0, 0.0, 3.0),
            at("B", "Far", "Wide", 4.05, 0.0, 3.0),
        ),
    )
    assert "2.0 dB" in the(preset, "pair-gain-differs").message
    found = the(preset, "pair-filters-differ")
    assert (found.severity, found.where) == ("warning", "outputs[1].high_pass")
    assert (
        "24 dB per octave at 90 Hz and Linkwitz-Riley 24 dB per octave at 100 Hz" in found.message
    )
    moved = replace(preset.sources[1], position_m=(4.0, 6.0, 3.0))
    apart = replace(preset, sources=(preset.sources[0], moved))
    assert of(apart, "pair-gain-differs") == of(apart, "pair-filters-differ") == []


def test_pairs_compare_polarity_and_eq() -> None:
    peak = EqSection(kind="peak", frequency_hz=2500.0, gain_db=-4.0, q=2.0)
    preset = rig(out("Top L", eq=(peak,)), out("Top R", polarity="inverted"))
    found = the(preset, "pair-eq-differs")
    assert (found.severity, found.where) == ("warning", "outputs[1].eq")
    assert "by up to 4.0 dB, at 2.5 kHz" in found.message
    found = the(preset, "pair-polarity-differs")
    assert (found.severity, found.where) == ("warning", "outputs[1].polarity")
    assert of(rig(out("Top L"), out("Top R")), "pair-polarity-differs") == []
    idle = replace(peak, bypassed=True)
    alike = rig(out("Top L", eq=(peak,)), out("Top R", eq=(idle, peak)))
    assert of(alike, "pair-eq-differs") == list(advise(alike)) == []


def test_group_gain() -> None:
    group = Group(name="Mains", outputs=("House", "Fill", "Foyer"), follow=("gain",))
    outputs = (out("House"), out("Fill", gain_db=-6.0), out("Foyer", gain_db=1.5))
    found = the(rig(*outputs, groups=(group,)), "group-gain-differs")
    assert (found.severity, found.where) == ("note", "groups[0].outputs")
    assert "7.5 dB apart: “Fill” at −6.0 dB, “Foyer” at +1.5 dB" in found.message
    for quiet in (
        rig(*outputs, groups=(replace(group, follow=("eq",)),)),
        rig(out("House"), out("Fill"), out("Foyer"), groups=(group,)),
    ):
        assert of(quiet, "group-gain-differs") == []


# Captures


def measured_rig(*measurements: Measurement, **fields: Any) -> Preset:
    return replace(sound_rig(), measurements=measurements, **fields)


def test_trace_too_short() -> None:
    short = capture("Top left", "Desk", trace=trace(200.0, 20_000.0))
    found = the(measured_rig(short), "trace-too-short")
    assert (found.severity, found.where) == ("warning", "measurements[0].trace.frequency_hz")
    # An LR24 high-pass at 90 Hz is 10 dB down where (f/fc)^4/(1 + (f/fc)^4) = 10^(−1/2), 74 Hz.
    edge_hz = 90.0 * (10.0**0.5 - 1.0) ** -0.25
    assert f"begins at 200 Hz, {math.log2(200.0 / edge_hz):.1f} octaves too high" in found.message
    told_hz = float(found.message.split("plays ")[1].split(" Hz")[0])
    assert told_hz == pytest.approx(edge_hz, rel=0.015)
    narrow = capture("Top left", "Desk", trace=trace(20.0, 8000.0))
    assert "ends at 8 kHz" in the(measured_rig(narrow), "trace-too-short").message
    assert of(sound_rig(), "trace-too-short") == []


def test_box_trace_too_short() -> None:
    own = replace(SUB, response=OwnResponse(trace=trace(60.0, 300.0)))
    boxes = (own, sound_rig().loudspeakers[1])
    found = the(measured_rig(loudspeakers=boxes), "trace-too-short")
    assert found.where == "loudspeakers[0].response.trace.frequency_hz"
    assert "“Deep” begins at 60 Hz" in found.message
    long = replace(SUB, response=OwnResponse(trace=trace(20.0, 300.0)))
    assert of(measured_rig(loudspeakers=(long, boxes[1])), "trace-too-short") == []


def test_captured_unknown() -> None:
    found = the(measured_rig(capture("Sub", "Desk", captured="unknown")), "captured-unknown")
    assert (found.severity, found.where) == ("warning", "measurements[0].captured")
    assert "“Sub” at “Desk”" in found.message
    assert of(sound_rig(), "captured-unknown") == []


def test_capture_unusable() -> None:
    then = CapturedSettings(output=out("Sub", muted=True), inputs=(Input(name="Main"),))
    broken = capture("Sub", "Desk", captured="settings", captured_settings=then)
    found = the(measured_rig(broken), "capture-unusable")
    assert found.severity == "error"
    assert found.where.startswith("measurements[0]")
    assert "“Sub”" in found.message
    usable = replace(then, output=out("Sub"))
    fine = replace(broken, captured_settings=usable)
    assert of(measured_rig(fine), "capture-unusable") == []


def test_sessions() -> None:
    none = trace(session=None)
    alone = the(measured_rig(capture("Sub", "Desk", trace=none)), "session-unknown")
    assert (alone.severity, alone.where) == ("note", "measurements[0].trace.session")
    both = measured_rig(capture("Sub", "Desk", trace=none), capture("Top left", "Desk"))
    assert the(both, "session-unknown").severity == "warning"
    other = trace(session="morning")
    differ = measured_rig(capture("Sub", "Desk"), capture("Top left", "Desk", trace=other))
    found = the(differ, "sessions-differ")
    assert (found.severity, found.where) == ("warning", "measurements[1].trace.session")
    assert "“evening”" in found.message
    assert "“morning”" in found.message
    magnitude_only = trace(session=None, phase_deg=None)
    quiet = measured_rig(capture("Sub", "Desk", trace=magnitude_only))
    assert of(quiet, "session-unknown") == of(sound_rig(), "sessions-differ") == []


def test_stale_capture() -> None:
    """r·(1/c − 1/c′) with c = 343.2·√(T/293.15 K), ISO 9613-1."""
    old = capture("Sub", "Desk", captured_air=Air(temperature_c=30.0))
    found = the(measured_rig(old), "capture-stale")
    assert (found.severity, found.where) == ("note", "measurements[0]")
    r_m = math.dist((0.0, 0.0, 0.3), (0.0, 20.0, 1.2))
    shift_ms = 1000.0 * r_m / 343.2 * (1.0 - math.sqrt(293.15 / 303.15))
    assert "30.0 °C to 20.0 °C" in found.message
    assert f"re-timed by +{shift_ms:.2f} ms" in found.message
    moved = capture(
        "Sub",
        "Desk",
        captured_positions_m=CapturedPositions(
            sources={"S": (0.0, 0.5, 0.3)}, listener=(0.0, 20.0, 1.2)
        ),
    )
    assert "“S” moved by 0.50 m" in the(measured_rig(moved), "capture-stale").message
    # one a session, however many captures it has, and their places are kept
    others = [
        capture("Top left", "Desk", captured_air=Air(temperature_c=30.0)),
        capture("Top right", "Desk", captured_air=Air(temperature_c=30.0)),
    ]
    both = measured_rig(moved, *others)
    found = the(both, "capture-stale")
    assert (found.where, found.also) == ("measurements[0]", ("measurements[1]", "measurements[2]"))
    assert "since the 3 captures of session “evening”" in found.message
    assert "“S” moved by 0.50 m (1 of them)" in found.message
    assert "the air went from 30.0 °C to 20.0 °C (2 of them)" in found.message
    second = trace(session="morning")
    morning = replace(others[1], trace=second)
    assert len(of(measured_rig(others[0], morning), "capture-stale")) == 2
    near = replace(old, captured_air=Air(temperature_c=24.9))
    assert of(measured_rig(near), "capture-stale") == []


# Coverage


def test_outside_coverage() -> None:
    seat = Listener(name="Bar", position_m=(30.0, 5.0, 1.2))
    preset = replace(sound_rig(), listeners=(SEAT, seat), measurements=())
    found = the(preset, "outside-coverage")
    assert (found.severity, found.where) == ("warning", "listeners[1]")
    # The right top sees the bar at atan2(26, 5) = 79.1°, 45° are covered; the left one further in?
    angles = [math.degrees(math.atan2(30.0 - x, 5.0)) - 45.0 for x in (-4.0, 4.0)]
    assert f"{min(angles):.1f}° to the side of its 90° × 50°" in found.message
    assert "“Bar”" in found.message
    turned = replace(preset.sources[2], aim_deg=Aim(azimuth=70.0))
    covered = replace(preset, sources=(*preset.sources[:2], turned))
    assert of(covered, "outside-coverage") == []


def test_a_quiet_box_does_not_cover_a_seat() -> None:
    """Of two outputs the one 20 dB down and aimed at the seat does not serve it."""
    preset = rig(
        out("House", high_pass=lr(24, 90.0)),
        out("Balcony", high_pass=lr(24, 90.0), gain_db=-20.0),
        loudspeakers=(replace(TOP, coverage_deg=(60.0, 40.0)),),
        sources=(
            at("H", "House", "Wide", 0.0, 0.0, 3.0, aim_deg=Aim(azimuth=90.0)),
            at("B", "Balcony", "Wide", 0.0, 0.0, 3.2),
        ),
        listeners=(SEAT,),
    )
    found = the(preset, "outside-coverage")
    assert found.severity == "note"
    assert "within the coverage of “B”, yet “H”" in found.message
    assert "aim a box at it" not in found.message
    louder = replace(preset, outputs=(preset.outputs[0], replace(preset.outputs[1], gain_db=-5.0)))
    assert of(louder, "outside-coverage") == []


def test_a_box_of_unknown_coverage_may_serve_a_seat() -> None:
    """The nearest, loudest box states no coverage: it may well be aimed at the seat."""
    stated, unstated = replace(TOP, coverage_deg=(60.0, 40.0)), replace(TOP, name="Column")
    preset = rig(
        out("House", high_pass=lr(24, 90.0)),
        out("Terrace", high_pass=lr(24, 90.0)),
        loudspeakers=(stated, unstated),
        sources=(
            at("H", "House", "Wide", 0.0, 0.0, 3.0, aim_deg=Aim(azimuth=90.0)),
            at("T", "Terrace", "Column", 0.0, 2.0, 2.5),
        ),
        listeners=(SEAT,),
    )
    assert of(preset, "outside-coverage") == []
    muted = replace(preset, outputs=(preset.outputs[0], replace(preset.outputs[1], muted=True)))
    assert "“H”" in the(muted, "outside-coverage").message


# The whole


def test_worst_first_then_file_order_and_deterministic() -> None:
    preset = rig(
        out("Top", inputs={}, muted=True),
        out("Mid", high_pass=lr(24, 2000.0), low_pass=lr(24, 200.0), delay_ms=700.0),
        inputs=(Input(name="Main", delay_ms=800.0),),
    )
    findings = advise(preset)
    assert [(one.severity, one.where) for one in findings] == [
        ("error", "outputs[1].high_pass.frequency_hz"),
        ("warning", "inputs[0].delay_ms"),
        ("warning", "outputs[0].inputs"),
        ("warning", "outputs[1].delay_ms"),
        ("note", "outputs[0].muted"),
    ]
    assert findings == advise(preset)
    assert [label(preset, one.where) for one in findings[1:3]] == ["Main, delay", "Top, route"]


def test_every_code_has_its_test() -> None:
    """Each code in the rules is kebab-case and is asserted on in these files."""
    folder = Path(advice.__file__).parent
    source = "".join(path.read_text(encoding="utf-8") for path in folder.glob("*.py"))
    codes = set(re.findall(r'Finding\(\s*"([^"]+)"', source)) | {
        "crossover-gap",
        "crossover-overlap",
    }
    files = Path(__file__).parent.glob("test_advice*.py")
    here = "".join(path.read_text(encoding="utf-8") for path in files)
    assert len(codes) >= len(RULES)
    for code in codes:
        assert re.fullmatch(r"[a-z]+(-[a-z]+)*", code)
        assert f'"{code}"' in here, code


def test_low_sample_rates_and_edge_filters() -> None:
    """8 kHz, filters at 1 Hz and just below 0.49 of the rate: advice, never an exception."""
    preset = replace(
        sound_rig(),
        sample_rate_hz=8000.0,
        outputs=(
            out("Sub", high_pass=lr(24, 1.0), low_pass=lr(24, 3900.0)),
            out("Top left", high_pass=lr(48, 3900.0), inputs={"Main": -120.0}),
            out("Top right", eq=(EqSection(kind="notch", frequency_hz=1000.0, q=10.0),)),
        ),
    )
    assert advise(preset)


@given(presets())
@settings(max_examples=100, deadline=None)
def test_any_legal_preset_gets_advice(preset: Preset) -> None:
    """Never an exception, places that exist, sentences without a NaN, worst first."""
    findings = advise(preset)
    ranks = [SEVERITIES.index(one.severity) for one in findings]
    assert ranks == sorted(ranks)
    for one in findings:
        assert label(preset, one.where)
        assert one.message
        assert "nan" not in re.sub("“.*?”", "", one.message)


def test_everything_gets_advice() -> None:
    assert advise(everything())


def test_import_leaves_scipy_unloaded() -> None:
    code = "import sys, xover.design.advice; sys.exit('scipy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
