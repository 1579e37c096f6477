"""What commands share: opening and saving presets, names as typed, what is played.

One place for each rule of the command line that more than one command follows.
"""

from __future__ import annotations

import math
import os
import re
import sys
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, TypeVar

import click

from xover.cli.outcome import say
from xover.model.drive import Drive, drive_of
from xover.model.names import find
from xover.model.preset import Preset
from xover.model.problems import Refused

if TYPE_CHECKING:
    from pathlib import Path

    from xover.model.profile import Profile

F = TypeVar("F", bound=Callable[..., Any])

EXAMPLE_WIDTH = 78
"""Columns of an example, which stands two further in."""


def group(*options: Callable[[F], F]) -> Callable[[F], F]:
    """One decorator that adds all `options`, in this order in the help."""

    def decorate(command: F) -> F:
        for option in reversed(options):
            command = option(command)
        return command

    return decorate


def example(line: str) -> str:
    """The end of a help text: a command to copy, broken for a shell where it is long."""
    parts = re.split(r" (?=--|-[a-z] )", f"Example: {line}")
    lines = parts[:1]
    fits = len(f"Example: {line}") <= EXAMPLE_WIDTH
    for part in parts[1:]:
        if not fits and len(f"{lines[-1]} {part} \\") > EXAMPLE_WIDTH:
            lines[-1] += " \\"
            lines.append(f"    {part}")
        else:
            lines[-1] += f" {part}"
    return "\b\n" + "\n".join(lines)


def open_preset(path: str) -> Preset:
    """Load PRESET; `-` is stdin. A shipped file stands in where `presets/NAME.json` is missing."""
    from xover.files.preset_json import load

    return load(_present(path))


def open_profile(path: str) -> Profile:
    """Load a processor profile; `-` is stdin. A shipped one stands in as for presets."""
    from xover.files.profile_json import load_profile

    return load_profile(_present(path))


def open_either(path: str) -> Preset | Profile:
    """Load FILE as what its `format` says it is: a preset or a processor profile; `-` is stdin."""
    from xover.files import json_text
    from xover.files.paths import read_bytes
    from xover.files.preset_json import loads
    from xover.files.profile_json import loads_profile
    from xover.files.versions import format_of
    from xover.model.profile import FORMAT

    data = read_bytes(_present(path), limit_bytes=json_text.LIMIT_BYTES)
    if FORMAT.encode() not in data:
        return loads(data)
    form = format_of(json_text.parse(data, wanted="a preset or processor profile"))
    return loads_profile(data) if form == FORMAT else loads(data)


def _present(path: str) -> str | Path:
    """`path`, or the shipped file that stands in for it where there is none; that is said."""
    from xover.files.shipped import shipped

    if path == "-" or os.path.exists(path):
        return path
    example = shipped(path)
    if example is None:
        return path
    say(f"there is no “{path}” here; this is the shipped example")
    return example


def save_changed(preset: Preset, source: str, output: str | None, *, force: bool) -> str:
    """Save a changed preset and give the name it was saved under.

    Without `-o` into PRESET itself; a file named by `-o` is overwritten only with `--force`.
    """
    from xover.files.preset_json import save
    from xover.files.shipped import shipped

    if output is None:
        if source == "-":
            raise Refused.at("", "the preset came from stdin; name the file to write with -o")
        if not os.path.exists(source) and shipped(source) is not None:
            raise Refused.at(
                "", f"“{source}” is the shipped example and stays as it is; name a file with -o"
            )
        save(preset, source, overwrite=True)
        return source
    if output == "-":
        from xover.files.preset_json import dumps

        write_stdout(dumps(preset))
        return "-"
    save(preset, output, overwrite=force)
    return output


def write_stdout(data: bytes) -> None:
    """Bytes to stdout, after whatever was printed before."""
    sys.stdout.flush()
    sys.stdout.buffer.write(data)
    sys.stdout.buffer.flush()


def write_result(data: bytes, output: str | None, *, force: bool) -> None:
    """Bytes to the file named by `-o`, or to stdout; never over a file without `--force`."""
    if output is None or output == "-":
        write_stdout(data)
        return
    from xover.files.safe_write import write_bytes

    write_bytes(output, data, overwrite=force)
    say(f"wrote {output}", whole=[output])


def output_names(preset: Preset, typed: Sequence[str]) -> tuple[str, ...]:
    """Exact output names for what was typed."""
    names = [item.name for item in preset.outputs]
    return tuple(find(names, name, kind="output") for name in typed)


def listener_names(preset: Preset, typed: Sequence[str]) -> tuple[str, ...]:
    """Exact listener names for what was typed."""
    names = [item.name for item in preset.listeners]
    if typed and not names:
        raise Refused.at("listeners", "the preset has no listeners; add one with its position")
    return tuple(find(names, name, kind="listener") for name in typed)


def listener_weights(preset: Preset, typed: Sequence[str]) -> dict[str, float]:
    """`NAME[=WEIGHT]` as exact listener names with weights; a name may hold an equals sign."""
    names = [item.name for item in preset.listeners]
    if typed and not names:
        raise Refused.at("listeners", "the preset has no listeners; add one with its position")
    weights: dict[str, float] = {}
    for text in typed:
        try:
            name, weight = find(names, text, kind="listener"), 1.0
        except Refused:
            before, equals, figure = text.rpartition("=")
            if not equals:
                raise
            name = find(names, before, kind="listener")
            weight = _weight(figure, text)
        if name in weights:
            raise Refused.at("", f"the listener “{name}” is named twice; name it once")
        weights[name] = weight
    return weights


def _weight(figure: str, text: str) -> float:
    try:
        weight = float(figure)
    except ValueError:
        weight = -1.0
    if not 0.0 <= weight <= 1000.0:
        raise Refused.at("", f"“{figure}” in “{text}” is no weight; it is a number from 0 to 1000")
    return weight


def level_pairs(preset: Preset, typed: Sequence[str]) -> dict[str, float]:
    """`INPUT[=DB]` as exact input names with levels; a name may itself hold an equals sign."""
    names = [item.name for item in preset.inputs]
    levels: dict[str, float] = {}
    for text in typed:
        name, level_db = _split_level(names, text)
        if name in levels:
            raise Refused.at("", f"“{name}” is driven twice; name it once")
        levels[name] = level_db
    return levels


def _split_level(names: Sequence[str], text: str) -> tuple[str, float]:
    try:
        return find(names, text, kind="input"), 0.0
    except Refused:
        name, equals, figure = text.rpartition("=")
        if not equals:
            raise
    exact = find(names, name, kind="input")
    try:
        level_db = float(figure.replace("−", "-"))
    except ValueError:
        raise Refused.at("", f"“{figure}” in “{text}” is not a level in dB") from None
    if not -60.0 <= level_db <= 60.0:
        raise Refused.at("", f"the level in “{text}” must be between −60 and +60 dB")
    return exact, level_db


drive_options = group(
    click.option(
        "--drive",
        "driven",
        multiple=True,
        metavar="INPUT[=DB]",
        help="Play this input, at this level (repeatable). Default: the preset's stimulus, "
        "else all inputs alike.",
    ),
    click.option("--uncorrelated", is_flag=True, help="The inputs carry independent signals."),
)
"""`--drive INPUT[=DB]…` and `--uncorrelated`."""


def drive_from(preset: Preset, driven: Sequence[str], uncorrelated: bool) -> Drive:
    """What is played, from the options."""
    return drive_of(preset, level_pairs(preset, driven) or None, uncorrelated=uncorrelated)


def terminal_size() -> tuple[int, int]:
    """Columns and rows for a drawing on the terminal."""
    import shutil

    size = shutil.get_terminal_size((100, 32))
    return max(40, size.columns), max(16, size.lines - 2)


def drive_document(drive: Drive) -> dict[str, Any]:
    """What was played, as part of a JSON answer."""
    return {
        "inputs": dict(drive.levels_db),
        "correlated": drive.correlated,
        "origin": drive.origin,
    }


apply_options = group(
    click.option("--apply", "apply_", is_flag=True, help="Write the result into PRESET."),
    click.option(
        "-o", "output_file", metavar="FILE", help="Write the changed preset here instead."
    ),
    click.option("--force", is_flag=True, help="Overwrite the file that is named."),
)
"""`--apply`, `-o FILE` and `--force` for commands that can change the preset."""


def check_apply(apply_: bool, output_file: str | None) -> None:
    """`-o` has a meaning only together with `--apply`."""
    if output_file is not None and not apply_:
        raise Refused.at("", "-o names where --apply writes; add --apply, or leave out -o")


class Figure(click.FloatRange):
    """A number within limits; “nan”, which no comparison refuses, is none, nor is “inf”."""

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """The number; fails with a sentence where it is none or out of range."""
        figure = float(super().convert(value, param, ctx))
        if not math.isfinite(figure):
            self.fail(f"{value!r} is not a number", param, ctx)
        return figure


json_option = click.option("--json", "as_json", is_flag=True, help="One JSON document on stdout.")
"""`--json`, the same everywhere."""
preset_argument = click.argument("preset", metavar="PRESET")
"""The PRESET argument; `-` is stdin."""
only_option = click.option(
    "--only", multiple=True, metavar="OUTPUT", help="Sum these outputs (repeatable)."
)
"""`--only OUTPUT…` of a sum."""
