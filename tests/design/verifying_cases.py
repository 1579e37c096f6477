"""A device with slips put in and a capture of it, both without anything of `design.verifying`.

The capture is the device's response at linear bins with white noise, an unknown latency and gain,
and on request an interface of its own; the device is evaluated by `dsp.response`.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from msgspec.structs import replace

from tests.design.adapting_cases import preset_of, random_output
from xover.design.adapting.adaptation import adapt
from xover.design.verifying.parts import Part, parts_of
from xover.design.verifying.slips import Candidate, candidates
from xover.dsp.axis import Axis
from xover.dsp.captured import CapturedResponse
from xover.dsp.response import output_stage
from xover.files.profile_json import load_profile
from xover.model.preset import Preset
from xover.model.processing import Output

PROFILES = {
    name: load_profile(Path(__file__).parents[2] / "presets" / "processors" / f"{name}.json")
    for name in ("jetty-4x8", "old-ferry-2x6")
}
VISIBLE_DB = 0.05
"""A slip that changes the response by less (rms, gain taken out) is no slip anybody could see."""


def meant_output(rng: np.random.Generator, least: int, most: int, profile: str) -> Preset:
    """A preset on the device's own grid, with one output of `least` to `most` bands."""
    while True:
        output = random_output(rng, most)
        if len(output.eq) >= least:
            return adapt(preset_of(output), PROFILES[profile]).preset


def stories(preset: Preset, profile: str) -> tuple[list[Part], list[Candidate]]:
    """The parts of the only output and every slip with a story."""
    output = preset.outputs[0]
    axis = Axis.log(48, sample_rate_hz=preset.sample_rate_hz)
    parts = parts_of(output, "outputs[0]", [], axis)
    names = [part.where for part in parts]
    found = candidates(parts, names, preset.sample_rate_hz, PROFILES[profile])
    return parts, [one for one in found if one.cost == 0.0]


def with_slip(output: Output, parts: list[Part], slip: Candidate) -> Output:
    """The output as the slip leaves it."""
    eq = list(output.eq)
    for at, item in zip(slip.parts, slip.items, strict=True):
        where = parts[at].where
        if where.endswith("high_pass"):
            output = replace(output, high_pass=item)
        elif where.endswith("low_pass"):
            output = replace(output, low_pass=item)
        else:
            k = int(where.rpartition("[")[2].rstrip("]"))
            eq[k] = replace(eq[k], bypassed=True) if item is None else item
    return replace(output, eq=tuple(eq))


def visible_db(one: Output, other: Output, rate_hz: float) -> float:
    """How far two outputs are apart where the first passes, rms in dB, gain taken out."""
    axis = Axis.log(48, sample_rate_hz=rate_hz)
    a, b = np.abs(output_stage(one, axis)), np.abs(output_stage(other, axis))
    level_db = 20.0 * np.log10(a / b)[a > 1e-2 * a.max()]
    return float(np.std(level_db))


def capture(
    output: Output,
    rng: np.random.Generator,
    *,
    rate_hz: float,
    bins: int = 16_384,
    signal_to_noise_db: float = 60.0,
    interface: np.random.Generator | None = None,
) -> CapturedResponse:
    """What an interface would bring back of a device."""
    f = np.arange(1, bins) * rate_hz / (2 * bins)
    response = output_stage(output, Axis(f, rate_hz))
    if interface is not None:
        response = response * interface_response(f, interface)
    noise = np.abs(response).max() * 10.0 ** (-signal_to_noise_db / 20.0) / np.sqrt(2.0)
    random = rng.standard_normal((2, f.size))
    response = (response + noise * (random[0] + 1j * random[1])) * 10.0 ** rng.uniform(-1.0, 0.5)
    impulse = np.fft.irfft(np.concatenate([[0.0], response, [0.0]]))
    peak = int(np.argmax(np.abs(impulse)))
    delay_s = (peak if peak < bins else peak - 2 * bins) / rate_hz
    phase = np.rad2deg(np.angle(response * np.exp(2j * np.pi * f * delay_s)))
    level_db = 20.0 * np.log10(np.abs(response))
    latency_ms = rng.uniform(1.0, 5.0)
    return CapturedResponse(f, level_db, phase, None, 1e3 * delay_s + latency_ms)


def interface_response(f: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Two coupling capacitors, a gentle roll-off above the band, and a ripple of 0.03 dB."""
    coupling = 1.0 / (1.0 + rng.uniform(1.0, 6.0) / (1j * f))
    top = f / rng.uniform(21e3, 40e3)
    roll_off = 1.0 / (1.0 + 0.3j * top - 0.1 * top**2)
    ripple = 10.0 ** (0.03 * np.sin(2.0 * np.log(f) + rng.uniform(0.0, 6.0)) / 20.0)
    return coupling**2 * roll_off * ripple
