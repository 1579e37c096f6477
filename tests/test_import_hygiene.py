"""What a fresh interpreter loads: static contracts cannot see deferred imports, this can."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

HEAVY = ("numpy", "scipy", "soundfile", "matplotlib", "textual", "click", "msgspec", "jinja2",
         "typst")  # fmt: skip


def loaded(statement: str) -> set[str]:
    code = f"import sys\n{statement}\nprint(' '.join(sys.modules))"
    out = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout
    return {name.split(".")[0] for name in out.split()} & set(HEAVY)


@pytest.mark.parametrize(
    ("statement", "allowed"),
    [
        ("import xover", set()),
        ("import xover.model.preset, xover.model.rules, xover.model.changes", {"msgspec"}),
        ("import xover.files.preset_json", {"msgspec"}),
        ("import xover.cli.entry", {"msgspec", "click"}),
        ("import xover.cli.new, xover.cli.schema, xover.cli.sheet", {"msgspec", "click"}),
        ("import xover.cli.map, xover.cli.array, xover.cli.distance", {"msgspec", "click"}),
        ("import xover.sheets.plan, xover.sheets.room_figures", {"msgspec", "numpy"}),
        ("import xover.dsp.response, xover.acoustics.field", {"msgspec", "numpy"}),
        ("import xover.design.alignment, xover.design.distance", {"msgspec", "numpy"}),
        ("import xover.sheets.curves, xover.sheets.rows", {"msgspec", "numpy"}),
        ("import xover.files.traces, xover.files.audio", {"msgspec", "numpy"}),
        ("import xover.session.session, xover.session.views", {"msgspec", "numpy"}),
    ],
)
def test_imports_stay_light(statement: str, allowed: set[str]) -> None:
    assert loaded(statement) <= allowed


def test_the_version_answers_before_anything_is_imported() -> None:
    code = (
        "import sys; sys.argv = ['xover', '--version']\n"
        "from xover.__main__ import main\nmain()\n"
        "print(' '.join(sys.modules))"
    )
    out = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout
    version, modules = out.splitlines()
    assert version == "xover 0.1.0"
    assert not {name.split(".")[0] for name in modules.split()} & set(HEAVY)


def test_the_first_curves_load_nothing_that_they_do_not_need(tmp_path: Path) -> None:
    code = (
        "import sys\n"
        "from xover.session.session import Session\n"
        "from xover.session.views import Request\n"
        "with Session.open() as session:\n"
        "    paths = tuple(output.name for output in session.preset.outputs)\n"
        "    listener = session.preset.listeners[0].name\n"
        "    session.view(Request(listener=listener, paths=paths, sum=True))\n"
        "print(' '.join(sys.modules))"
    )
    out = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True,
        env={"XDG_STATE_HOME": str(tmp_path)},
    ).stdout  # fmt: skip
    slow = {"dataclasses", "json", "numpy.ma", "numpy.polynomial", "numpy.random", "numpy.fft"}
    assert not set(out.split()) & slow


def test_importing_the_package_sets_no_thread_limits() -> None:
    code = "import os, xover; print('OMP_NUM_THREADS' in os.environ)"
    environment = {"PATH": "/usr/bin:/bin"}
    out = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, env=environment
    ).stdout
    assert out.strip() == "False"
