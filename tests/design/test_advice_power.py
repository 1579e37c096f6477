"""Advice about amplifiers, lines and thresholds: each rule on its fault, quiet without it.

Figures by pocket calculator: V = √(P·Z), dBu re 0.7746 V (ITU-R BS.645-2), gain 32 dB.
"""

from __future__ import annotations

from typing import Any

import pytest
from msgspec.structs import replace

from tests.design.rack import amplifier, box, line_box, line_rack, output, rack, source
from xover.design.advice import advise
from xover.design.limits import apply_limits, limits
from xover.model.preset import Preset
from xover.model.problems import Finding
from xover.model.processing import Crossover, EqSection, Group, Limit, Limiter, Output
from xover.model.rig import DriverSection, Power


def limiter(rms_dbu: float | None = None, peak_dbu: float | None = None) -> Limiter:
    return Limiter(
        rms=None
        if rms_dbu is None
        else Limit(threshold_dbu=rms_dbu, attack_ms=50.0, release_ms=200.0),
        peak=None
        if peak_dbu is None
        else Limit(threshold_dbu=peak_dbu, attack_ms=0.5, release_ms=50.0),
    )


def limited(rms_dbu: float | None, peak_dbu: float | None, **fields: Any) -> Output:
    return output(limiter=limiter(rms_dbu, peak_dbu), **fields)


def codes(preset: Preset) -> set[str]:
    return {one.code for one in advise(preset)}


def the(preset: Preset, code: str) -> Finding:
    found = [one for one in advise(preset) if one.code == code]
    assert len(found) == 1, codes(preset)
    return found[0]


@pytest.mark.parametrize("preset", [rack(), line_rack()], ids=["low impedance", "line"])
def test_computed_limits_leave_nothing_to_say(preset: Preset) -> None:
    applied = apply_limits(preset, limits(preset, new_times=True))
    assert codes(applied) == set()


def test_loads_and_lines() -> None:
    wide = amplifier(power_w={"8": 1000.0, "2": 2000.0})
    found = the(rack(amplifiers=(wide,), sources=(source(quantity=3),)), "load-below-minimum")
    assert "2.67 ohm" in found.message
    assert found.where == "amplifier_channels[0]"
    assert found.caution
    assert "load-not-rated" in codes(rack(sources=(source(quantity=4),)))

    taken = the(
        line_rack(source(loudspeaker="Ceiling", tap_w=10.0, quantity=20)), "taps-over-reserve"
    )
    assert taken.severity == "warning"
    assert "192 W at most" in taken.message
    over = line_rack(source(loudspeaker="Ceiling", tap_w=10.0, quantity=30))
    assert the(over, "taps-over-reserve").severity == "error"

    odd = the(line_rack(source(loudspeaker="Ceiling", tap_w=7.0)), "tap-unknown")
    assert odd.where == "sources[0].tap_w"
    straight = line_rack(source(), loudspeakers=(box(), line_box()))
    found = the(straight, "line-mismatch")
    assert found.severity == "error"
    assert "voice-alarm" in found.caution
    shared = line_rack(
        source(loudspeaker="Ceiling", tap_w=10.0, quantity=3),
        loudspeakers=(line_box(boxes_per_transformer=2),),
    )
    assert "transformer-not-filled" in codes(shared)


def test_a_line_without_a_high_pass() -> None:
    def with_(**fields: Any) -> Preset:
        return line_rack(outputs=(limited(0.0, 0.0, **fields),))

    def filter_(hz: float, slope: int = 12) -> Crossover:
        return Crossover(family="butterworth", slope_db_per_octave=slope, frequency_hz=hz)

    found = the(with_(high_pass=None), "line-no-high-pass")
    assert found.where == "outputs[0].high_pass"
    assert "voltage over frequency" in found.message
    assert "only 12 dB per octave at 30 Hz" in (
        the(with_(high_pass=filter_(30.0)), "line-no-high-pass").message
    )
    assert "line-no-high-pass" in codes(with_(high_pass=filter_(80.0, 6)))
    own = EqSection(kind="high_pass", frequency_hz=80.0, q=0.7071)
    assert "line-no-high-pass" not in codes(with_(high_pass=None, eq=(own,)))
    assert "line-no-high-pass" not in codes(with_(high_pass=filter_(80.0)))
    assert "line-no-high-pass" not in codes(rack(outputs=(output(high_pass=None),)))


def test_a_source_without_a_channel() -> None:
    found = the(rack(sources=(source(), source("T", amplifier_channel=None))),
                "source-without-channel")  # fmt: skip
    assert found.where == "sources[1].amplifier_channel"
    bare = rack(amplifier_channels=(), sources=(source(amplifier_channel=None),))
    assert "source-without-channel" not in codes(bare)


def test_thresholds_above_what_is_borne() -> None:
    """400 W are 56.57 V, 5.270 dBu; 8.27 dBu are 3 dB more, 79.9 V."""
    found = the(rack(outputs=(limited(8.27, 8.0),)), "threshold-above-box")
    assert found.where == "outputs[0].limiter.rms.threshold_dbu"
    assert "3.0 dB too much" in found.message
    assert "79.91 V" in found.message
    assert "twice the power" in found.caution
    assert "threshold-above-box" not in codes(rack(outputs=(limited(5.27, 8.28),)))
    peak = the(rack(outputs=(limited(5.0, 9.2),)), "threshold-above-box")
    assert "rms of the sine with that peak" in peak.message


def test_one_limiter_for_all_drivers() -> None:
    """The tweeter ends at 50 W, 20 V, −3.761 dBu: 5 dBu guards the woofer alone."""
    two_way = box(
        sections=(
            DriverSection(band_hz=(60.0, 2000.0), power_w=400.0, impedance_ohm=8.0),
            DriverSection(band_hz=(2000.0, 18_000.0), power_w=50.0, impedance_ohm=8.0),
        )
    )
    found = the(rack(loudspeakers=(two_way,), outputs=(limited(5.0, -1.0),)), "full-band-limiter")
    assert "8.8 dB too much" in found.message
    held = rack(loudspeakers=(two_way,), outputs=(limited(-3.8, -0.8),))
    assert codes(held) == set()


def test_thresholds_that_the_amplifier_never_reaches() -> None:
    """1000 W into 8 ohm are 89.44 V, 9.249 dBu; a box of 900 W then hears it clip."""
    strong = box(power_w=Power(continuous=900.0, basis="aes"))
    found = the(rack(loudspeakers=(strong,), outputs=(limited(8.0, 11.0),)), "threshold-above-clip")
    assert found.where == "outputs[0].limiter.peak.threshold_dbu"
    assert "1.8 dB too late" in found.message
    line = line_rack(outputs=(limited(0.0, 3.0),))
    assert "carries 100.00 V" in the(line, "threshold-above-clip").message


def test_amplifiers_stronger_than_their_boxes() -> None:
    bare = rack(outputs=(output(),))
    found = the(bare, "amplifier-over-box")
    assert "1000 W to a box" in found.message
    assert "400 W" in found.message
    strong = box(power_w=Power(continuous=1500.0, basis="aes"))
    clipped = the(rack(outputs=(output(),), loudspeakers=(strong,)), "clip-into-box")
    assert "up to 2000 W" in clipped.message
    assert "amplifier-over-box" not in codes(rack(outputs=(output(),), loudspeakers=(strong,)))
    held = rack(outputs=(limited(9.0, 9.2),), loudspeakers=(strong,))
    assert "clip-into-box" not in codes(held)
    ample = box(power_w=Power(continuous=2000.0, basis="aes"))
    assert "clip-into-box" not in codes(rack(outputs=(output(),), loudspeakers=(ample,)))


def test_peak_below_rms_and_short_times() -> None:
    assert "peak-below-rms" in codes(rack(outputs=(limited(5.0, 4.9),)))
    assert "peak-below-rms" not in codes(rack(outputs=(limited(5.0, 5.0),)))

    def timed(side: str, attack_ms: float, release_ms: float) -> set[str]:
        limit = Limit(threshold_dbu=5.0, attack_ms=attack_ms, release_ms=release_ms)
        both = replace(limiter(5.0, 5.0), **{side: limit})
        return codes(rack(outputs=(output(limiter=both),)))

    # A period of 100 Hz is 10 ms; a fast attack does no harm where the gain then stays.
    assert "attack-below-period" in timed("rms", 9.0, 200.0)
    assert "attack-below-period" not in timed("rms", 10.0, 200.0)
    assert "attack-below-period" in timed("peak", 1.0, 30.0)
    assert "attack-below-period" not in timed("peak", 1.0, 40.0)


def test_limiters_that_contradict_each_other() -> None:
    one, two = limited(5.0, 5.0, name="Top L"), limited(4.0, 5.0, name="Top R")
    found = the(rack(outputs=(one, two), sources=(), amplifier_channels=()), "pair-limiter-differs")
    assert found.where == "outputs[1].limiter.rms"
    assert "“Top L” +5.0 dBu, “Top R” +4.0 dBu" in found.message
    three = (limited(5.0, 5.0, name="In"), limited(5.0, None, name="Out"))
    group = Group(name="All", outputs=("In", "Out"), follow=("limiter",))
    preset = rack(outputs=three, groups=(group,), sources=(), amplifier_channels=())
    assert "“Out” none" in the(preset, "group-limiter-differs").message
    apart = replace(preset, groups=(replace(group, follow=("delay",)),))
    assert "group-limiter-differs" not in codes(apart)


def test_high_boosts() -> None:
    def with_(gain_db: float, **fields: Any) -> set[str]:
        shelf = EqSection(kind="high_shelf", frequency_hz=9000.0, gain_db=gain_db, q=0.7071)
        return codes(rack(outputs=(limited(5.0, 5.0, eq=(shelf,), **fields),)))

    assert "high-boost" in with_(4.0)
    assert "high-boost" not in with_(3.0)
    low_pass = Crossover(family="linkwitz-riley", slope_db_per_octave=24, frequency_hz=1500.0)
    assert "high-boost" not in with_(4.0, low_pass=low_pass)
