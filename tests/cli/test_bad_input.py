"""Whatever comes in: one clear sentence, exit code 2, nothing lost, never a traceback."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import click
import numpy as np
import pytest
import soundfile

from tests.cli.conftest import Ran
from xover.cli.common import Figure
from xover.cli.entry import root

Run = Callable[..., Ran]

BROKEN = {
    "empty": b"",
    "binary": bytes(range(256)) * 40,
    "truncated": b'{"format": "xover-preset", "version": 1, "title": "x", "inp',
    "nested": b"[" * 100_000,
    "other": b'{"format": "something", "version": 1}',
    "newer": b'{"format": "xover-preset", "version": 2, "title": "x"}',
    "utf16": '{"format": "xover-preset"}'.encode("utf-16"),
    "digits": b'{"format": "xover-preset", "version": 1, "sample_rate_hz": ' + b"9" * 5000 + b"}",
    "list": b"[1, 2, 3]",
}


@pytest.mark.parametrize("command", ["check", "sheet", "response", "align", "PRESET"])
@pytest.mark.parametrize("name", list(BROKEN))
def test_broken_files(xover: Run, tmp_path: Path, command: str, name: str) -> None:
    path = tmp_path / "broken.json"
    path.write_bytes(BROKEN[name])
    extra = {
        "response": ["--output", "Sub"],
        "align": ["--move", "Sub", "--to", "Top", "--listener", "Row 8"],
    }.get(command, [])
    arguments = [path, *extra] if command == "PRESET" else [command, path, *extra]
    ran = xover(*arguments)
    assert ran.code == 2
    assert ran.out == ""
    assert ran.err.startswith("xover: ")
    assert "Traceback" not in ran.err
    assert path.read_bytes() == BROKEN[name]


def test_faults_come_as_json_too(xover: Run, tmp_path: Path) -> None:
    path = tmp_path / "wrong.json"
    path.write_text(
        json.dumps(
            {
                "format": "xover-preset", "version": 1, "title": "x",
                "inputs": [{"name": "A", "gain_db": 99}],
                "outputs": [{"name": "B", "inputs": {"C": 0}, "eq": [{"kind": "peek"}]}],
            }
        )
    )  # fmt: skip
    ran = xover("check", path, "--json")
    assert ran.code == 2
    places = {fault["where"] for fault in ran.document["faults"]}
    assert {"inputs[0].gain_db", "outputs[0].eq[0].kind"} <= places
    assert any("60 dB" in line or "60 dB" in line for line in ran.err.splitlines())


def test_missing_paths_and_folders(xover: Run, tmp_path: Path) -> None:
    for path in (tmp_path / "nothing.json", tmp_path, tmp_path / ("n" * 300)):
        for arguments in (["check", path], [path], ["trace", path]):
            ran = xover(*arguments)
            assert ran.code == 2
            assert ran.err.count("\n") == 1


@pytest.mark.parametrize(
    "arguments",
    [
        ["response"],
        ["response", "PRESET"],
        ["response", "PRESET", "--output", "Nobody"],
        ["response", "PRESET", "--listener", "Nobody"],
        ["response", "PRESET", "--output", "Sub", "--listener", "Row 8"],
        ["response", "PRESET", "--output", "Sub", "--frequencies", "abc"],
        ["response", "PRESET", "--output", "Sub", "--frequencies", "30000"],
        ["response", "PRESET", "--output", "Sub", "--frequencies", "200,100"],
        ["response", "PRESET", "--output", "Sub", "--frequencies", "nan"],
        ["response", "PRESET", "--output", "Sub", "--points-per-octave", "0"],
        ["response", "PRESET", "--output", "Sub", "--drive", "Nobody"],
        ["response", "PRESET", "--output", "Sub", "--drive", "Left=loud"],
        ["response", "PRESET", "--output", "Sub", "--drive", "Left", "--drive", "left=-3"],
        ["response", "PRESET", "--output", "Sub", "--only", "Top"],
        ["response", "PRESET", "--output", "Sub", "--plot", "x.gif"],
        ["response", "PRESET", "--output", "Sub", "--plot", "-", "--json"],
        ["align", "PRESET", "--move", "Sub", "--to", "Sub", "--listener", "Row 8"],
        ["align", "PRESET", "--move", "Sub", "--to", "Top", "--listener", "Row 8", "-o", "x"],
        ["align", "PRESET", "--move", "Sub", "--to", "Top"],
        ["align", "PRESET", "--move", "Spare", "--to", "Top", "--listener", "Row 8"],
        ["distance", "PRESET", "--move", "Spare", "--to", "Top", "--listener", "Row 8"],
        ["distance", "PRESET", "--move", "Sub", "--to", "Top", "--listener", "Row 8",
         "--offset-ms", "nan"],
        ["schema", "other"],
        ["new", "--ways", ""],
        ["--nonsense"],
        ["check"],
    ],
)  # fmt: skip
def test_senseless_requests(xover: Run, preset_path: Path, arguments: list[str]) -> None:
    ran = xover(*(preset_path if word == "PRESET" else word for word in arguments))
    assert ran.code == 2
    assert ran.err.startswith("xover: ")
    assert "Traceback" not in ran.err
    assert ran.err.count("\n") == 1


def test_names_with_markup_and_direction_marks_are_shown_inert(
    xover: Run, preset_path: Path
) -> None:
    document = json.loads(preset_path.read_text())
    document["outputs"][0]["name"] = "[red]Sub\u202e"
    document["sources"][0]["output"] = "[red]Sub\u202e"
    preset_path.write_text(json.dumps(document))
    for arguments in (
        [preset_path],
        ["sheet", preset_path],
        ["response", preset_path, "--output", "nobody"],
        ["align", preset_path, "--move", "[red]sub\u202e", "--to", "Top", "--listener", "Row 8"],
        ["distance", preset_path, "--move", "[red]sub\u202e", "--to", "Top",
         "--listener", "Row 8"],
    ):  # fmt: skip
        ran = xover(*arguments)
        assert "\u202e" not in ran.out + ran.err
        assert "[red]Sub" in ran.out + ran.err


def test_control_characters_in_a_file_never_reach_the_terminal(xover: Run, tmp_path: Path) -> None:
    path = tmp_path / "x.json"
    path.write_text(
        '{"format": "xover-preset", "version": 1, "title": "\\u001b[2Jx", "y\\u0007": 1}'
    )
    ran = xover("check", path)
    assert ran.code == 2
    assert "\x1b" not in ran.err
    assert "\x07" not in ran.err


@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
def test_wav_files_of_every_width(xover: Run, tmp_path: Path, subtype: str) -> None:
    path = tmp_path / "impulse.wav"
    samples = np.zeros(4800)
    samples[48] = 0.5
    soundfile.write(path, samples, 48_000, subtype=subtype)
    document = xover("trace", path, "--json").document
    assert document["delay_ms"] == pytest.approx(1.0)
    assert document["has_phase"] is True


def test_wav_files_that_hold_nothing(xover: Run, tmp_path: Path) -> None:
    cases = {
        "none.wav": np.zeros((0, 1)),
        "one.wav": np.ones((1, 1)) * 0.5,
        "silent.wav": np.zeros((4800, 1)),
        "stereo.wav": np.zeros((4800, 2)),
    }
    for name, samples in cases.items():
        path = tmp_path / name
        soundfile.write(path, samples, 48_000, subtype="PCM_24")
        ran = xover("trace", path)
        assert ran.code == 2, name
        assert "Traceback" not in ran.err
        assert name in ran.err


def test_an_oversized_file_is_refused_without_reading_it(xover: Run, tmp_path: Path) -> None:
    path = tmp_path / "huge.json"
    with path.open("wb") as stream:
        stream.truncate(5_000_000_000)
    begun = time.process_time()
    ran = xover("check", path)
    assert ran.code == 2
    assert "64 MB" in ran.err
    assert time.process_time() - begun < 1.0


def test_a_folder_that_cannot_be_written(
    xover: Run, preset_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real_open = os.open

    def refuse(path: object, flags: int, *rest: object, **more: object) -> int:
        if flags & os.O_CREAT:
            raise PermissionError(13, "Permission denied")
        return real_open(path, flags, *rest, **more)  # type: ignore[arg-type]

    before = preset_path.read_bytes()
    monkeypatch.setattr(os, "open", refuse)
    ran = xover(
        "distance", preset_path, "--move", "Top", "--to", "Sub", "--listener", "Row 8", "--apply"
    )
    monkeypatch.undo()
    assert ran.code == 2
    assert str(preset_path.name) in ran.err
    assert preset_path.read_bytes() == before


def test_a_closed_pipe(preset_path: Path) -> None:
    process = subprocess.Popen(
        [sys.executable, "-m", "xover", "response", str(preset_path), "--output", "Sub",
         "--points-per-octave", "1000"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    assert process.stdout is not None
    process.stdout.close()
    assert process.stderr is not None
    error = process.stderr.read().decode()
    process.stderr.close()
    assert process.wait() == 2
    assert "Traceback" not in error
    assert "closed" in error


@pytest.mark.parametrize("wait_s", [0.02, 0.1, 0.25, 0.4])
def test_interrupted_at_any_moment(preset_path: Path, wait_s: float) -> None:
    before = preset_path.read_bytes()
    process = subprocess.Popen(
        [sys.executable, "-m", "xover", "align", str(preset_path), "--move", "Sub", "--to", "Top",
         "--listener", "Row 8", "--apply"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    time.sleep(wait_s)
    process.send_signal(signal.SIGINT)
    _, error = process.communicate()
    if "Traceback" in error:  # the interpreter itself starts before anything of ours can listen
        assert ", in main\n" not in error
    else:
        assert process.returncode in (-signal.SIGINT, 0, 1, 2)
    after = preset_path.read_bytes()
    assert after == before or json.loads(after)["title"] == "Small hall"
    assert [item.name for item in preset_path.parent.iterdir()] == [preset_path.name]


def commands_of(command: click.Command, path: str = "") -> Iterator[tuple[str, click.Command]]:
    """Every command that does something, with the words that call it."""
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            inner = command.get_command(context, name)
            assert inner is not None
            yield from commands_of(inner, f"{path} {name}")
    else:
        yield path.strip(), command


def test_no_option_takes_nan_or_infinity() -> None:
    plain = [
        f"{path} {option.opts[0]}"
        for path, command in commands_of(root)
        for option in command.params
        if isinstance(option.type, click.types.FloatParamType) and type(option.type) is not Figure
    ]
    assert plain == []
    for typed in ("nan", "inf", "-inf", "1e999"):
        with pytest.raises(click.BadParameter):
            Figure(0.0).convert(typed, None, None)
