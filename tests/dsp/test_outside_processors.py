"""The same filters run by others: ffmpeg (as the wheel brings it) and pyfar.

ffmpeg filters an impulse in double precision (r=f64, precision=double, pcm_f64le); its
`equalizer`, `lowshelf`, `highshelf`, `allpass` and `acrossover` share our definitions. pyfar's
notch and default shelves do not, and are left out; its type III bell takes the bandwidth form.
"""

from __future__ import annotations

import math
import subprocess
from functools import cache

import imageio_ffmpeg
import numpy as np
import pyfar as pf
import pytest

from tests.dsp.running import digital_coefficients
from xover.dsp.axis import Axis
from xover.dsp.biquad import section_of, section_response
from xover.dsp.crossover import HIGH_PASS, LOW_PASS
from xover.dsp.response import crossover_response
from xover.model.processing import Crossover, EqSection

FS = 48_000
N = 1 << 16
F = np.arange(1, N // 2) * (FS / N)
AXIS = Axis(F[(F >= 20.0) & (F <= 20_000.0)], float(FS))
BINS = np.rint(AXIS.frequency_hz * N / FS).astype(int)


def ffmpeg(chain: str, outputs: int = 1) -> list[np.ndarray]:
    """The spectrum on `AXIS` of what ffmpeg makes of an impulse, one for each output."""
    impulse = np.zeros(N)
    impulse[0] = 0.25
    raw = ["-f", "f64le", "-ar", str(FS), "-ac", "1"]
    graph = chain
    if outputs > 1:
        legs = "".join(f"[o{k}]" for k in range(outputs))
        graph = f"{chain}{legs};{legs}amerge=inputs={outputs}"
    command = [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", *raw, "-i", "pipe:0"]
    command += ["-filter_complex", graph, "-f", "f64le", "-c:a", "pcm_f64le", "pipe:1"]
    done = subprocess.run(command, input=impulse.tobytes(), capture_output=True, check=True)
    samples = np.frombuffer(done.stdout).reshape(-1, outputs)[:N]
    return [np.fft.rfft(samples[:, k], N)[BINS] / 0.25 for k in range(outputs)]


@cache
def _available() -> bool:
    try:
        imageio_ffmpeg.get_ffmpeg_exe()
    except RuntimeError:
        return False
    return True


needs_ffmpeg = pytest.mark.skipif(not _available(), reason="no ffmpeg on this machine")


@needs_ffmpeg
@pytest.mark.parametrize(
    ("chain", "item"),
    [
        ("equalizer=f=1000:t=q:w=2:g=6:r=f64",
         EqSection(kind="peak", frequency_hz=1000.0, gain_db=6.0, q=2.0)),
        ("equalizer=f=9000:t=q:w=0.7:g=-12:r=f64",
         EqSection(kind="peak", frequency_hz=9000.0, gain_db=-12.0, q=0.7)),
        ("lowshelf=f=100:t=q:w=0.7071067811865476:g=6:r=f64",
         EqSection(kind="low_shelf", frequency_hz=100.0, gain_db=6.0, q=math.sqrt(0.5))),
        ("highshelf=f=8000:t=q:w=0.5:g=-4:r=f64",
         EqSection(kind="high_shelf", frequency_hz=8000.0, gain_db=-4.0, q=0.5)),
        ("lowpass=f=300:t=q:w=1.3:r=f64", EqSection(kind="low_pass", frequency_hz=300.0, q=1.3)),
        ("highpass=f=300:t=q:w=1.3:r=f64", EqSection(kind="high_pass", frequency_hz=300.0, q=1.3)),
        ("bandreject=f=1000:t=q:w=10:r=f64", EqSection(kind="notch", frequency_hz=1000.0, q=10.0)),
        ("bandpass=f=1000:t=q:w=3:r=f64", EqSection(kind="band_pass", frequency_hz=1000.0, q=3.0)),
        ("allpass=f=80:t=q:w=0.7071067811865476:o=2:r=f64",
         EqSection(kind="all_pass", frequency_hz=80.0, q=math.sqrt(0.5))),
    ],
    ids=lambda value: value.split("=")[0] if isinstance(value, str) else "",
)  # fmt: skip
def test_sections_against_ffmpeg(chain: str, item: EqSection) -> None:
    """Magnitude and phase over the whole range; 1e-6 of full scale is the wrap of a long tail."""
    (expected,) = ffmpeg(chain)
    got = section_response(section_of(item), AXIS)
    assert np.abs(got - expected).max() < 1e-6


@needs_ffmpeg
@pytest.mark.parametrize(("slope", "order"), [(24, "4th"), (48, "8th")])
def test_linkwitz_riley_against_ffmpeg(slope: int, order: str) -> None:
    low, high = ffmpeg(f"acrossover=split=1000:order={order}:precision=double", outputs=2)
    item = Crossover(family="linkwitz-riley", slope_db_per_octave=slope, frequency_hz=1000.0)
    assert np.abs(crossover_response(item, LOW_PASS, AXIS) - low).max() < 1e-6
    assert np.abs(crossover_response(item, HIGH_PASS, AXIS) - high).max() < 1e-6


def coefficients(item: object) -> np.ndarray:
    """b0, b1, b2, a1, a2 of a pyfar filter object."""
    b, a = np.asarray(item.coefficients[0, :3]).ravel(), None  # type: ignore[attr-defined]
    flat = np.asarray(item.coefficients).reshape(-1)  # type: ignore[attr-defined]
    b, a = flat[:3], flat[3:]
    return np.concatenate([b, a[1:]]) / a[0]


def test_shelf_against_pyfar() -> None:
    """pyfar.dsp.filter.low_shelf, type III, is the Cookbook's with S = 1."""
    shelf = pf.dsp.filter.low_shelf(None, 100, 6, 2, "III", sampling_rate=FS)
    item = EqSection(kind="low_shelf", frequency_hz=100.0, gain_db=6.0, q=math.sqrt(0.5))
    got = digital_coefficients(section_of(item), sample_rate_hz=float(FS))
    assert got == pytest.approx(coefficients(shelf), abs=1e-10)


def test_bell_against_pyfar() -> None:
    """pyfar.dsp.filter.bell, type III with sine warping, is the Cookbook's bandwidth form."""
    bell = pf.dsp.filter.bell(None, 1000, 6, 2, "III", "sin", sampling_rate=FS)
    w0 = 2.0 * math.pi * 1000.0 / FS
    octaves = 2.0 / math.log(2.0) * math.asinh(1.0 / 4.0)
    q = 0.5 / math.sinh(0.5 * math.log(2.0) * octaves * w0 / math.sin(w0))
    item = EqSection(kind="peak", frequency_hz=1000.0, gain_db=6.0, q=q)
    got = digital_coefficients(section_of(item), sample_rate_hz=float(FS))
    assert got == pytest.approx(coefficients(bell), abs=1e-10)


@pytest.mark.parametrize("order", [1, 2, 3, 5, 8])
def test_butterworth_against_pyfar(order: int) -> None:
    """pyfar.dsp.filter.butterworth filtering an impulse."""
    impulse = pf.signals.impulse(N, sampling_rate=FS)
    filtered = pf.dsp.filter.butterworth(impulse, order, 500, "highpass")
    expected = np.fft.rfft(filtered.time.ravel())[BINS]
    item = Crossover(family="butterworth", slope_db_per_octave=6 * order, frequency_hz=500.0)
    assert np.abs(crossover_response(item, HIGH_PASS, AXIS) - expected).max() < 1e-6
