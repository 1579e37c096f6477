"""The peer that loads revisions by hand: `json`, then dataclasses that check what they are given.

Written as one would without a library for it: each field's type and range, unknown and missing
fields, names and references, what belongs to which kind. It knows what the bench's presets hold
(inputs, outputs, crossovers, sections, listeners, traces) and refuses lists that they leave empty;
`agrees_on` counts that it and the package refuse the same spoilt files.
"""

from __future__ import annotations

import copy
import json
import re
import unicodedata
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

WITH_GAIN = ("peak", "low_shelf", "high_shelf")
WITHOUT_GAIN = ("notch", "band_pass", "all_pass", "low_pass", "high_pass")
WITH_ORDER = ("low_shelf", "high_shelf", "all_pass")
SLOPES = {
    "butterworth": (6, 12, 18, 24, 30, 36, 42, 48),
    "linkwitz-riley": (12, 24, 36, 48),
    "bessel": (12, 18, 24, 30, 36, 42, 48),
}
STAGES = ("gain", "polarity", "delay", "high_pass", "low_pass", "eq", "limiter")
TIME = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}Z")


@dataclass(frozen=True)
class Air:
    temperature_c: float
    relative_humidity_percent: float
    pressure_kpa: float


@dataclass(frozen=True)
class Section:
    kind: str
    frequency_hz: float
    gain_db: float | None
    q: float | None
    order: int | None
    bypassed: bool


@dataclass(frozen=True)
class Crossover:
    family: str
    slope_db_per_octave: int
    frequency_hz: float


@dataclass(frozen=True)
class Input:
    name: str
    channel: int | None
    gain_db: float
    polarity: str
    delay_ms: float
    eq: tuple[Section, ...]
    nominal_dbu: float | None


@dataclass(frozen=True)
class Output:
    name: str
    channel: int | None
    patch: str
    inputs: dict[str, float]
    gain_db: float
    polarity: str
    delay_ms: float
    latency_ms: float
    muted: bool
    high_pass: Crossover | None
    low_pass: Crossover | None
    eq: tuple[Section, ...]
    locked: tuple[str, ...]


@dataclass(frozen=True)
class Listener:
    name: str
    position_m: tuple[float, float, float]


@dataclass(frozen=True)
class Provenance:
    file: str
    sha256: str
    note: str
    captured_at: str


@dataclass(frozen=True)
class Trace:
    frequency_hz: tuple[float, ...]
    magnitude_db: tuple[float, ...]
    phase_deg: tuple[float, ...] | None
    delay_ms: float
    level: str
    session: str | None
    provenance: Provenance


@dataclass(frozen=True)
class Measurement:
    output: str
    listener: str
    trace: Trace
    captured: str
    driven_inputs: dict[str, float]


@dataclass(frozen=True)
class Preset:
    title: str
    venue: str
    author: str
    notes: str
    tags: tuple[str, ...]
    based_on: str | None
    sample_rate_hz: float
    air: Air
    inputs: tuple[Input, ...]
    outputs: tuple[Output, ...]
    listeners: tuple[Listener, ...]
    measurements: tuple[Measurement, ...]


@dataclass(frozen=True)
class Revision:
    parent: str | None
    time: str
    author: str
    note: str
    preset: Preset


def load(data: bytes) -> Revision:
    """A revision from the bytes of its file. Raises `ValueError` for what is not legal."""
    tree = json.loads(data)
    fields(tree, ("format", "version", "parent", "time", "author", "note", "preset"))
    if tree["format"] != "xover-revision" or not is_one(tree["version"]):
        raise ValueError("format")
    parent = None if tree["parent"] is None else line(tree["parent"])
    time = line(tree["time"])
    if not TIME.fullmatch(time):
        raise ValueError("time")
    return Revision(parent, time, line(tree["author"]), prose(tree["note"]), preset(tree["preset"]))


EMPTY = ("groups", "loudspeakers", "amplifiers", "amplifier_channels", "sources")
PRESET_FIELDS = (
    "format", "version", "title", "venue", "author", "notes", "tags", "based_on",
    "sample_rate_hz", "air", "inputs", "outputs", "listeners", "measurements", "stimulus",
    "processor", *EMPTY,
)  # fmt: skip


def preset(tree: Any) -> Preset:
    fields(tree, PRESET_FIELDS)
    if tree["format"] != "xover-preset" or not is_one(tree["version"]):
        raise ValueError("format")
    for key in EMPTY:
        if tree[key] != []:
            raise ValueError(key)
    if tree["stimulus"] is not None or tree["processor"] is not None:
        raise ValueError("stimulus, processor")
    rate_hz = number(tree["sample_rate_hz"], 8_000.0, 384_000.0)
    air = tree["air"]
    fields(air, ("temperature_c", "relative_humidity_percent", "pressure_kpa"))
    tags = tuple([line(one) for one in items(tree["tags"])])
    if len(set(tags)) != len(tags):
        raise ValueError("tags")
    inputs = tuple([input_of(one, rate_hz) for one in items(tree["inputs"])])
    outputs = tuple([output_of(one, rate_hz) for one in items(tree["outputs"])])
    listeners = tuple([listener_of(one) for one in items(tree["listeners"])])
    if not inputs or not outputs:
        raise ValueError("empty")
    for named in (inputs, outputs, listeners):
        if len({folded(one.name) for one in named}) != len(named):
            raise ValueError("name twice")
    input_names = {one.name for one in inputs}
    for output in outputs:
        if not input_names.issuperset(output.inputs):
            raise ValueError("inputs")
    measurements = tuple([measurement_of(one) for one in items(tree["measurements"])])
    output_names = {one.name for one in outputs}
    listener_names = {one.name for one in listeners}
    pairs = set()
    for one in measurements:
        if one.output not in output_names or one.listener not in listener_names:
            raise ValueError("reference")
        if not input_names.issuperset(one.driven_inputs):
            raise ValueError("driven_inputs")
        pairs.add((one.output, one.listener))
    if len(pairs) != len(measurements):
        raise ValueError("measured twice")
    return Preset(
        title=name(tree["title"]),
        venue=line(tree["venue"]),
        author=line(tree["author"]),
        notes=prose(tree["notes"]),
        tags=tags,
        based_on=None if tree["based_on"] is None else line(tree["based_on"]),
        sample_rate_hz=rate_hz,
        air=Air(
            number(air["temperature_c"], -30.0, 60.0),
            number(air["relative_humidity_percent"], 0.0, 100.0),
            number(air["pressure_kpa"], 50.0, 120.0),
        ),
        inputs=inputs,
        outputs=outputs,
        listeners=listeners,
        measurements=measurements,
    )


def input_of(tree: Any, rate_hz: float) -> Input:
    fields(tree, ("name", "channel", "gain_db", "polarity", "delay_ms", "eq", "nominal_dbu"))
    nominal = tree["nominal_dbu"]
    return Input(
        name(tree["name"]),
        channel(tree["channel"]),
        number(tree["gain_db"], -60.0, 60.0),
        one_of(tree["polarity"], ("normal", "inverted")),
        number(tree["delay_ms"], 0.0, 10_000.0),
        tuple([section_of(one, rate_hz) for one in items(tree["eq"])]),
        None if nominal is None else number(nominal, -60.0, 60.0),
    )


OUTPUT_FIELDS = (
    "name", "channel", "patch", "inputs", "gain_db", "polarity", "delay_ms", "latency_ms",
    "muted", "high_pass", "low_pass", "eq", "limiter", "locked",
)  # fmt: skip


def output_of(tree: Any, rate_hz: float) -> Output:
    fields(tree, OUTPUT_FIELDS)
    routes = tree["inputs"]
    if not isinstance(routes, dict):
        raise ValueError("inputs")
    if tree["limiter"] is not None:
        raise ValueError("limiter")
    locked = tuple([one_of(one, STAGES) for one in items(tree["locked"])])
    if len(set(locked)) != len(locked):
        raise ValueError("locked")
    return Output(
        name=name(tree["name"]),
        channel=channel(tree["channel"]),
        patch=line(tree["patch"]),
        inputs={key: number(value, -120.0, 20.0) for key, value in routes.items()},
        gain_db=number(tree["gain_db"], -60.0, 60.0),
        polarity=one_of(tree["polarity"], ("normal", "inverted")),
        delay_ms=number(tree["delay_ms"], 0.0, 10_000.0),
        latency_ms=number(tree["latency_ms"], 0.0, 10_000.0),
        muted=flag(tree["muted"]),
        high_pass=crossover_of(tree["high_pass"], rate_hz),
        low_pass=crossover_of(tree["low_pass"], rate_hz),
        eq=tuple([section_of(one, rate_hz) for one in items(tree["eq"])]),
        locked=locked,
    )


def crossover_of(tree: Any, rate_hz: float) -> Crossover | None:
    if tree is None:
        return None
    fields(tree, ("family", "slope_db_per_octave", "frequency_hz"))
    family = one_of(tree["family"], tuple(SLOPES))
    if tree["slope_db_per_octave"] not in SLOPES[family]:
        raise ValueError("slope_db_per_octave")
    frequency_hz = number(tree["frequency_hz"], 1.0, 188_160.0)
    if frequency_hz >= 0.49 * rate_hz:
        raise ValueError("frequency_hz")
    return Crossover(family, tree["slope_db_per_octave"], frequency_hz)


SECTION_FIELDS = frozenset(("kind", "frequency_hz", "gain_db", "q", "order", "bypassed"))


def section_of(tree: Any, rate_hz: float) -> Section:
    if not isinstance(tree, dict) or not SECTION_FIELDS.issuperset(tree):
        raise ValueError("section")
    kind = tree["kind"]
    if kind in WITH_GAIN:
        gain_db = number(tree["gain_db"], -60.0, 60.0)
    elif kind in WITHOUT_GAIN and "gain_db" not in tree:
        gain_db = None
    else:
        raise ValueError("kind, gain_db")
    order = tree.get("order", 2)
    if type(order) is not int or order not in ((1, 2) if kind in WITH_ORDER else (2,)):
        raise ValueError("order")
    if order == 2:
        q = number(tree["q"], 0.05, 100.0)
    elif "q" not in tree:
        q = None
    else:
        raise ValueError("q")
    frequency_hz = number(tree["frequency_hz"], 1.0, 188_160.0)
    if frequency_hz >= 0.49 * rate_hz:
        raise ValueError("frequency_hz")
    return Section(kind, frequency_hz, gain_db, q, order, flag(tree.get("bypassed", False)))


def listener_of(tree: Any) -> Listener:
    fields(tree, ("name", "position_m"))
    x, y, z = [number(one, -10_000.0, 10_000.0) for one in items(tree["position_m"])]
    return Listener(name(tree["name"]), (x, y, z))


MEASUREMENT_FIELDS = (
    "output", "listener", "trace", "captured", "captured_settings", "driven_inputs",
    "captured_input_dbu", "captured_sample_rate_hz", "captured_air", "captured_positions_m",
)  # fmt: skip


def measurement_of(tree: Any) -> Measurement:
    fields(tree, MEASUREMENT_FIELDS)
    for key in MEASUREMENT_FIELDS[6:]:
        if tree[key] is not None:
            raise ValueError(key)
    if tree["captured_settings"] is not None or not isinstance(tree["driven_inputs"], dict):
        raise ValueError("captured_settings")
    return Measurement(
        name(tree["output"]),
        name(tree["listener"]),
        trace_of(tree["trace"]),
        one_of(tree["captured"], ("flat", "unknown")),
        {key: number(value, -60.0, 60.0) for key, value in tree["driven_inputs"].items()},
    )


TRACE_FIELDS = (
    "frequency_hz", "magnitude_db", "phase_deg", "coherence", "delay_ms", "level", "session",
    "provenance",
)  # fmt: skip


def trace_of(tree: Any) -> Trace:
    fields(tree, TRACE_FIELDS)
    frequency_hz = tuple([number(one, 1e-300, 1_000_000.0) for one in items(tree["frequency_hz"])])
    magnitude_db = tuple([number(one, -1000.0, 1000.0) for one in items(tree["magnitude_db"])])
    phase_deg = None
    if tree["phase_deg"] is not None:
        phase_deg = tuple([number(one, -1e9, 1e9) for one in items(tree["phase_deg"])])
    if tree["coherence"] is not None:
        raise ValueError("coherence")
    if not frequency_hz or len(magnitude_db) != len(frequency_hz) or len(frequency_hz) > 100_000:
        raise ValueError("columns")
    if phase_deg is not None and len(phase_deg) != len(frequency_hz):
        raise ValueError("columns")
    for low, high in pairwise(frequency_hz):
        if low >= high:
            raise ValueError("ascending")
    origin = tree["provenance"]
    fields(origin, ("file", "sha256", "note", "captured_at"))
    return Trace(
        frequency_hz,
        magnitude_db,
        phase_deg,
        number(tree["delay_ms"], -60_000.0, 60_000.0),
        one_of(tree["level"], ("relative", "spl")),
        None if tree["session"] is None else name(tree["session"]),
        Provenance(line(origin["file"]), line(origin["sha256"]), prose(origin["note"]),
                   line(origin["captured_at"])),
    )  # fmt: skip


def fields(tree: Any, names: tuple[str, ...]) -> None:
    """The fields that the bench's files hold are those of the format, each once."""
    if not isinstance(tree, dict) or len(tree) != len(names):
        raise ValueError("fields")
    for one in names:
        if one not in tree:
            raise ValueError(one)


def items(value: Any) -> list[Any]:
    if not isinstance(value, list):
        raise ValueError("a list")
    return value


def number(value: Any, low: float, high: float) -> float:
    if type(value) is not float and type(value) is not int:
        raise ValueError("a number")
    if not low <= value <= high:
        raise ValueError("range")
    return float(value)


def is_one(value: Any) -> bool:
    return type(value) is int and value == 1


def flag(value: Any) -> bool:
    if value is not True and value is not False:
        raise ValueError("true or false")
    return value


def channel(value: Any) -> int | None:
    if value is None:
        return None
    if type(value) is not int or not 1 <= value <= 100_000:
        raise ValueError("channel")
    return value


def one_of(value: Any, known: tuple[str, ...]) -> str:
    if not isinstance(value, str) or value not in known:
        raise ValueError("word")
    return value


def name(value: Any) -> str:
    found = text(value, 120, "")
    if not found or found != found.strip():
        raise ValueError("name")
    if not found.isascii() and not unicodedata.is_normalized("NFC", found):
        raise ValueError("name")
    return found


def line(value: Any) -> str:
    return text(value, 10_000, "")


def prose(value: Any) -> str:
    return text(value, 1_000_000, "\n\t")


def text(value: Any, most: int, controls: str) -> str:
    if not isinstance(value, str) or len(value) > most:
        raise ValueError("text")
    if not value.isprintable():
        for one in value:
            if unicodedata.category(one) in ("Cc", "Cs") and one not in controls:
                raise ValueError("text")
    return value


def folded(value: str) -> str:
    if value.isascii():
        return value.lower()
    return unicodedata.normalize("NFC", unicodedata.normalize("NFD", value).casefold())


def agrees_on(data: bytes, loads: Callable[[bytes], object]) -> tuple[int, int]:
    """Of one file spoilt a field at a time: how many there are, and on how many both agree."""
    spoilt = [json.dumps(tree).encode() for tree in _spoilt(json.loads(data))]
    agreed = sum(_refuses(load, one) == _refuses(loads, one) for one in spoilt)
    return len(spoilt), agreed


def _refuses(loads: Callable[[bytes], object], data: bytes) -> bool:
    try:
        loads(data)
    except Exception:
        return True
    return False


def _spoilt(tree: Any) -> Iterator[Any]:
    for way in list(_places(tree)):
        for value in (None, True, -1e12, "\u0007", [], {}, "peak", 1):
            changed = copy.deepcopy(tree)
            inner = changed
            for step in way[:-1]:
                inner = inner[step]
            inner[way[-1]] = value
            yield changed


def _places(tree: Any, way: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    inner = tree.items() if isinstance(tree, dict) else enumerate(tree)
    for key, value in inner:
        yield (*way, key)
        if isinstance(value, (dict, list)):
            yield from _places(value, (*way, key))
