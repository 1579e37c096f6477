"""An archive of 10,000 presets: listing, searching, loading. Run as a script, minutes to build.

    python -m tests.bench.bench_archive [COUNT]

Peers in the same run, interleaved: `json` with hand-validated dataclasses that hold the same
fields, ranges and rules (`peer_revision`); a bare FTS5 query; reading and decoding one file.
Goals: list with a check that nothing changed ≥ 50×; search ≤ 3×; load and validate all ≥ 8×;
opening one ≤ 2×. Loading is told twice: types and ranges alone, and with the rules between fields.
"""

from __future__ import annotations

import json
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import msgspec
import numpy as np
from msgspec.structs import replace

from tests.bench import peer_revision
from xover.files.archive.place import folder_of, id_of
from xover.files.archive.revision import Revision, dumps_revision, loads_revision, loads_sound
from xover.files.archive.store import Archive
from xover.model.preset import Preset
from xover.model.processing import Crossover, EqSection, Input, Output
from xover.model.rig import Listener, Measurement, Provenance, Trace

WORDS = ("rain", "matinee", "balcony", "spare", "desk", "foyer", "choir", "quartet", "gala", "wind")


def preset(number: int) -> Preset:
    """Eight outputs of ten sections; one in ten with a trace of 1,000 points."""
    rng = np.random.default_rng(number)
    eq = tuple(
        EqSection(kind="peak", frequency_hz=float(f), gain_db=float(g), q=2.0)
        for f, g in zip(
            np.round(np.geomspace(50, 12_000, 10), 1), np.round(rng.normal(0, 3, 10), 1),
            strict=True,
        )
    )  # fmt: skip
    outputs = tuple(
        Output(
            name=f"Way {k}",
            inputs={"In": 0.0},
            delay_ms=float(round(rng.uniform(0, 50), 2)),
            high_pass=Crossover(family="butterworth", slope_db_per_octave=24, frequency_hz=80.0),
            eq=eq,
        )
        for k in range(8)
    )
    measurements: tuple[Measurement, ...] = ()
    if number % 10 == 0:
        f = np.round(np.geomspace(20, 20_000, 1000), 3)
        trace = Trace(
            frequency_hz=tuple(f.tolist()),
            magnitude_db=tuple(np.round(rng.normal(0, 3, 1000), 3).tolist()),
            phase_deg=tuple(np.round(rng.uniform(-180, 180, 1000), 2).tolist()),
            level="relative",
            provenance=Provenance(file="a.wav"),
        )
        measurements = (Measurement(output="Way 0", listener="Seat", trace=trace, captured="flat"),)
    return Preset(
        title=f"Preset {number}",
        venue=f"Venue {number % 400}",
        notes=" ".join(rng.choice(WORDS, 6)),
        inputs=(Input(name="In"),),
        outputs=outputs,
        listeners=(Listener(name="Seat", position_m=(0.0, 10.0, 1.2)),),
        measurements=measurements,
    )


def build(folder: str, count: int) -> None:
    for number in range(count):
        stamp = f"2025-{1 + number % 12:02d}-{1 + number % 28:02d}T12:00:00Z"
        one = preset(number)
        data = dumps_revision(Revision(time=stamp, note="n", preset=one))
        place = Path(folder_of(folder, one.venue, one.title))
        place.mkdir(parents=True, exist_ok=True)
        (place / f"{id_of(data, stamp)}.json").write_bytes(data)


def timed(action: Callable[[], object]) -> float:
    begun = time.perf_counter()
    action()
    return time.perf_counter() - begun


def beside(times: int, *actions: Callable[[], object]) -> list[float]:
    """The median seconds of each action, taken in turn."""
    found = [[timed(action) for action in actions] for _ in range(times)]
    return [statistics.median(column) for column in zip(*found, strict=True)]


def main(count: int) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder, cache = str(Path(name) / "archive"), str(Path(name) / "cache")
        build(folder, count)
        for place in [Path(folder), *Path(folder).rglob("*")]:
            if place.is_dir():
                os.utime(place, (1.7e9, 1.7e9))
        files = [path for path in Path(folder).rglob("*.json")]
        archive = Archive(folder, cache=cache)
        print(f"index of {count} built in {timed(archive.refresh):.1f} s")
        archive.close()
        same = [peer_revision.agrees_on(small(number), loads_revision) for number in (1, 10)]
        spoilt, agreed = (sum(column) for column in zip(*same, strict=True))
        print(f"of {spoilt} spoilt files the peer refuses and takes {agreed} as we do")
        listing(folder, cache, files)
        loading(files)
        archive = Archive(folder, cache=cache)
        searching(archive)
        opening(archive)
        archive.close()


def small(number: int) -> bytes:
    """A preset of the bench cut short, so that each of its fields can be spoilt in turn."""
    whole = preset(number)
    outputs = tuple(replace(one, eq=one.eq[:1]) for one in whole.outputs[:1])
    measurements = tuple(
        replace(
            one,
            trace=replace(
                one.trace,
                frequency_hz=one.trace.frequency_hz[:3],
                magnitude_db=one.trace.magnitude_db[:3],
                phase_deg=(one.trace.phase_deg or ())[:3],
            ),
        )
        for one in whole.measurements
    )
    short = replace(whole, outputs=outputs, measurements=measurements)
    return dumps_revision(Revision(time="2025-01-01T12:00:00Z", preset=short))


def listing(folder: str, cache: str, files: list[Path]) -> None:
    def ours() -> None:
        opened = Archive(folder, cache=cache)
        opened.refresh(whole=False)
        opened.index.rows()
        opened.close()

    def by_hand() -> None:
        for path in files:
            peer_revision.load(path.read_bytes())

    ours_s, peer_s = beside(3, ours, by_hand)
    print(f"list with a check: {1e3 * ours_s:.0f} ms, {peer_s / ours_s:.0f}x (goal 50)")


def loading(files: list[Path]) -> None:
    """One preset in memory at a time; reading the files, which all do alike, is left out."""
    decoder = msgspec.json.Decoder(Revision)
    kinds: list[Callable[[bytes], object]] = [
        decoder.decode, loads_sound, peer_revision.load, json.loads,
    ]  # fmt: skip
    spent = [0.0] * len(kinds)
    for path in files:
        data = path.read_bytes()
        for at, load in enumerate(kinds):
            begun = time.perf_counter()
            load(data)
            spent[at] += time.perf_counter() - begun
    decode_s, ours_s, peer_s, json_s = spent
    print(
        f"load and validate all: types and ranges {decode_s:.2f} s, {peer_s / decode_s:.1f}x; "
        f"with the rules between fields {ours_s:.2f} s, {peer_s / ours_s:.1f}x (goal 8; json "
        f"alone, which checks nothing, is {peer_s / json_s:.1f}x)"
    )


def searching(archive: Archive) -> None:
    connection = archive.index._connection
    bare = "SELECT venue, title, author, note FROM words WHERE words MATCH ?"
    ours_s, bare_s = beside(
        15,
        lambda: archive.index.rows(words=["bal", "gala"]),
        lambda: connection.execute(bare, ['"bal"* AND "gala"*']).fetchall(),
    )
    hits = len(archive.index.rows(words=["bal", "gala"]))
    print(
        f"search ({hits} hits): {1e3 * ours_s:.1f} ms, {ours_s / bare_s:.1f}x of the bare "
        "query (goal 3)"
    )


def opening(archive: Archive) -> None:
    decoder = msgspec.json.Decoder(Revision)
    rows = archive.index.rows()[:200]
    paths = [str(Path(archive.folder, *row.name.split("/"))) for row in rows]

    def bare(path: str) -> None:
        with open(path, "rb") as file:
            decoder.decode(file.read())

    ratios, found = [], []
    for row, path in zip(rows, paths, strict=True):
        bare(path)
        ours_s, bare_s = timed(partial(archive.open, row)), timed(partial(bare, path))
        found.append(ours_s)
        ratios.append(ours_s / bare_s)
    print(
        f"open one: {1e3 * statistics.median(found):.2f} ms, {statistics.median(ratios):.1f}x of "
        "reading and decoding (goal 2)"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
