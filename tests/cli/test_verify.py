"""`xover verify` on a real, independent processor: ffmpeg, set from an adapted preset by hand.

Its `equalizer`, `lowshelf`, `highshelf`, `highpass` and `lowpass` are the cookbook's filters, its
Linkwitz-Riley a pair of `highpass` or `lowpass`; nothing of it comes from this project.
"""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import imageio_ffmpeg
import numpy as np
import pytest
import soundfile
from msgspec.structs import replace

import xover
from xover.cli.entry import run
from xover.design.adapting.adaptation import adapt
from xover.files.preset_json import load, save
from xover.files.profile_json import load_profile
from xover.model.processing import Crossover, Output

ROOT = Path(__file__).parents[2]
HALL = ROOT / "presets" / "harbour-hall.json"
OLD = ROOT / "presets" / "processors" / "old-ferry-2x6.json"
RATE_HZ = 48_000
POLES = {
    ("butterworth", 12): ((1.0, 0.70710678),),
    ("butterworth", 24): ((1.0, 0.54119610), (1.0, 1.30656296)),
    ("bessel", 24): ((1.430172, 0.521935), (1.603358, 0.805538)),
}
"""Frequency and Q of pole pairs, corners at −3.01 dB: handbook values (scipy's `bessel`, "mag")."""


def crossover(item: Crossover | None, name: str) -> list[str]:
    """Pole pairs one by one; Linkwitz-Riley as two Butterworth filters of half the order."""
    if item is None:
        return []
    squared = item.family == "linkwitz-riley"
    family = "butterworth" if squared else item.family
    slope = item.slope_db_per_octave // (2 if squared else 1)
    f = item.frequency_hz
    if slope == 6:
        one = [f"{name}=f={f}:p=1:r=f64"]
    else:
        pairs = POLES[family, slope]
        at = [f / factor if name == "highpass" else f * factor for factor, _ in pairs]
        one = [f"{name}=f={hz}:p=2:t=q:w={q}:r=f64" for hz, (_, q) in zip(at, pairs, strict=True)]
    return one * (2 if squared else 1)


def chain(output: Output, delay_ms: float | None = None) -> str:
    """What a person would set in ffmpeg for an output."""
    filters = crossover(output.high_pass, "highpass") + crossover(output.low_pass, "lowpass")
    names = {"peak": "equalizer", "low_shelf": "lowshelf", "high_shelf": "highshelf"}
    for item in output.eq:
        filters.append(
            f"{names[item.kind]}=f={item.frequency_hz}:t=q:w={item.q}:g={item.gain_db}:r=f64"
        )
    late = round((output.delay_ms if delay_ms is None else delay_ms) * RATE_HZ / 1e3)
    filters.append(f"adelay=delays={late}S")
    filters.append(f"volume={output.gain_db}dB:precision=double")
    return ",".join(filters)


def process(folder: Path, name: str, graph: str, *, noise_db: float = -90.0) -> str:
    """An impulse through ffmpeg, with a little noise, as a file."""
    impulse = np.zeros(RATE_HZ)
    impulse[480] = 1.0
    source, target = folder / "impulse.wav", folder / name
    soundfile.write(source, impulse, RATE_HZ, subtype="DOUBLE")
    subprocess.run(
        [imageio_ffmpeg.get_ffmpeg_exe(), "-hide_banner", "-loglevel", "error", "-y",
         "-i", str(source), "-af", graph, "-c:a", "pcm_f64le", str(target)],
        check=True,
    )  # fmt: skip
    samples, rate = soundfile.read(target)
    random = np.random.default_rng(1).standard_normal(samples.size)
    spread = 10.0 ** (noise_db / 20.0) / np.sqrt(samples.size)
    soundfile.write(target, samples + spread * random, rate, subtype="DOUBLE")
    return str(target)


@pytest.fixture(scope="module")
def held():
    """What the old processor holds of the hall: the figures that are typed."""
    return adapt(load(HALL), load_profile(OLD)).preset


def verify(capsys, *words: str) -> tuple[int, dict]:
    code = run(["verify", str(HALL), "--processor", str(OLD), *words, "--json"])
    return code, json.loads(capsys.readouterr().out)


def test_what_was_typed_right_matches(held, tmp_path, capsys):
    words = []
    for name in ("Sub", "Top L"):
        path = process(tmp_path, f"{name}.wav", chain(held.output(name)))
        words += ["--output", name, path]
    code, answer = verify(capsys, "--drive", "Left", *words[3:])
    assert (code, answer["outputs"][0]["matches"]) == (0, True)
    assert answer["outputs"][0]["residual_db_rms"] < 0.05


SLIPS = {
    "gain sign": (
        lambda item: replace(item, eq=(replace(item.eq[0], gain_db=-item.eq[0].gain_db),
                                       *item.eq[1:])),
        "outputs[1].eq[0].gain_db",
    ),
    "missing band": (lambda item: replace(item, eq=item.eq[:1]), "outputs[1].eq[1].bypassed"),
    "slope": (
        lambda item: replace(item, high_pass=replace(item.high_pass, slope_db_per_octave=12)),
        "outputs[1].high_pass.slope_db_per_octave",
    ),
    "octaves as Q": (
        lambda item: replace(item, eq=(replace(item.eq[0], q=0.7), *item.eq[1:])),
        "outputs[1].eq[0].q",
    ),
}  # fmt: skip


@pytest.mark.parametrize("slip", SLIPS)
def test_a_slip_is_named(slip, held, tmp_path, capsys):
    change, where = SLIPS[slip]
    path = process(tmp_path, "top.wav", chain(change(held.output("Top L"))))
    code, answer = verify(capsys, "--drive", "Left", "--output", "Top L", path)
    assert code == 1
    best = answer["outputs"][0]["explanations"][0]
    assert [one["where"] for one in best["slips"]] == [where]
    assert best["residual_db_rms"] < 0.05


def test_polarity_and_the_settings_of_another(held, tmp_path, capsys):
    turned = chain(held.output("Top L")) + ",volume=-1:precision=double"
    path = process(tmp_path, "turned.wav", turned)
    _, answer = verify(capsys, "--drive", "Left", "--output", "Top L", path)
    assert answer["outputs"][0]["explanations"][0]["slips"][0]["where"] == "outputs[1].polarity"
    path = process(tmp_path, "other.wav", chain(held.output("Delay L")))
    _, answer = verify(capsys, "--drive", "Left", "--output", "Top L", path)
    sentence = answer["outputs"][0]["explanations"][0]["slips"][0]["sentence"]
    assert "looks like the settings of Delay" in sentence


@pytest.fixture(scope="module")
def alike(held, tmp_path_factory):
    """The hall, where Delay L has the filters of Top L but for the corner: a preset for each."""
    top = held.output("Top L")

    def written(corner_hz: float) -> tuple[str, Output]:
        high_pass = replace(top.high_pass, frequency_hz=corner_hz)
        delayed = replace(held.output("Delay L"), high_pass=high_pass, low_pass=None, eq=top.eq)
        outputs = tuple(delayed if one.name == "Delay L" else one for one in held.outputs)
        path = tmp_path_factory.mktemp("alike") / "hall.json"
        save(replace(held, outputs=outputs), path, overwrite=False)
        return str(path), delayed

    return written


@pytest.mark.parametrize("with_profile", [True, False])
@pytest.mark.parametrize("corner_hz", [120.0, 125.0])
def test_one_wrong_corner_comes_before_the_settings_of_an_output_that_has_it(
    with_profile, corner_hz, alike, held, tmp_path, capsys
):
    # Either explains what ffmpeg did; one wrong field is simpler than an output full of them.
    hall, _ = alike(corner_hz)
    top = held.output("Top L")
    typed = replace(top, high_pass=replace(top.high_pass, frequency_hz=corner_hz))
    path = process(tmp_path, "top.wav", chain(typed))
    words = ["--processor", str(OLD)] if with_profile else []
    assert run(["verify", hall, *words, "--output", "Top L", path, "--json"]) == 1
    (one,) = json.loads(capsys.readouterr().out)["outputs"]
    first, second = one["explanations"][:2]
    (slip,) = first["slips"]
    assert slip["where"] == "outputs[1].high_pass.frequency_hz"
    # The old processor has steps of 1/24 octave, and so much is allowed for without a profile.
    assert slip["looks_like"] == pytest.approx(corner_hz, rel=2.0 ** (0.5 / 24) - 1.0)
    assert [each["where"] for each in second["slips"]] == ["outputs[1]"]
    assert "the settings of Delay L" in second["slips"][0]["sentence"]
    assert first["confidence"] > 0.7 > second["confidence"] > 0.1


def test_the_settings_of_another_output_with_its_delay_and_gain_come_first(alike, tmp_path, capsys):
    hall, delayed = alike(120.0)
    loop = process(tmp_path, "loop.wav", "anull")
    graph = chain(delayed, delayed.delay_ms + load_profile(OLD).latency_ms)
    path = process(tmp_path, "top.wav", graph)
    words = ["--processor", str(OLD), "--loop", loop, "--output", "Top L", path, "--json"]
    assert run(["verify", hall, *words]) == 1
    (one,) = json.loads(capsys.readouterr().out)["outputs"]
    (slip,) = one["explanations"][0]["slips"]
    assert "the settings of Delay L" in slip["sentence"]
    fields = [each["where"].rpartition(".")[2] for each in one["explanations"][1]["slips"]]
    assert fields == ["frequency_hz", "delay_ms", "gain_db"]
    assert one["not_testable"] == []


def test_delay_and_gain_between_outputs_of_one_session(held, tmp_path, capsys):
    words = ["--drive", "Left"]
    for name, delay_ms in (("Top L", None), ("Delay L", 0.0)):
        path = process(tmp_path, f"{name}.wav", chain(held.output(name), delay_ms))
        words += ["--output", name, path]
    code, answer = verify(capsys, *words)
    assert code == 1
    top, delayed = answer["outputs"]
    assert top["not_testable"] == delayed["not_testable"] == []
    (slip,) = delayed["explanations"][0]["slips"]
    assert slip["where"].endswith(".delay_ms")
    assert slip["looks_like"] == pytest.approx(0.0, abs=0.03)
    assert slip["sentence"].endswith("missing (if Top L is right)")


def test_the_interface_alone_makes_delay_and_gain_testable(held, tmp_path, capsys):
    # An interface with a coupling of its own and 2.3 ms of the processor, as its profile says.
    interface = "highpass=f=8:p=1:r=f64"
    loop = process(tmp_path, "loop.wav", interface)
    item = held.output("Top L")
    latency_ms = load_profile(OLD).latency_ms
    graph = f"{interface},{chain(item, item.delay_ms + latency_ms)},volume=-3dB:precision=double"
    path = process(tmp_path, "top.wav", graph)
    words = ["--drive", "Left", "--output", "Top L", path, "--loop", loop]
    code, answer = verify(capsys, *words)
    (one,) = answer["outputs"]
    assert one["not_testable"] == []
    (slip,) = one["explanations"][0]["slips"]
    assert slip["where"] == "outputs[1].gain_db"
    assert slip["looks_like"] - slip["meant"] == pytest.approx(-3.0, abs=0.05)
    assert code == 1


def test_text_for_people(held, tmp_path, capsys):
    item = held.output("Top L")
    wrong = replace(item, eq=(replace(item.eq[0], gain_db=-item.eq[0].gain_db), *item.eq[1:]))
    path = process(tmp_path, "top.wav", chain(wrong))
    words = ["--processor", str(OLD), "--drive", "Left", "--output", "Top L", path]
    assert run(["verify", str(HALL), *words]) == 1
    text = capsys.readouterr().out
    gain_db = item.eq[0].gain_db
    signed = [f"{'+' if one > 0 else '−'}{abs(one):.1f} dB" for one in (gain_db, -gain_db)]
    assert f"1. Top L, EQ 1 gain: meant {signed[0]}, looks like {signed[1]}\n" in text
    assert "not testable this way: Top L, gain; Top L, delay" in text


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--output", "Nobody", "x.wav"], "Nobody"),
        (["--output", "Top L", "nowhere.wav"], "there is no such file"),
        (["--output", "Top L", "a", "--output", "top l", "b"], "named twice"),
        (["--drive", "Aux", "--output", "Top L", "x.wav"], "is not fed by “Aux”"),
    ],
)
def test_bad_input(words, sentence, capsys):
    assert run(["verify", str(HALL), *words]) == 2
    assert sentence in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        (["--output", "Top L", "--sweep", "x.wav", "cap.wav"], "--sweep stands where the capture"),
        (["--output", "Top L", "--time-zero=file"], "--time-zero=file stands where the capture"),
        (["--output", "--sweep", "x.wav", "Top L", "cap.wav"], "--sweep stands where the name"),
        (["--output", "Top L", "-h"], "-h stands where the capture"),
        (["--output", "Top L"], "--output takes"),
        (["--output", "Top", "L", "cap.wav"], "a name of several words in quotes"),
    ],
)
def test_an_output_and_its_capture_stand_together(words, reason, capsys):
    assert run(["verify", str(HALL), *words]) == 2
    said = capsys.readouterr().err
    assert said.count("--output takes an output's name and its capture, one after the other") == 1
    assert reason in said
    assert said.count("\n") == 1


def test_captures_that_cannot_be_compared(tmp_path, capsys):
    short = tmp_path / "short.wav"
    samples = np.zeros(64)
    samples[3] = 1.0
    soundfile.write(short, samples, RATE_HZ, subtype="DOUBLE")
    assert run(["verify", str(HALL), "--drive", "Left", "--output", "Top L", str(short)]) == 2
    assert "the capture is too short: it tells 750 Hz apart" in capsys.readouterr().err
    level = tmp_path / "level.txt"
    level.write_text("Hz dB\n" + "".join(f"{20 * 1.1**k:.1f} {k % 3 - 1.5}\n" for k in range(70)))
    assert run(["verify", str(HALL), "--drive", "Left", "--output", "Top L", str(level)]) == 2
    assert "has no phase" in capsys.readouterr().err
    noise = tmp_path / "noise.wav"
    random = np.random.default_rng(3).standard_normal(RATE_HZ)
    soundfile.write(noise, 0.1 * random, RATE_HZ, subtype="DOUBLE")
    assert run(["verify", str(HALL), "--drive", "Left", "--output", "Top L", str(noise)]) == 2
    assert "too noisy" in capsys.readouterr().err


# From recordings of test signals, and limiters


@pytest.fixture(scope="module")
def sweep(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sweep")
    path = folder / "sweep.wav"
    words = ["--start", "20", "--stop", "20000", "--duration", "3", "-o", str(path)]
    assert run(["signal", "sweep", *words]) == 0
    return path


def through(source: Path, target: Path, graph: str) -> str:
    """A file through ffmpeg."""
    subprocess.run(
        [imageio_ffmpeg.get_ffmpeg_exe(), "-hide_banner", "-loglevel", "error", "-y",
         "-i", str(source), "-af", graph, "-c:a", "pcm_f32le", str(target)],
        check=True,
    )  # fmt: skip
    return str(target)


def test_from_a_recording_of_a_sweep(held, sweep, tmp_path, capsys):
    item = held.output("Top L")
    path = through(sweep, tmp_path / "right.wav", chain(item))
    words = ["--drive", "Left", "--output", "Top L"]
    code, answer = verify(capsys, *words, path, "--sweep", str(sweep))
    assert (code, answer["outputs"][0]["matches"]) == (0, True)
    wrong = replace(item, eq=(item.eq[0], replace(item.eq[1], gain_db=-item.eq[1].gain_db)))
    path = through(sweep, tmp_path / "wrong.wav", chain(wrong))
    code, answer = verify(capsys, *words, path, "--sweep", str(sweep))
    slips = answer["outputs"][0]["explanations"][0]["slips"]
    assert (code, [one["where"] for one in slips]) == (1, ["outputs[1].eq[1].gain_db"])


def test_a_narrow_output_swept_over_the_whole_range(held, sweep, tmp_path, capsys):
    # Far above its low-pass nothing but last bits is left; that is neither a slip nor a level.
    path = through(sweep, tmp_path / "sub.wav", chain(held.output("Sub")))
    words = ["--output", "Sub", path, "--sweep", str(sweep)]
    code, answer = verify(capsys, *words)
    (one,) = answer["outputs"]
    assert (code, one["matches"]) == (0, True)
    assert one["gain_offset_db"] == pytest.approx(held.output("Sub").gain_db, abs=0.05)


def test_recordings_that_share_no_time_zero_tell_no_delay(held, sweep, tmp_path, capsys):
    item = held.output("Top L")
    late_ms = item.delay_ms + load_profile(OLD).latency_ms + 7.0
    path = through(sweep, tmp_path / "late.wav", chain(item, late_ms))
    words = ["--drive", "Left", "--output", "Top L", path, "--sweep", str(sweep)]
    words += ["--loop", str(sweep)]
    code, answer = verify(capsys, *words)
    (one,) = answer["outputs"]
    assert (code, one["latency_ms"]) == (0, None)
    assert one["not_testable"] == ["outputs[1].delay_ms"]
    assert any("time zero is its own (the direct sound" in note for note in one["notes"])
    code, answer = verify(capsys, *words, "--time-zero", "file")
    (one,) = answer["outputs"]
    assert one["latency_ms"] == pytest.approx(late_ms, abs=0.03)
    (slip,) = one["explanations"][0]["slips"]
    assert slip["looks_like"] == pytest.approx(item.delay_ms + 7.0, abs=0.03)
    # A processor that is faster than its profile says: no delay is that short.
    path = through(sweep, tmp_path / "early.wav", chain(item, 0.0))
    words[words.index("Top L") + 1] = path
    _, answer = verify(capsys, *words, "--time-zero", "file")
    (slip,) = answer["outputs"][0]["explanations"][0]["slips"]
    assert "the profile's latency_ms is too long" in slip["sentence"]


def test_takes_whose_marks_came_the_same_way_share_no_time(held, tmp_path, capsys):
    path, words = tmp_path / "takes.wav", []
    made = ["--output", "Top L", "--output", "Delay L", "--one-channel", "--duration", "1"]
    assert (
        run(["signal", "sweep", "--preset", str(HALL), *made, "--gap", "1", "-o", str(path)]) == 0
    )
    capsys.readouterr()
    for name in ("Top L", "Delay L"):
        words += ["--output", name]
        words.append(through(path, tmp_path / f"{name}.wav", chain(held.output(name))))
    code, answer = verify(capsys, *words, "--sweep", str(path))
    # The delay speaker's own delay moves its mark as well: it is neither seen nor missed.
    assert code == 0
    for one in answer["outputs"]:
        assert one["latency_ms"] is None
        assert one["not_testable"][0].endswith(".delay_ms")


def test_the_outputs_of_one_recording_channel_by_channel(held, tmp_path, capsys):
    # One input drives both, an interface records both at once; the second came 1 ms too late.
    names, late_ms = ("Top L", "Delay L"), (0.0, 1.0)
    for name, more_ms in zip(names, late_ms, strict=True):
        item = held.output(name)
        process(tmp_path, f"{name}.wav", chain(item, item.delay_ms + more_ms))
    one, other = (soundfile.read(tmp_path / f"{name}.wav")[0] for name in names)
    both = np.stack([np.pad(one, (0, other.size - one.size)), other], axis=1)
    soundfile.write(tmp_path / "both.wav", both, RATE_HZ, subtype="DOUBLE")
    words = [word for name in names for word in ("--output", name, str(tmp_path / "both.wav"))]
    code, answer = verify(capsys, *words, "--channel", "1", "--channel", "2")
    slips = [one["explanations"][0]["slips"] for one in answer["outputs"]]
    assert code == 1
    assert slips[1][0]["where"] == "outputs[3].delay_ms"
    assert slips[1][0]["looks_like"] - slips[1][0]["meant"] == pytest.approx(1.0, abs=0.03)
    run(["verify", str(HALL), *words, "--channel", "1", "--channel", "2", "--channel", "1"])
    assert "--channel is given 3 times for 2 captures" in capsys.readouterr().err


def test_outputs_are_compared_with_those_of_the_same_input(held, tmp_path, capsys):
    words = []
    for name in ("Sub", "Top L", "Top R", "Delay L"):
        item = held.output(name)
        path = process(tmp_path, f"{name}.wav", chain(item, 0.0 if name == "Delay L" else None))
        words += ["--output", name, path]
    code, answer = verify(capsys, *words)
    sub, left, right, delayed = answer["outputs"]
    assert (code, sub["matches"], right["matches"]) == (1, True, True)
    assert sub["not_testable"]
    assert right["not_testable"]
    assert left["not_testable"] == delayed["not_testable"] == []
    assert delayed["explanations"][0]["slips"][0]["looks_like"] == pytest.approx(0.0, abs=0.03)


def test_a_gain_with_the_wrong_sign_is_told_as_the_sheet_has_it(held, tmp_path, capsys):
    loop = process(tmp_path, "loop.wav", "anull")
    item = held.output("Delay L")
    assert item.gain_db == -2.0
    late_ms = item.delay_ms + load_profile(OLD).latency_ms
    path = process(tmp_path, "delay.wav", chain(replace(item, gain_db=2.0), late_ms))
    _, answer = verify(capsys, "--output", "Delay L", path, "--loop", loop)
    (slip,) = answer["outputs"][0]["explanations"][0]["slips"]
    assert slip["sentence"] == (
        "Delay L, gain: meant −2.0 dB, looks like +2.0 dB, the sign exchanged"
    )
    # By 3 dB there is no story, and the route is as likely a place.
    path = process(tmp_path, "delay.wav", chain(replace(item, gain_db=1.0), late_ms))
    _, answer = verify(capsys, "--output", "Delay L", path, "--loop", loop)
    sentence = answer["outputs"][0]["explanations"][0]["slips"][0]["sentence"]
    assert sentence.endswith("looks like +1.0 dB (or Delay L, route, from Left, by as much)")


@pytest.mark.parametrize("share", [0.9, 0.2])
def test_a_clipped_capture_is_no_slip_and_has_no_level(share, held, tmp_path, capsys):
    path = process(tmp_path, "sub.wav", chain(held.output("Sub")))
    samples, _ = soundfile.read(path)
    most = share * np.abs(samples).max()
    clipped = np.clip(samples, -most, most) / most
    soundfile.write(path, clipped, RATE_HZ, subtype="DOUBLE")
    code, answer = verify(capsys, "--output", "Sub", path)
    (one,) = answer["outputs"]
    assert (code, one["matches"], one["explanations"]) == (1, False, [])
    assert (one["gain_offset_db"], one["latency_ms"]) == (None, None)
    assert any("stand at full scale" in note for note in one["notes"])
    assert any("no slip of settings explains this" in note for note in one["notes"])


def test_without_a_profile_it_is_said_which_steps_are_allowed(held, tmp_path, capsys):
    path = process(tmp_path, "top.wav", chain(held.output("Top L")))
    assert run(["verify", str(HALL), "--output", "Top L", path]) == 0
    assert "steps of 1/24 octave, 0.5 dB and 10 % of Q" in capsys.readouterr().out


def test_from_two_channels_of_noise(held, tmp_path, capsys):
    played = 0.05 * np.random.default_rng(2).standard_normal(10 * RATE_HZ)
    soundfile.write(tmp_path / "played.wav", played, RATE_HZ, subtype="FLOAT")
    path = through(tmp_path / "played.wav", tmp_path / "heard.wav", chain(held.output("Top L")))
    heard, _ = soundfile.read(path)
    both = np.stack([played, heard[: played.size]], axis=1)
    soundfile.write(tmp_path / "both.wav", both, RATE_HZ, subtype="FLOAT")
    words = ["--drive", "Left", "--output", "Top L", str(tmp_path / "both.wav")]
    code, answer = verify(capsys, *words, "--reference", "1")
    assert (code, answer["outputs"][0]["matches"]) == (0, True)


@pytest.mark.parametrize(("threshold_dbu", "matches"), [(8.2, True), (5.2, False)])
def test_a_limiter_on_a_staircase(threshold_dbu, matches, tmp_path, capsys):
    # ffmpeg's `alimiter` holds the peak; the player's 0 dBFS is +18 dBu, so +8.2 dBu as the rms of
    # a sine are a peak of 10^((8.2 − 18)/20).
    said = {"frequency": 1000, "from": -30, "to": -6, "step": 3, "hold": 0.3, "rest": 0.3,
            "rate": 16_000}  # fmt: skip
    words = [word for name, value in said.items() for word in (f"--{name}", str(value))]
    assert run(["signal", "steps", *words, "--loud", "-o", str(tmp_path / "steps.wav")]) == 0
    hall = load(HALL)
    top = hall.output("Top L")
    alone = replace(top, limiter=replace(top.limiter, rms=None), eq=(), high_pass=None)
    preset = replace(
        hall, groups=(), outputs=tuple(alone if o.name == "Top L" else o for o in hall.outputs)
    )
    xover.save(preset, tmp_path / "hall.json", overwrite=True)
    limit = 10.0 ** ((threshold_dbu - 18.0) / 20.0)
    graph = f"alimiter=limit={limit}:attack=2:release=60:level=disabled:asc=0"
    path = through(tmp_path / "steps.wav", tmp_path / "heard.wav", graph)
    capsys.readouterr()
    code = run(
        ["verify", str(tmp_path / "hall.json"), "--drive", "Left", "--output", "Top L", path,
         "--limiter", str(tmp_path / "steps.wav"), "--full-scale-dbu", "18", "--json"]
    )  # fmt: skip
    (one,) = json.loads(capsys.readouterr().out)["outputs"]
    assert one["threshold_dbu"] == pytest.approx(threshold_dbu, abs=0.5)
    assert one["kind"] == "peak"
    if matches:
        assert any("as meant" in sentence for sentence in one["sentences"])
    else:
        assert code == 1
        assert "a peak read as rms" in one["sentences"][0]


def test_a_limiter_needs_the_staircase_it_was_played(tmp_path, sweep, capsys):
    words = ["verify", str(HALL), "--drive", "Left", "--output", "Top L", str(sweep)]
    assert run([*words, "--limiter", str(sweep)]) == 2
    assert "this is no staircase" in capsys.readouterr().err
    assert run([*words, "--full-scale-dbu", "18"]) == 2
    assert "belongs to --limiter" in capsys.readouterr().err
