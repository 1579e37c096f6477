"""Audio files: every width read as an outside program wrote it; hostile files refused in words."""

from __future__ import annotations

import struct
import subprocess
import warnings
from pathlib import Path

import imageio_ffmpeg
import numpy as np
import pytest
import scipy.io
from scipy.io import wavfile

from xover.files.audio import looks_like_audio, read_audio
from xover.model.problems import Refused

SCIPY_FILES = sorted((Path(scipy.io.__file__).parent / "tests" / "data").glob("*.wav"))
"""scipy's own test data: odd widths, RF64, truncated, malformed (BSD-3, shipped in the wheel)."""


def written_by_ffmpeg(path: Path, samples: np.ndarray, codec: str, rate_hz: int = 48_000) -> Path:
    """`samples` (n_channels, n) as an audio file of the codec, through ffmpeg."""
    subprocess.run(
        [
            imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-y", "-f", "f64le",
            "-ar", str(rate_hz), "-ac", str(samples.shape[0]), "-i", "-",
            "-c:a", codec, str(path),
        ],
        input=np.ascontiguousarray(samples.T, dtype="<f8").tobytes(),
        check=True,
    )  # fmt: skip
    return path


RNG = np.random.default_rng(7)
TWO = 0.9 * RNG.uniform(-1, 1, (2, 500))


@pytest.mark.parametrize(
    ("codec", "bits"),
    [
        ("pcm_u8", 8), ("pcm_s16le", 16), ("pcm_s24le", 24), ("pcm_s32le", 32),
        ("pcm_f32le", 24), ("pcm_f64le", 52),
    ],
)  # fmt: skip
@pytest.mark.parametrize("channels", [1, 2])
def test_every_width_as_ffmpeg_writes_it(tmp_path, codec, bits, channels):
    """Reference: ffmpeg. Tolerance: one step of the width (its rounding may be either way)."""
    samples = TWO[:channels]
    audio = read_audio(written_by_ffmpeg(tmp_path / "made.wav", samples, codec))
    assert audio.samples.shape == samples.shape
    assert audio.sample_rate_hz == 48_000.0
    np.testing.assert_allclose(audio.samples, samples, rtol=0, atol=1.01 * 2.0 ** (1 - bits))


@pytest.mark.parametrize(("suffix", "codec"), [("flac", "flac"), ("aiff", "pcm_s24be")])
def test_other_containers(tmp_path, suffix, codec):
    audio = read_audio(written_by_ffmpeg(tmp_path / f"made.{suffix}", TWO, codec))
    np.testing.assert_allclose(audio.samples, TWO, rtol=0, atol=1.01 * 2.0**-15)


def test_lossy_coding_is_said(tmp_path):
    audio = read_audio(written_by_ffmpeg(tmp_path / "made.wav", TWO, "pcm_mulaw"))
    assert "lossy" in " ".join(audio.understood)


def scipy_reads(path: Path) -> np.ndarray | None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            _, data = wavfile.read(path)
        except (ValueError, OSError, struct.error):
            return None
    samples = np.atleast_2d(data.T)
    if samples.dtype.kind == "f":
        return samples.astype(float)
    if samples.dtype.kind == "u":
        return (samples.astype(float) - 128) / 128
    return samples.astype(float) / 2.0 ** (8 * samples.dtype.itemsize - 1)


@pytest.mark.parametrize("path", SCIPY_FILES, ids=lambda path: path.stem)
def test_files_of_scipys_own_tests_are_read_alike_or_refused(path):
    """Reference: `scipy.io.wavfile.read` where both can read a file."""
    try:
        audio = read_audio(path)
    except Refused as refused:
        refusal = str(refused)
    else:
        refusal = ""
    if refusal:
        assert refusal.startswith(f"{path.name}: the file")
        return
    theirs = scipy_reads(path)
    if theirs is not None:
        np.testing.assert_allclose(audio.samples, theirs, rtol=0, atol=1e-6)


def test_at_least_the_common_ones_of_scipys_files_are_read():
    read = 0
    for path in SCIPY_FILES:
        try:
            read_audio(path)
            read += 1
        except Refused:
            pass
    assert len(SCIPY_FILES) >= 20
    assert read >= len(SCIPY_FILES) - 8


@pytest.mark.parametrize("kept", [0, 1, 11, 12, 30, 44, 45, 400, 1043])
def test_a_truncated_file_is_refused(tmp_path, kept):
    whole = written_by_ffmpeg(tmp_path / "made.wav", TWO[:1], "pcm_s16le").read_bytes()
    assert len(whole) > 1043
    cut = tmp_path / "cut.wav"
    cut.write_bytes(whole[:kept])
    with pytest.raises(Refused, match=r"cut\.wav: the file (is|cannot|holds)"):
        read_audio(cut)


def test_a_truncated_flac_is_refused(tmp_path):
    whole = written_by_ffmpeg(tmp_path / "made.flac", np.tile(TWO, 60), "flac").read_bytes()
    with pytest.raises(Refused, match="made"):
        read_audio(whole[: len(whole) // 2], name="made")


def test_a_streamed_header_without_sizes_is_read(tmp_path):
    """A program writing into a pipe cannot go back to the sizes and leaves 2³² − 1 there."""
    made = subprocess.run(
        [
            imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-f", "f64le", "-ar", "48000",
            "-ac", "1", "-i", "-", "-c:a", "pcm_f64le", "-f", "wav", "-",
        ],
        input=TWO[:1].astype("<f8").tobytes(), check=True, capture_output=True,
    ).stdout  # fmt: skip
    assert b"data\xff\xff\xff\xff" in made
    np.testing.assert_array_equal(read_audio(made).samples, TWO[:1])


def test_no_samples_nan_and_what_is_no_audio(tmp_path):
    with pytest.raises(Refused, match="the file is empty"):
        read_audio(b"")
    with pytest.raises(Refused, match="cannot be read as audio"):
        read_audio(b"20 -1\n40 -2\n")
    with pytest.raises(Refused, match="the file holds no samples"):
        read_audio(written_by_ffmpeg(tmp_path / "none.wav", np.zeros((1, 0)), "pcm_s16le"))
    broken = TWO.copy()
    broken[1, 17] = np.nan
    with pytest.raises(Refused, match="sample 17 of channel 2 is not a number"):
        read_audio(written_by_ffmpeg(tmp_path / "nan.wav", broken, "pcm_f64le"))


def test_random_damage_is_read_or_refused(tmp_path):
    """Nothing but `Refused` comes of a damaged header."""
    whole = bytearray(written_by_ffmpeg(tmp_path / "made.wav", TWO, "pcm_s24le").read_bytes())
    refusals = 0
    rng = np.random.default_rng(11)
    for _ in range(150):
        damaged = bytearray(whole)
        for _ in range(3):
            damaged[rng.integers(0, 80)] = rng.integers(0, 256)
        try:
            read_audio(bytes(damaged))
        except Refused:
            refusals += 1
    assert refusals > 20


def test_channels_are_named_where_there_are_several(tmp_path):
    both = read_audio(written_by_ffmpeg(tmp_path / "two.wav", TWO, "pcm_f64le"))
    np.testing.assert_array_equal(both.channel(2), TWO[1])
    with pytest.raises(Refused, match="2 channels; say which with --channel"):
        both.channel()
    with pytest.raises(Refused, match="there is no channel 3; the file has 2 channels"):
        both.channel(3)
    one = read_audio(written_by_ffmpeg(tmp_path / "one.wav", TWO[:1], "pcm_f64le"))
    np.testing.assert_array_equal(one.channel(), TWO[0])
    with pytest.raises(Refused, match="there is no channel 0; the file has one channel"):
        one.channel(0)


def test_a_silent_channel_is_refused(tmp_path):
    half = np.vstack([TWO[0], np.zeros(500)])
    audio = read_audio(written_by_ffmpeg(tmp_path / "half.wav", half, "pcm_f64le"))
    np.testing.assert_array_equal(audio.channel(1), TWO[0])
    with pytest.raises(Refused, match="silent on channel 2"):
        audio.channel(2)


def test_clipping_is_said(tmp_path):
    clipped = np.clip(3.0 * TWO, -1, 1)
    audio = read_audio(written_by_ffmpeg(tmp_path / "loud.wav", clipped, "pcm_s16le"))
    assert "clipped" in " ".join(audio.understood)
    quiet = read_audio(written_by_ffmpeg(tmp_path / "quiet.wav", TWO, "pcm_s16le"))
    assert "clipped" not in " ".join(quiet.understood)


def test_audio_is_told_from_text(tmp_path):
    for suffix, codec in (("wav", "pcm_s16le"), ("flac", "flac"), ("aiff", "pcm_s16be"),
                          ("ogg", "flac"), ("au", "pcm_s16be"), ("caf", "pcm_s16be")):  # fmt: skip
        made = written_by_ffmpeg(tmp_path / f"made.{suffix}", TWO, codec)
        assert looks_like_audio(made.read_bytes()), suffix
    for text in (b"20 -1\n", b"\xff\xfe2\x000\x00", b"\xfe\xff\x002", b"\xef\xbb\xbfHz", b""):
        assert not looks_like_audio(text)
