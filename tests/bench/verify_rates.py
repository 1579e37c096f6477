"""How often slips are named: hundreds of random cases, counted. Run as a script, minutes long.

    python -m tests.bench.verify_rates [one|none|two] [CASES]

Goals: of single slips the true place first in 99 %, among three in 99.5 %; at most one false
alarm in 400 correct entries; both of two slips in 90 % (4 bands) and 85 % (6 to 10 bands); one
slip reported as two in at most 1 %; under 1 s and 2 s.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from tests.design.verifying_cases import (
    PROFILES,
    VISIBLE_DB,
    capture,
    meant_output,
    stories,
    visible_db,
    with_slip,
)
from xover.design.verifying.points import condense
from xover.design.verifying.verification import Verified, verify_output
from xover.model.preset import Preset
from xover.model.processing import Output

PROFILE = "jetty-4x8"


def judge(preset: Preset, device: Output, rng: np.random.Generator) -> tuple[Verified, float]:
    captured = capture(device, rng, rate_hz=preset.sample_rate_hz, bins=32_768)
    begun = time.perf_counter()
    points = condense(captured, top_hz=0.45 * preset.sample_rate_hz, name="capture")
    found = verify_output(
        preset, "Way", points, driven="In", loop_known=True, profile=PROFILES[PROFILE]
    )
    return found, time.perf_counter() - begun


def one(cases: int) -> None:
    first = third = doubled = 0
    seconds = []
    for seed in range(cases):
        rng = np.random.default_rng(seed)
        preset = meant_output(rng, 3, 8, PROFILE)
        parts, slips = stories(preset, PROFILE)
        meant = preset.outputs[0]
        while True:
            slip = slips[rng.integers(len(slips))]
            wrong = with_slip(meant, parts, slip)
            if visible_db(wrong, meant, preset.sample_rate_hz) > VISIBLE_DB:
                break
        truth = {each.where for each in slip.slips}
        found, took = judge(preset, wrong, rng)
        ranks = [{each.where for each in one.slips} for one in found.explanations]
        first += ranks[:1] == [truth]
        third += truth in ranks[:3]
        doubled += bool(ranks) and len(ranks[0]) > len(truth)
        seconds.append(took)
    _say("one slip", cases, f"first {first}, among three {third}, as two {doubled}", seconds)


def none(cases: int) -> None:
    alarms, seconds = 0, []
    for seed in range(cases):
        rng = np.random.default_rng(50_000 + seed)
        preset = meant_output(rng, 3, 8, PROFILE)
        found, took = judge(preset, preset.outputs[0], rng)
        alarms += not found.matches
        seconds.append(took)
    _say("no slip", cases, f"false alarms {alarms}", seconds)


def two(cases: int) -> None:
    for least, most in ((4, 4), (6, 8)):
        both, seconds = 0, []
        for seed in range(cases):
            rng = np.random.default_rng(90_000 + seed)
            preset = meant_output(rng, least, most, PROFILE)
            parts, slips = stories(preset, PROFILE)
            meant, rate_hz = preset.outputs[0], preset.sample_rate_hz
            while True:
                a, b = (slips[rng.integers(len(slips))] for _ in range(2))
                if set(a.parts) & set(b.parts):
                    continue
                only_a, only_b = with_slip(meant, parts, a), with_slip(meant, parts, b)
                wrong = with_slip(only_a, parts, b)
                apart = [visible_db(wrong, each, rate_hz) for each in (only_a, only_b, meant)]
                if min(apart) > 2.0 * VISIBLE_DB:
                    break
            truth = {each.where for slip in (a, b) for each in slip.slips}
            found, took = judge(preset, wrong, rng)
            ranks = [{each.where for each in one.slips} for one in found.explanations]
            both += ranks[:1] == [truth]
            seconds.append(took)
        _say(f"two slips, {least} to {most} bands", cases, f"both first {both}", seconds)


def _say(what: str, cases: int, counts: str, seconds: list[float]) -> None:
    median, most = 1e3 * np.median(seconds), 1e3 * max(seconds)
    print(f"{what}: {cases} cases, {counts}; {median:.0f} ms, at most {most:.0f} ms", flush=True)


if __name__ == "__main__":
    kinds = {"one": one, "none": none, "two": two}
    wanted = sys.argv[1:2] or list(kinds)
    for kind in wanted:
        kinds[kind](int(sys.argv[2]) if len(sys.argv) > 2 else 400)
