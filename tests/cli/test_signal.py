"""`xover signal` and `xover trace --sweep` as a user runs them, through real processors.

ffmpeg and sox filter the sweep that the command wrote; what comes back is compared with the same
filter from scipy's designer or, for sections, the Cookbook's formula.
"""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import imageio_ffmpeg
import numpy as np
import pytest
import soundfile
from msgspec.structs import replace
from scipy import signal

from tests.cli.conftest import Ran
from tests.cli.test_verify import HALL, chain
from xover.cli.entry import run
from xover.files.preset_json import load

Run = Callable[..., Ran]
FS = 48_000


@pytest.fixture(scope="module")
def sweep(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("sweep") / "sweep.wav"
    assert run(["signal", "sweep", "--duration", "1.5", "--bits", "32", "-o", str(path)]) == 0
    return path


def response(xover: Run, folder: Path, *arguments: object) -> tuple[np.ndarray, np.ndarray]:
    """Frequency and complex response as the command writes them."""
    table = folder / "response.csv"
    ran = xover("trace", *arguments, "-o", table, "--force")
    assert ran.code == 0, ran.err
    frequency_hz, level_db, phase_deg = np.loadtxt(table, delimiter=",", skiprows=1).T
    return frequency_hz, 10.0 ** (level_db / 20.0) * np.exp(1j * np.deg2rad(phase_deg))


def largest_error(frequency_hz: np.ndarray, heard: np.ndarray, want: np.ndarray) -> float:
    """In dB, where the filter is within 30 dB of its peak, from 30 Hz to 18 kHz; 1/48 octave."""
    inside = (frequency_hz > 30.0) & (frequency_hz < 18_000.0)
    inside &= np.abs(want) > 10.0 ** (-1.5) * np.abs(want).max()
    ratio_db = 20.0 * np.log10(np.abs(heard[inside] / want[inside]))
    return float(np.abs(ratio_db).max())


def test_ffmpeg_as_the_processor(xover: Run, sweep: Path, tmp_path: Path) -> None:
    """4th-order Linkwitz-Riley at 100 Hz and a bell, 1 kHz −6 dB, width 1 octave, at 48 kHz."""
    graph = (
        "[0:a]acrossover=split=100:order=4th:precision=double[low][high];[low]anullsink;"
        "[high]equalizer=f=1000:t=o:w=1:g=-6:r=f64,adelay=delays=30000S[out]"
    )
    heard = tmp_path / "heard.wav"
    command = [
        imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-i", str(sweep), "-filter_complex", graph,
        "-map", "[out]", "-c:a", "pcm_f64le", str(heard),
    ]  # fmt: skip
    subprocess.run(command, check=True)
    frequency_hz, ours = response(xover, tmp_path, heard, "--sweep", sweep, "--time-zero", "file")
    half = signal.butter(2, 100.0, "high", fs=FS, output="sos")
    w0 = 2.0 * np.pi * 1000.0 / FS
    alpha = np.sin(w0) * np.sinh(0.5 * np.log(2.0) * w0 / np.sin(w0))
    a = 10.0 ** (-6.0 / 40.0)
    bell = [1 + alpha * a, -2 * np.cos(w0), 1 - alpha * a, 1 + alpha / a, -2 * np.cos(w0),
            1 - alpha / a]  # fmt: skip
    sos = np.vstack([half, half, np.array(bell) / bell[3]])
    want = signal.freqz_sos(sos, frequency_hz, fs=FS)[1]
    assert largest_error(frequency_hz, ours, want) < 0.05
    # Started with the file, the processor's delay of 30 000 samples is there to a fraction.
    inside = (frequency_hz > 150.0) & (frequency_hz < 15_000.0)
    late = want * np.exp(-2j * np.pi * frequency_hz * 30_000 / FS)
    assert np.abs(np.angle(ours[inside] / late[inside], deg=True)).max() < 0.5


def test_sox_as_the_processor_at_another_rate(xover: Run, sweep: Path, tmp_path: Path) -> None:
    sox = shutil.which("sox")
    if sox is None:
        pytest.skip("sox is not installed")
    heard = tmp_path / "heard.wav"
    command = [sox, "-D", str(sweep), "-e", "floating-point", "-b", "32", str(heard)]
    command += ["highpass", "-2", "60", "0.7071067812q", "pad", "1.234", "1", "rate", "-v", "44100"]
    subprocess.run(command, check=True)
    frequency_hz, ours = response(xover, tmp_path, heard, "--sweep", sweep)
    sos = signal.butter(2, 60.0, "high", fs=FS, output="sos")
    want = signal.freqz_sos(sos, frequency_hz, fs=FS)[1]
    assert largest_error(frequency_hz, ours, want) < 0.05


def test_a_file_without_its_note_is_divided_by_its_samples(xover: Run, tmp_path: Path) -> None:
    played = tmp_path / "bare.wav"
    arguments = ["signal", "sweep", "--duration", 1.5, "--without-marks", "--bits", 32]
    assert xover(*arguments, "-o", played).code == 0
    samples, _ = soundfile.read(played)
    Path(f"{played}.json").unlink()
    soundfile.write(played, samples, FS, subtype="FLOAT")
    sos = signal.butter(2, 200.0, "high", fs=FS, output="sos")
    heard = tmp_path / "heard.wav"
    soundfile.write(heard, signal.sosfilt(sos, np.r_[samples, np.zeros(FS)]), FS, subtype="FLOAT")
    ran = xover("trace", heard, "--sweep", played)
    assert "a signal without a note" in ran.out
    frequency_hz, ours = response(xover, tmp_path, heard, "--sweep", played)
    want = signal.freqz_sos(sos, frequency_hz, fs=FS)[1]
    assert largest_error(frequency_hz, ours, want) < 0.1


def test_takes_of_one_file_are_attached_under_one_session(
    xover: Run, preset_path: Path, tmp_path: Path
) -> None:
    """The sub stands 3 ms further than the top; both takes say so by one time zero."""
    played, heard = tmp_path / "both.wav", tmp_path / "heard.wav"
    ran = xover(
        "signal", "sweep", "--preset", preset_path, "--output", "sub", "--output", "top",
        "--duration", 1, "--beyond", 1, "--bits", 32, "-o", played,
    )  # fmt: skip
    assert ran.code == 0, ran.err
    assert "timing mark, Top" in ran.out
    assert "widened by 1.00 octaves" in ran.err
    samples, _ = soundfile.read(played)
    total = np.zeros(samples.shape[0] + 2_000)
    total[500 + 144 : 500 + 144 + samples.shape[0]] += samples[:, 0]
    total[500 : 500 + samples.shape[0]] += samples[:, 1]
    soundfile.write(heard, total, FS, subtype="FLOAT")
    for output in ("Sub", "Top"):
        ran = xover(
            "trace", heard, "--sweep", played, "--attach", preset_path, "--output", output,
            "--listener", "Row 8", "--captured", "flat", "--session", "tonight",
        )  # fmt: skip
        assert ran.code == 0, ran.err
        assert f"({output})" in ran.out
    traces = {one.output: one.trace for one in load(preset_path).measurements}
    assert traces["Sub"].session == traces["Top"].session == "tonight"

    def late_ms(name: str, low_hz: float, high_hz: float) -> float:
        trace = traces[name]
        at, turn = np.array(trace.frequency_hz), np.unwrap(np.deg2rad(trace.phase_deg))
        inside = (at > low_hz) & (at < high_hz)
        slope = np.polyfit(at[inside], turn[inside], 1)[0]
        return trace.delay_ms - 1000.0 * slope / (2.0 * np.pi)

    assert late_ms("Sub", 40.0, 150.0) - late_ms("Top", 200.0, 10_000.0) == pytest.approx(
        3.0, abs=0.02
    )


def test_a_loop_back_is_divided_out_and_gives_time_zero(
    xover: Run, sweep: Path, tmp_path: Path
) -> None:
    samples, _ = soundfile.read(sweep)
    loop = signal.sosfilt(signal.butter(1, 20.0, "high", fs=FS, output="sos"), samples)
    late = np.concatenate((np.zeros(480), loop))[: loop.size]
    both = np.stack([np.r_[loop, np.zeros(FS)], np.r_[0.5 * late, np.zeros(FS)]], axis=1)
    heard = tmp_path / "heard.wav"
    soundfile.write(heard, np.r_[np.zeros((3_333, 2)), both], FS, subtype="FLOAT")
    ran = xover("trace", heard, "--sweep", sweep, "--reference", 1, "--json")
    assert ran.code == 0, ran.err
    assert ran.document["delay_ms"] == pytest.approx(10.0, abs=1e-3)
    frequency_hz, ours = response(xover, tmp_path, heard, "--sweep", sweep, "--reference", 1)
    inside = (frequency_hz > 30.0) & (frequency_hz < 18_000.0)
    want = 0.5 * np.exp(-2j * np.pi * frequency_hz[inside] * 0.01)
    assert np.abs(ours[inside] / want - 1.0).max() < 2e-3


def test_a_recording_without_a_time_zero_joins_no_session(
    xover: Run, sweep: Path, preset_path: Path
) -> None:
    before = preset_path.read_bytes()
    arguments = [
        "trace", sweep, "--sweep", sweep, "--attach", preset_path, "--output", "Sub",
        "--listener", "Row 8", "--captured", "flat",
    ]  # fmt: skip
    ran = xover(*arguments, "--session", "tonight")
    assert ran.code == 2
    assert "has no time zero to share" in ran.err
    assert preset_path.read_bytes() == before
    assert xover(*arguments).code == 0
    assert xover(*arguments, "--session", "tonight", "--time-zero", "file").code == 0


def test_spl_is_that_of_the_level_played(xover: Run, sweep: Path, tmp_path: Path) -> None:
    """With 0 dBFS at the microphone standing for 120 dB, a loop at −30 dBFS is 90 dB SPL."""
    table = tmp_path / "level.csv"
    ran = xover("trace", sweep, "--sweep", sweep, "--spl-calibration", 120, "-o", table)
    assert ran.code == 0, ran.err
    frequency_hz, level_db, _ = np.loadtxt(table, delimiter=",", skiprows=1).T
    assert level_db[np.argmin(np.abs(frequency_hz - 1000.0))] == pytest.approx(90.0, abs=0.01)


def test_json_tells_what_was_found(xover: Run, sweep: Path) -> None:
    found = xover("trace", sweep, "--sweep", sweep, "--json").document["sweep"]
    assert found["playings"] == 1
    assert found["clock_ppm"] == 0.0
    assert {"order", "frequency_hz", "level_db", "noise_db"} == set(found["distortion"][0])
    assert found["signal_to_noise_db"] > 80.0


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["--sweep", "{s}", "--take", "3"], "there is no take 3"),
        (["--sweep", "{s}", "--cycles", "8"], "--cycles needs"),
        (["--take", "Sub"], "--take belongs to --sweep"),
        (["--time-zero", "file"], "--time-zero belongs to --sweep"),
        (["--sweep", "nothing.wav"], "there is no such file"),
        (["--sweep", "{s}", "--decimal", ","], "options about text columns do not apply"),
        (["--sweep", "{s}", "--channel", "2"], "there is no channel 2"),
        (["--sweep", "{s}", "--reference", "1"], "cannot be measurement and loop-back at once"),
    ],
)
def test_what_does_not_go_together(xover: Run, sweep: Path, arguments, sentence: str) -> None:
    ran = xover("trace", sweep, *(one.format(s=sweep) for one in arguments))
    assert ran.code == 2
    assert sentence in ran.err
    assert ran.err.count("\n") == 1


def test_a_cut_recording_and_a_silent_one(xover: Run, sweep: Path, tmp_path: Path) -> None:
    cut = tmp_path / "cut.wav"
    cut.write_bytes(sweep.read_bytes()[:100_000])
    assert "is cut short" in xover("trace", cut, "--sweep", sweep).err
    silent = tmp_path / "silent.wav"
    soundfile.write(silent, np.zeros(4 * FS), FS)
    assert "is silent" in xover("trace", silent, "--sweep", sweep).err


# xover signal


def test_an_output_keeps_to_its_band(xover: Run, preset_path: Path, tmp_path: Path) -> None:
    path = tmp_path / "sub.wav"
    ran = xover("signal", "sweep", "--preset", preset_path, "--output", "Sub", "-o", path)
    assert ran.code == 0
    assert "Sub plays from 35 Hz (the range of Low box) to 100 Hz (its low-pass)" in ran.err
    for word in ("hearing:", "drivers:", "amplifiers disconnected", "100 V line"):
        assert word in ran.err
    note = json.loads(Path(f"{path}.json").read_text())
    shapes = [play["shape"] for play in note["plays"]]
    assert {(shape["start_hz"], shape["stop_hz"]) for shape in shapes} == {(35, 100)}
    samples, _ = soundfile.read(path)
    frequency_hz, density = signal.welch(samples, FS, nperseg=FS, detrend=False)
    outside = (frequency_hz < 22.0) | (frequency_hz > 120.0)
    assert density[outside].max() < 1e-4 * density.max()
    ran = xover(
        "signal", "sweep", "--preset", preset_path, "--output", "Sub", "--stop", 400, "-o", path
    )
    assert ran.code == 2
    assert "--stop 400 Hz lies outside the band" in ran.err


def test_sweeps_that_only_meet_are_said_to_show_no_crossover(xover: Run, tmp_path: Path) -> None:
    path = tmp_path / "both.wav"
    bands = ["signal", "sweep", "--preset", HALL, "--output", "Sub", "--output", "Top L"]
    met = xover(*bands, "--duration", "0.5", "-o", path)
    assert met.code == 0
    assert "Sub ends at 95 Hz, where “Top L” begins" in met.err
    assert "--beyond 1" in met.err
    crossed = xover(*bands, "--beyond", "1", "--duration", "0.5", "-o", path, "--force")
    assert "cannot be aligned" not in crossed.err


def test_a_level_that_reaches_the_limiter_is_refused(xover: Run, tmp_path: Path) -> None:
    """Top L's lowest threshold is +5.7 dBu at unity gain: 6 dB below it, −0.3 dBu."""
    arguments = ["signal", "sweep", "--preset", "presets/harbour-hall.json", "--output", "Top L"]
    path = tmp_path / "top.wav"
    ran = xover(*arguments, "-o", path, "--full-scale-dbu", 24, "--level", -24)
    assert ran.code == 2
    assert "closer than 6 dB to the limiter of “Top L”; take --level −24.3 or less" in ran.err
    ran = xover(*arguments, "-o", path, "--full-scale-dbu", 24, "--level", -24.3)
    assert ran.code == 0
    ran = xover(*arguments, "-o", path, "--force")
    assert "full scale is in dBu is not known" in ran.err


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["sweep", "--level", "-6"], "above −12 dBFS"),
        (["sweep", "--start", "500", "--stop", "100"], "a sweep rises"),
        (["sweep", "--stop", "30000"], "needs a sample rate above"),
        (["sweep", "--output", "Sub"], "need --preset"),
        (["sweep", "--preset", "{p}"], "needs --output"),
        (["sweep", "--preset", "{p}", "--output", "Nobody"], "there is no output"),
        (["sweep", "--preset", "{p}", "--output", "Sub", "--output", "sub"], "named twice"),
        (["sweep", "--full-scale-dbu", "18"], "needs --preset"),
        (["pink", "--crest", "2"], "crest factor"),
        (["click", "--start", "10", "--every", "0.1"], "leave more time"),
        (["polarity", "--start", "50", "--stop", "100"], "less than 1.3 octaves"),
        (["steps", "--from", "-10", "--to", "-20"], "steps rise"),
        (["steps", "--to", "-3"], "above −12 dBFS"),
    ],
)
def test_signals_that_are_refused(
    xover: Run, preset_path: Path, tmp_path: Path, arguments, sentence: str
) -> None:
    path = tmp_path / "signal.wav"
    ran = xover("signal", *(one.format(p=preset_path) for one in arguments), "-o", path)
    assert ran.code == 2
    assert sentence in ran.err
    assert not path.exists()


def test_nothing_is_overwritten(xover: Run, tmp_path: Path) -> None:
    path = tmp_path / "click.wav"
    assert xover("signal", "click", "--count", 1, "-o", path).code == 0
    before = path.read_bytes()
    ran = xover("signal", "click", "--count", 2, "-o", path)
    assert ran.code == 2
    assert "exists already" in ran.err
    assert path.read_bytes() == before
    assert xover("signal", "click", "--count", 2, "-o", path, "--force").code == 0


@pytest.mark.parametrize("wrong", [False, True])
def test_verified_by_a_sweep(xover: Run, sweep: Path, tmp_path: Path, wrong: bool) -> None:
    """The hall's top as a person would set it in ffmpeg, right or with the sign of a gain wrong."""
    held = load(HALL).output("Top L")
    first = held.eq[0]
    if wrong:
        first = replace(first, gain_db=-first.gain_db)
    graph = chain(replace(held, eq=(first, *held.eq[1:]))) + ",apad=pad_dur=1"
    heard = tmp_path / "heard.wav"
    command = [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-i", str(sweep), "-af", graph]
    subprocess.run([*command, "-c:a", "pcm_f64le", str(heard)], check=True)
    arguments = ["verify", HALL, "--drive", "Left", "--output", "Top L", heard, "--sweep", sweep]
    ran = xover(*arguments, "--json")
    found = ran.document["outputs"][0]
    assert (ran.code, found["matches"]) == ((1, False) if wrong else (0, True))
    if wrong:
        (slip,) = found["explanations"][0]["slips"]
        assert slip["where"] == "outputs[1].eq[0].gain_db"
