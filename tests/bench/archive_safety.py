"""A thousand kills and four processes with 500 saves each. Run as a script, minutes long.

    python -m tests.bench.archive_safety

Goal: nothing acknowledged is lost, no half file is listed, the index heals itself.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.files.test_archive import KILLS, ROOT, SAVES, preset, script
from xover.files.archive.audit import audit
from xover.files.archive.store import Archive
from xover.files.preset_json import dumps


def judge(folder: str, cache: str, acknowledged: list[str]) -> str:
    archive = Archive(folder, cache=cache)
    archive.refresh()
    listed = {row.id for row in archive.index.rows(every=True)}
    findings, sound = audit(archive)
    damaged = sum(one.kind == "damage" for one in findings)
    lost = len(set(acknowledged) - listed)
    archive.close()
    return (
        f"{len(acknowledged)} acknowledged, {lost} lost; {sound} sound, {damaged} damaged, "
        f"{len(listed)} listed"
    )


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder, cache = str(Path(name) / "archive"), str(Path(name) / "cache")
        begun = time.perf_counter()
        said = script(KILLS, folder, cache, "1000", "0.06", data=dumps(preset())).split()
        took = time.perf_counter() - begun
        print(f"1000 kills in {took:.0f} s: {judge(folder, cache, said)}", flush=True)
    with tempfile.TemporaryDirectory() as name:
        folder, cache = str(Path(name) / "archive"), str(Path(name) / "cache")
        begun = time.perf_counter()
        environment = {**os.environ, "PYTHONPATH": str(ROOT)}
        running = [
            subprocess.Popen(
                [sys.executable, "-c", SAVES, folder, cache, str(who), "500"],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=environment,
            )
            for who in range(4)
        ]  # fmt: skip
        for one in running:
            assert one.stdin is not None
            one.stdin.write(dumps(preset()))
            one.stdin.close()
        said = []
        for one in running:
            assert one.stdout is not None
            said += one.stdout.read().decode().split()
            one.wait()
        took = time.perf_counter() - begun
        print(f"4 x 500 saves in {took:.0f} s: {judge(folder, cache, said)}", flush=True)


if __name__ == "__main__":
    main()
