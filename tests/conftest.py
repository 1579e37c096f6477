"""For every room: who runs in two processes, and no clock that a busy machine could stop."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

settings.register_profile("xover", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("same", settings.get_profile("xover"), derandomize=True, database=None)
settings.load_profile("same" if os.environ.get("CI") else "xover")
"""At work every run tries new examples; the one check tries the same ones every time."""

BENCH = Path(__file__).parent / "bench"


@pytest.hookimpl(tryfirst=True)
def pytest_cmdline_main(config: pytest.Config) -> None:
    """One process for single files, for the benches and under a debugger, unless `-n` is typed."""
    if "PYTEST_XDIST_WORKER" in os.environ:
        return
    words = config.invocation_params.args
    if any(word.startswith(("-n", "--numprocesses")) for word in map(str, words)):
        return
    named = [(config.invocation_params.dir / word.split("::")[0]).resolve() for word in config.args]
    if config.getoption("usepdb") or all(
        path.is_file() or path.is_relative_to(BENCH) for path in named
    ):
        config.option.numprocesses = 0


@pytest.fixture(autouse=True, scope="session")
def nobody_home(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Archives, indexes and journals of whoever runs the tests are out of their reach."""
    place = tmp_path_factory.mktemp("home")
    patch = pytest.MonkeyPatch()
    for name in ("XDG_DATA_HOME", "XDG_CACHE_HOME", "XDG_STATE_HOME"):
        patch.setenv(name, str(place / name.lower()))
    patch.setenv("XOVER_ARCHIVE", str(place / "archive"))
    yield
    patch.undo()
