"""Two channels of a programme: known filters come back, delays are put back, faults are said."""

from __future__ import annotations

import itertools
import tracemalloc

import numpy as np
import pytest
from scipy import signal

from xover.dsp.channel_delay import repeats_after
from xover.dsp.coherence import bands, with_coherence_said
from xover.dsp.cross_spectra import CrossSpectra
from xover.dsp.two_channels import Channels, captured_from_two_channels, window_lengths
from xover.model.problems import Refused

RATE_HZ = 48_000
FILTER = signal.butter(2, (80, 6000), "band", fs=RATE_HZ, output="sos")


def pink(count: int, seed: int = 4) -> np.ndarray:
    """Noise whose power falls with 1/f, rms 0.1."""
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(count))
    spectrum[1:] /= np.sqrt(np.arange(1, spectrum.size))
    spectrum[0] = 0.0
    x = np.fft.irfft(spectrum, count)
    return 0.1 * x / x.std()


def late(x: np.ndarray, samples: int) -> np.ndarray:
    return np.concatenate([np.zeros(samples), x])[: x.size]


def captured(pair, *, block=100_000, channels=None, progress=None, rate_hz=RATE_HZ):
    def programme():
        for start in range(0, pair.shape[1], block):
            yield pair[:, start : start + block]

    return captured_from_two_channels(
        programme,
        sample_rate_hz=rate_hz,
        frames=pair.shape[1],
        channels=channels or Channels(1, 2),
        progress=progress,
    )


@pytest.fixture(scope="module")
def room():
    """20 s of pink noise and the same filtered, 480 samples later, with noise 40 dB below it."""
    x = pink(20 * RATE_HZ)
    y = 0.5 * late(signal.sosfilt(FILTER, x), 480)
    y += 0.01 * y.std() * np.random.default_rng(9).standard_normal(x.size)
    return np.stack([x, y])


@pytest.fixture(scope="module")
def response(room):
    return captured(room)


def test_a_known_filter_and_its_delay_come_back(response):
    """Reference: `scipy.signal.freqz_sos` times the delay that was put in."""
    _, exact = signal.freqz_sos(FILTER, response.frequency_hz, fs=RATE_HZ)
    exact = 0.5 * exact * np.exp(-2j * np.pi * response.frequency_hz * 480 / RATE_HZ)
    ratio = response.response() / exact
    sound = (response.frequency_hz > 60) & (response.frequency_hz < 12_000)
    assert np.abs(20 * np.log10(np.abs(ratio[sound]))).max() < 0.2
    assert np.abs(np.angle(ratio[sound], deg=True)).max() < 1.5
    assert np.median(np.abs(20 * np.log10(np.abs(ratio[sound])))) < 0.02
    assert response.coherence[sound].min() > 0.9
    assert response.delay_ms == pytest.approx(10.0, abs=0.2)
    assert response.level == "relative"


def test_the_grid_is_logarithmic_and_sparse_enough_to_be_kept(response):
    step = np.diff(np.log2(response.frequency_hz))
    np.testing.assert_allclose(step, 1 / 96, rtol=1e-6)
    assert response.frequency_hz[0] == pytest.approx(10.0, rel=0.01)
    assert 0.48 * RATE_HZ < response.frequency_hz[-1] < 0.49 * RATE_HZ


def test_blocks_of_any_size_give_the_same(room, response):
    again = captured(room, block=12_345)
    np.testing.assert_allclose(again.response(), response.response(), rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(again.coherence, response.coherence, rtol=1e-9)


def test_what_was_done_is_said(response):
    said = " ".join(response.understood)
    assert "channel 2 measured against channel 1 over 20.0 s" in said
    assert "was taken out for the analysis and put back" in said
    assert "below 80.57 Hz, halved at every octave up to 43 ms (936) from 1.289 kHz on" in said
    assert "by chance" in said


def test_a_plain_delay_is_flat_through_every_hand_over():
    x = pink(10 * RATE_HZ)
    flat = captured(np.stack([x, -0.25 * late(x, 2000)]))
    assert flat.delay_ms == pytest.approx(2000 / 48, abs=0.05 / 48)
    inside = flat.frequency_hz > 20
    np.testing.assert_allclose(flat.without_delay[inside], -0.25, atol=1e-3)
    assert flat.coherence[inside].min() > 0.9999


def test_a_delay_of_a_second_is_found():
    x = pink(40 * RATE_HZ)
    assert captured(np.stack([x, late(x, RATE_HZ)])).delay_ms == pytest.approx(1000.0, abs=1e-3)


@pytest.mark.parametrize("rate_hz", [8000, 44_100, 96_000, 192_000])
def test_windows_last_alike_at_every_rate(rate_hz):
    lengths = window_lengths(60 * rate_hz, rate_hz)
    assert len(lengths) == 7
    assert all(long == 2 * short for long, short in itertools.pairwise(lengths))
    assert 0.03 < lengths[-1] / rate_hz < 0.06


def test_low_rates_have_fewer_windows():
    """A recording at 1 kHz; windows that would serve beyond half the rate are not made."""
    assert window_lengths(60_000, 1000) == (2048, 1024, 512, 256, 128)
    x = pink(20_000)
    low = captured(np.stack([x, late(x, 25)]), rate_hz=1000)
    assert low.delay_ms == pytest.approx(25.0, abs=0.05)
    assert 480.0 < low.frequency_hz[-1] < 490.0
    np.testing.assert_allclose(low.without_delay, 1.0, atol=5e-3)


def test_exchanged_channels_are_refused_unless_both_are_named(room):
    swapped = room[::-1]
    with pytest.raises(Refused, match=r"channel 1, comes 10\.0\d+ ms before the reference, channel "
                       r"2, so the two look exchanged: take --reference 1, or"):  # fmt: skip
        captured(swapped, channels=Channels(2, 1))
    named = captured(swapped, channels=Channels(2, 1, both_named=True))
    assert named.delay_ms == pytest.approx(-10.0, abs=0.2)
    assert any("taken as they were named" in one for one in named.understood)


@pytest.mark.parametrize("row", [0, 1])
def test_a_silent_channel_is_refused(row):
    pair = np.stack([pink(3 * RATE_HZ)] * 2)
    pair[row] = 0.0
    what = ("reference, channel 1", "measurement, channel 2")[row]
    with pytest.raises(Refused, match=f"the {what}, is silent"):
        captured(pair)


def test_what_has_nothing_in_common_is_refused():
    pair = np.stack([pink(6 * RATE_HZ, 1), pink(6 * RATE_HZ, 2)])
    with pytest.raises(Refused, match=r"have nothing in common that could be found within ±\d+"):
        captured(pair)


@pytest.mark.parametrize("seconds", [0.01, 1.0])
def test_what_is_too_short_is_refused(seconds):
    x = pink(int(seconds * RATE_HZ))
    with pytest.raises(Refused, match=r"too short: at least 1\.5 s are needed"):
        captured(np.stack([x, x]))


def test_a_programme_that_repeats_itself_is_told():
    """A loop of 461 ms fits as well that much later; a tone does after any of its periods."""
    loop = np.tile(pink(3692), 70)
    told = captured(np.stack([loop, late(loop, 800)]), rate_hz=8000)
    assert told.delay_ms == pytest.approx(100.0, abs=0.01)
    assert any("repeats itself after 461.50 ms" in one for one in told.understood)
    with pytest.raises(Refused, match="repeats itself, as a tone or a loop does"):
        captured(np.stack([late(loop, 800), loop]), rate_hz=8000)
    tone = 0.3 * np.sin(2 * np.pi * 1000.0 * np.arange(6 * RATE_HZ) / RATE_HZ)
    spectra = CrossSpectra(1 << 15)
    spectra.add(np.stack([tone, tone]))
    assert repeats_after(spectra, sample_rate_hz=RATE_HZ) is not None


def test_one_signal_on_both_channels_is_said():
    x = pink(2 * RATE_HZ)
    assert "is the reference recorded twice?" in captured(np.stack([x, x])).understood[-1]


def test_where_the_programme_is_silent_nothing_is_said_of_the_response():
    """A programme without anything above 5 kHz, to the last digit."""
    x = pink(4 * RATE_HZ)
    spectrum = np.fft.rfft(x)
    spectrum[np.fft.rfftfreq(x.size, 1 / RATE_HZ) > 5000] = 0.0
    x = np.fft.irfft(spectrum, x.size)
    some = captured(np.stack([x, late(x, 48)]))
    # The flanks of a Hann window fall by 18 dB an octave of bins; 140 dB take 60 bins.
    assert 4900 < some.frequency_hz[-1] < 7000
    assert any("where the reference holds no signal are left out" in s for s in some.understood)


def test_low_coherence_is_said_with_its_bands(response):
    rng = np.random.default_rng(8)
    x = pink(6 * RATE_HZ)
    hum = signal.sosfilt(signal.butter(4, (900, 1100), "band", fs=RATE_HZ, output="sos"),
                         rng.standard_normal(x.size))  # fmt: skip
    noisy = with_coherence_said(captured(np.stack([x, late(x, 48) + 0.5 * hum])))
    assert "the coherence is below 0.5 at" in noisy.understood[-1]
    band = noisy.frequency_hz[noisy.coherence < 0.5]
    assert 800 < band.min() < 950
    assert 1050 < band.max() < 1250
    sound = response.at(response.coherence > 0.9)
    assert "or more throughout" in with_coherence_said(sound).understood[-1]


def test_bands_are_told_widest_first_cut_to_four():
    frequency_hz = 20.0 * 2.0 ** (np.arange(600) / 60)
    inside = np.zeros(600, bool)
    for start in (0, 100, 200, 300, 400, 500):
        inside[start : start + 20 + start // 10] = True
    inside[210] = False
    assert bands(frequency_hz, inside).endswith(" and 2 more")
    assert bands(frequency_hz, inside).count(" to ") == 4
    one = np.zeros(600, bool)
    one[60] = True
    assert bands(frequency_hz, one) == "40 Hz"


def test_progress_rises_to_one_and_what_it_raises_ends_the_work(room):
    told: list[float] = []
    captured(room[:, : 5 * RATE_HZ], block=20_000, progress=told.append)
    assert told == sorted(told)
    assert told[-1] == 1.0

    def stop(part: float) -> None:
        if part > 0.5:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        captured(room[:, : 5 * RATE_HZ], progress=stop)


def test_memory_does_not_grow_with_the_length():
    """Of 24 s and of 72 s (55 MB as floating point) the same few windows are held."""

    def peak(seconds: int) -> int:
        rate_hz = 8000

        def programme():
            rng = np.random.default_rng(1)
            for _ in range(seconds):
                x = rng.standard_normal(rate_hz)
                yield np.stack([x, 0.5 * x])

        tracemalloc.start()
        captured_from_two_channels(
            programme,
            sample_rate_hz=rate_hz,
            frames=seconds * rate_hz,
            channels=Channels(1, 2),
        )
        held = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return held

    peak(40)
    assert peak(160) < 1.15 * peak(40)
