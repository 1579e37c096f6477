"""Audio files: every width read as an outside program wrote it; hostile files refused in words."""

from __future__ import annotations

import io
import struct
import subprocess
import sys
import tracemalloc
import warnings
from pathlib import Path

import imageio_ffmpeg
import numpy as np
import pytest
import scipy.io
import soundfile
from scipy.io import wavfile

from xover.files.audio import looks_like_audio, open_audio, read_audio
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


def in_container(kind: str, subtype: str = "PCM_24", frames: int = 5000) -> bytes:
    """Noise in two channels as libsndfile writes it."""
    made = io.BytesIO()
    samples = 0.5 * np.random.default_rng(3).uniform(-1, 1, (frames, 2))
    soundfile.write(made, samples, 48_000, format=kind, subtype=subtype)
    return made.getvalue()


@pytest.mark.parametrize("kind", ["WAV", "WAVEX", "RF64", "W64", "AIFF", "AU", "CAF", "FLAC"])
@pytest.mark.parametrize("part", [0.999, 0.6, 0.02])
def test_every_container_cut_short_is_refused(kind, part):
    """Alone libsndfile reads a cut AIFF, AU, W64 or CAF as if it were shorter."""
    whole = in_container(kind)
    assert read_audio(whole).samples.shape == (2, 5000)
    with pytest.raises(Refused, match=r"made: the file (is|cannot)"):
        read_audio(whole[: int(part * len(whole))], name="made")


@pytest.mark.parametrize("kind", ["VOC", "NIST", "PAF"])
def test_containers_whose_length_is_not_checked_are_refused(kind):
    with pytest.raises(Refused, match=f"kind {kind} is not read here; export it as WAV or FLAC"):
        read_audio(in_container(kind, "PCM_16"))


def with_stated_size(whole: bytes, size: int) -> bytes:
    at = whole.index(b"data") + 4
    return whole[:at] + struct.pack("<I", size) + whole[at + 4 :]


def test_a_header_that_counts_less_than_there_is():
    whole = in_container("WAV")
    with pytest.raises(Refused, match="never finished, it counts no samples though 30000 bytes"):
        read_audio(with_stated_size(whole, 0))
    with pytest.raises(Refused, match="holds 30000 bytes of samples, its header counts 6000"):
        read_audio(with_stated_size(whole, 6000))
    audio = read_audio(with_stated_size(whole, 29_994))
    assert audio.samples.shape == (2, 4999)
    assert "6 bytes after the samples" in " ".join(audio.understood)
    tagged = read_audio(whole + b"LIST" + struct.pack("<I", 4) + b"INFO")
    assert len(tagged.understood) == 1


def test_a_flood_of_empty_chunks_is_refused_at_once():
    flood = b"RIFF\x00\x00\x00\x7fWAVE" + b"junk\0\0\0\0" * 1_000_000
    with pytest.raises(Refused, match="over 10000 chunks and no samples"):
        read_audio(flood)


def test_a_file_that_does_not_say_its_length_is_refused():
    made = subprocess.run(
        [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-f", "f64le", "-ar", "48000",
         "-ac", "1", "-i", "-", "-f", "flac", "-"],
        input=TWO[:1].astype("<f8").tobytes(), check=True, capture_output=True,
    ).stdout  # fmt: skip
    with pytest.raises(Refused, match="does not say how long it is"):
        read_audio(made)


def test_what_is_clipped_throughout_is_refused_by_channel():
    loud = np.vstack([np.clip(20.0 * TWO[0], -1, 1), 0.5 * TWO[1]])
    made = io.BytesIO()
    soundfile.write(made, np.sort(loud, axis=1).T, 48_000, format="WAV", subtype="PCM_16")
    audio = read_audio(made.getvalue())
    assert "channel 1: " in audio.understood[-1]
    audio.channel(2)
    with pytest.raises(Refused, match=r"clipped throughout on channel 1: 9\d % of its samples"):
        audio.channel(1)


def test_one_loud_sample_is_no_clipping():
    pulse = np.zeros((1, 400))
    pulse[0, 7] = 1.0
    made = io.BytesIO()
    soundfile.write(made, pulse.T, 48_000, format="WAV", subtype="PCM_16")
    assert len(read_audio(made.getvalue()).understood) == 1


@pytest.mark.parametrize("kind", ["WAV", "AIFF", "FLAC"])
@pytest.mark.parametrize("frames", [1, 333, 5000, 9999])
def test_blocks_are_the_file_as_often_as_asked(kind, frames):
    whole = in_container(kind)
    exact = read_audio(whole)
    done = []
    with open_audio(whole, name="made") as file:
        assert (file.channel_count, file.frames) == (2, 5000)
        for _ in range(1 if frames == 1 else 2):
            blocks = list(file.blocks(frames, progress=done.append))
            np.testing.assert_array_equal(np.concatenate(blocks, axis=1), exact.samples)
    assert done[-1] == 1.0
    assert max(block.shape[1] for block in blocks) == min(frames, 5000)
    np.testing.assert_array_equal(file.peak, np.abs(exact.samples).max(axis=1))


def test_clipping_is_counted_across_blocks():
    made = io.BytesIO()
    soundfile.write(made, np.full((10, 1), 1.0), 48_000, format="WAV", subtype="PCM_16")
    for frames in (1, 2, 3, 10):
        with open_audio(made.getvalue()) as file:
            list(file.blocks(frames))
        assert file.clipped.tolist() == [8]


class _Enough(Exception):
    pass


def test_what_progress_raises_ends_the_reading():
    def stop(part):
        if part >= 0.5:
            raise _Enough

    with pytest.raises(_Enough), open_audio(in_container("WAV")) as file:
        for _ in file.blocks(100, progress=stop):
            pass


def peak_bytes(path: Path) -> int:
    tracemalloc.start()
    with open_audio(path) as file:
        for _ in file.blocks(1 << 14):
            pass
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak


def test_memory_does_not_grow_with_the_length(tmp_path):
    """Of 2 s and of 30 s in two channels (23 MB as floating point) the same few blocks are held."""
    for seconds in (2, 30):
        with soundfile.SoundFile(tmp_path / f"{seconds}.wav", "w", 48_000, 2, "PCM_16") as file:
            file.write(np.zeros((48_000 * seconds, 2)))
    short, long = (peak_bytes(tmp_path / f"{seconds}.wav") for seconds in (2, 30))
    assert long < 1.2 * short < 4_000_000


def test_a_pipe_is_read_more_than_once(monkeypatch):
    class Stream:
        buffer = io.BytesIO(in_container("WAV"))

    monkeypatch.setattr(sys, "stdin", Stream)
    with open_audio("-") as file:
        assert sum(block.shape[1] for block in file.blocks()) == 5000
        assert sum(block.shape[1] for block in file.blocks(77)) == 5000
    assert file.name == "standard input"
