"""An archive of 10,000 presets: listing, searching, loading. Run as a script, minutes to build.

    python -m tests.bench.bench_archive [COUNT]

Peers in the same run: `json` with hand-validated dataclasses that load everything; a bare FTS5
query; `json` per file. Goals: list with a check that nothing changed ≥ 50×; search ≤ 3×; load and
validate all ≥ 8×; opening one ≤ 2× reading and decoding its bytes.
"""

from __future__ import annotations

import json
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, fields
from pathlib import Path

import msgspec
import numpy as np
from msgspec.structs import replace

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


@dataclass
class Section:
    kind: str
    frequency_hz: float
    gain_db: float
    q: float
    bypassed: bool

    def __post_init__(self) -> None:
        for field in fields(self):
            if not isinstance(getattr(self, field.name), (str, int, float, bool)):
                raise TypeError(field.name)
        if not 1.0 <= self.frequency_hz <= 188_160.0 or not -60.0 <= self.gain_db <= 60.0:
            raise ValueError("range")


@dataclass
class Way:
    name: str
    delay_ms: float
    gain_db: float
    eq: list[Section]

    def __post_init__(self) -> None:
        if not isinstance(self.name, str) or not 0.0 <= self.delay_ms <= 10_000.0:
            raise ValueError("range")


@dataclass
class Whole:
    title: str
    venue: str
    outputs: list[Way]
    traces: list[list[float]]


def by_hand(data: bytes) -> Whole:
    """The peer: json, then dataclasses that check types and ranges."""
    tree = json.loads(data)["preset"]
    traces = []
    for one in tree["measurements"]:
        for column in ("frequency_hz", "magnitude_db", "phase_deg"):
            values = one["trace"][column]
            for value in values:
                if not isinstance(value, (int, float)) or not -1e9 <= value <= 1e9:
                    raise ValueError(column)
            traces.append(values)
    return Whole(
        tree["title"],
        tree["venue"],
        [
            Way(
                one["name"],
                one["delay_ms"],
                one["gain_db"],
                [
                    Section(s["kind"], s["frequency_hz"], s["gain_db"], s["q"], s["bypassed"])
                    for s in one["eq"]
                ],
            )
            for one in tree["outputs"]
        ],
        traces,
    )


def timed(action: Callable[[], object], times: int) -> float:
    found = []
    for _ in range(times):
        begun = time.perf_counter()
        action()
        found.append(time.perf_counter() - begun)
    return statistics.median(found)


def main(count: int) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder, cache = str(Path(name) / "archive"), str(Path(name) / "cache")
        build(folder, count)
        for place in [Path(folder), *Path(folder).rglob("*")]:
            if place.is_dir():
                os.utime(place, (1.7e9, 1.7e9))
        files = [path for path in Path(folder).rglob("*.json")]
        datas = [path.read_bytes() for path in files]
        archive = Archive(folder, cache=cache)
        begun = time.perf_counter()
        archive.refresh()
        print(f"index of {count} built in {time.perf_counter() - begun:.1f} s")
        archive.close()

        def listing() -> object:
            opened = Archive(folder, cache=cache)
            opened.refresh(whole=False)
            rows = opened.index.rows()
            opened.close()
            return rows

        def loading_by_hand() -> None:
            for path in files:
                by_hand(path.read_bytes())

        peer_s = timed(loading_by_hand, 1)
        list_s = timed(listing, 5)
        print(f"list with a check: {1e3 * list_s:.0f} ms, {peer_s / list_s:.0f}x (goal 50)")
        begun = time.perf_counter()
        for data in datas:
            loads_sound(data)
        load_s = time.perf_counter() - begun
        begun = time.perf_counter()
        for data in datas:
            by_hand(data)
        hand_s = time.perf_counter() - begun
        print(f"load and validate all: {load_s:.1f} s, {hand_s / load_s:.1f}x (goal 8)")
        archive = Archive(folder, cache=cache)
        connection = archive.index._connection
        bare = "SELECT venue, title, author, note FROM words WHERE words MATCH ?"
        search_s = timed(lambda: archive.index.rows(words=["bal", "gala"]), 15)
        bare_s = timed(lambda: connection.execute(bare, ['"bal"* AND "gala"*']).fetchall(), 15)
        hits = len(archive.index.rows(words=["bal", "gala"]))
        print(
            f"search ({hits} hits): {1e3 * search_s:.1f} ms, {search_s / bare_s:.1f}x of the bare "
            "query (goal 3)"
        )
        row = archive.find(archive.index.rows()[0].id)
        decoder = msgspec.json.Decoder(Revision)
        path = Path(folder, *row.name.split("/"))
        open_s = timed(lambda: archive.open(row), 31)
        decode_s = timed(lambda: decoder.decode(path.read_bytes()), 31)
        print(f"open one: {1e3 * open_s:.2f} ms, {open_s / decode_s:.1f}x of decoding (goal 2)")
        assert replace(loads_revision(datas[0]).preset, based_on=None)
        archive.close()


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
